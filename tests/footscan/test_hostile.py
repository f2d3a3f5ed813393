"""Files that are made to harm: nothing is waited for, nothing grows, and one sentence says why."""

from __future__ import annotations

import json
import os
import struct
import sys

import numpy as np
import pytest

from footscan import files, reading, typed
from footscan.checking import artefact_log, log_file, series
from footscan.errors import FootscanError, ScanReadError
from footscan.reading import pcd
from footscan.reading.ply import read_ply
from footscan.reading.raw import BadFile
from tests.scanner_logs import entry

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such files")


@POSIX
def test_pipes_and_devices_are_not_read(tmp_path):
    pipe = tmp_path / "a.ply"
    os.mkfifo(pipe)
    zero = tmp_path / "b.ply"
    zero.symlink_to("/dev/zero")
    for path in (pipe, zero):
        with pytest.raises(OSError, match="no ordinary file"):
            files.read_bounded(path, 100)
        with pytest.raises(ScanReadError, match="not an ordinary file"):
            reading.read(path)
        with pytest.raises(ScanReadError):
            log_file.read(path)
        with pytest.raises(ScanReadError):
            series.judge_series(path)


def test_a_file_is_read_up_to_its_bound_and_not_beyond(tmp_path):
    path = tmp_path / "a.txt"
    path.write_bytes(b"12345")
    assert files.read_bounded(path, 5) == b"12345"
    with pytest.raises(files.TooLargeError):
        files.read_bounded(path, 4)
    with path.open("wb") as file:
        file.truncate(3 * 2**30)  # takes no room
    with pytest.raises(ScanReadError, match="larger than the 400 MB"):
        reading.read(path)
    with pytest.raises(ScanReadError, match="too large"):
        log_file.read(path)


def test_an_unfinished_file_is_swept_unless_it_is_being_written(tmp_path):
    left, held = tmp_path / ".a.txt.0123.partial", tmp_path / ".a.txt.4567.partial"
    left.write_bytes(b"half")
    with held.open("wb") as file:
        if not files.held(file) or sys.platform == "win32":
            pytest.skip("this file system has no locks")
        files.write_whole(tmp_path / "a.txt", b"whole")
        assert held.exists()
        assert not left.exists()
    files.write_whole(tmp_path / "a.txt", b"again")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.txt"]


def test_two_threads_never_share_an_unfinished_file(tmp_path):
    from concurrent.futures import ThreadPoolExecutor

    path = tmp_path / "a.json"
    texts = [bytes([65 + k]) * 200_000 for k in range(8)]
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda text: files.write_whole(path, text), texts * 3))
    assert path.read_bytes() in texts
    assert list(tmp_path.iterdir()) == [path]


def gltf(nodes, copies=1):
    data = np.random.default_rng(1).normal(size=(200, 3)).astype("<f4").tobytes()
    piece = {"attributes": {"POSITION": 0}, "mode": 0}
    tree = {
        "asset": {"version": "2.0"},
        "nodes": nodes,
        "meshes": [{"primitives": [piece] * copies}],
        "scenes": [{"nodes": [0]}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 200, "type": "VEC3"}],
        "bufferViews": [{"buffer": 0, "byteLength": len(data)}],
        "buffers": [{"byteLength": len(data)}],
    }
    text = json.dumps(tree).encode()
    head = struct.pack("<4sIII4s", b"glTF", 2, 28 + len(text) + len(data), len(text), b"JSON")
    return head + text + struct.pack("<I4s", len(data), b"BIN\0") + data


@pytest.mark.parametrize(
    ("nodes", "copies", "sentence"),
    [
        ([{"mesh": 0}], 900, "many times"),
        ([{"children": [1] * 900}, {"mesh": 0}], 1, "many times"),
        ([{"children": [1] * 9000}, {"children": [2] * 9000}, {"mesh": 0}], 1, "more than"),
    ],
)
def test_a_small_gltf_does_not_grow(tmp_path, nodes, copies, sentence):
    path = tmp_path / "a.glb"
    path.write_bytes(gltf(nodes, copies))
    with pytest.raises(ScanReadError, match=sentence):
        reading.read(path)
    path.write_bytes(gltf([{"mesh": 0, "children": [1, 1]}, {"mesh": 0}]))
    assert len(reading.read(path).vertices) == 600  # a mesh in three places is well


def test_nested_brackets_in_a_heading_are_read_quickly(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("x,y,z" + "(" * 60_000 + "\n" + "1,2,3\n" * 200, encoding="utf-8")
    assert len(reading.read(path).vertices) == 200  # took minutes


def test_packed_points_are_bounded(monkeypatch):
    monkeypatch.setattr(pcd, "MAX_STEPS", 10)
    with pytest.raises(BadFile, match="too many pieces"):
        pcd._lzf(bytes([0, 0]) * 20, 1000)
    monkeypatch.setattr(pcd, "MAX_UNPACKED", 100)
    layout = pcd._Layout(fields=(("x", "<f4", 1),), points=26)
    with pytest.raises(BadFile, match="more than is taken"):
        pcd._unpacked(struct.pack("<II", 4, 104) + b"aaaa", layout)


@pytest.mark.parametrize("kind", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_faces_of_three_and_four_corners_beside_one_another(kind):
    """Triangle, quad, five corners and none: each is cut into triangles from its first corner."""
    faces = [(0, 1, 2), (0, 1, 2, 3), (), (4, 0, 1, 2, 3)]
    points = np.arange(15, dtype=float).reshape(5, 3)
    head = (
        f"ply\nformat {kind} 1.0\nelement vertex 5\nproperty float x\nproperty float y\n"
        "property float z\nelement face 4\nproperty list uchar short vertex_indices\n"
        "end_header\n"
    ).encode()
    if kind == "ascii":
        rows = [" ".join(map(str, row)) for row in points]
        rows += [" ".join(map(str, (len(face), *face))) for face in faces]
        body = "\n".join(rows).encode() + b"\n"
    else:
        order = "<" if "little" in kind else ">"
        body = points.astype(f"{order}f4").tobytes()
        body += b"".join(struct.pack(f"{order}B{len(f)}h", len(f), *f) for f in faces)
    raw = read_ply(head + body)
    assert raw.vertices.tolist() == points.tolist()
    assert raw.faces.tolist() == [[0, 1, 2], [0, 1, 2], [0, 2, 3], [4, 0, 1], [4, 1, 2], [4, 2, 3]]
    said = r"promises 4 rows of face and row 4 cannot be read|is cut short"
    with pytest.raises(BadFile, match=said):
        read_ply(head + body[:-4])


# ---- text from outside


@pytest.mark.parametrize(
    "sign",
    [
        "\0",
        "\x07",
        "\x1b",
        "\u202e",
        "\u2066",
        "\u200f",
        "\u2028",
        "\ufeff",
        "\xad",
        "\ud800",
        "\ue000",
        "\U000e0041",
    ],
)
def test_what_cannot_be_printed_is_refused(sign):
    with pytest.raises(ValueError, match=rf"U\+{ord(sign):04X}"):
        typed.line(f"rider{sign}7", "it")
    assert typed.strange({"a": [{"b": f"x{sign}"}]}).startswith("has a text at a.b")
    assert typed.strange({f"a{sign}": 1})


def test_a_clean_line_is_composed_and_has_no_blanks_around():
    assert typed.line(" Ome\u0301\u00a0x ", "it") == "Omé x"
    with pytest.raises(ValueError, match="longer than 80"):
        typed.line("a" * 81, "it", 80)
    with pytest.raises(ValueError, match="piles up accents"):
        typed.line("x" + "\u0300" * 9, "it")


@pytest.mark.parametrize("name", ["山田", "ريدر", "Łukasz", "", " ", "--", "a" * 64, "a\nb"])
def test_a_case_has_a_name_that_parts_can_show(name):
    with pytest.raises(ValueError, match="the case's name"):
        typed.label(name, "the case's name")


def test_numbers_that_are_none_and_nesting_are_found():
    assert "number at a" in typed.strange({"a": float("nan")})
    assert "number at a" in typed.strange({"a": [10**400]})
    deep: object = 1
    for _ in range(60):
        deep = [deep]
    assert "nested too deeply" in typed.strange(deep)
    assert typed.strange({"a": [1, 2.5, "Ödön", None, True]}) == ""


@pytest.mark.parametrize("name", ["con", "NUL.ply", "Lpt1.txt", "com¹", "CONIN$"])
def test_names_of_devices_are_known(name):
    assert typed.is_reserved(name)
    assert not typed.is_reserved(f"x{name}")


def test_an_error_is_one_printable_line_of_bearable_length():
    text = str(FootscanError("a\x1b[2J\nb" + "c" * 5000))
    assert text.startswith("a?[2J b")
    assert len(text) == 1500


# ---- a mistyped year does not hold a scanner's log


def test_a_check_of_the_year_2999_is_left_out_and_said():
    from datetime import date

    today = date(2026, 6, 1)
    log = [entry(date(2999, 5, 30)), entry(date(2026, 5, 30))]
    found = artefact_log.evidence(log, today)
    assert found.verified
    assert "Left out, as dated in the future: 2999-05-30" in found.words
    (drift,) = artefact_log.drift(log, today)
    assert drift.age == 2
    assert any("2999-05-30" in sentence for sentence in drift.sentences)
    failed = [entry(date(2999, 5, 30), "off by 2 %"), entry(date(2026, 5, 30))]
    assert not artefact_log.evidence(failed, today).verified  # whenever it was, it did not pass
