"""Broken and hostile scan files: one sentence each, and no memory for what they claim."""

from __future__ import annotations

import base64
import json
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest

from footscan import reading
from footscan.errors import ScanReadError
from tests.scan_files import (
    FACES,
    MESH,
    VERTICES,
    assert_same_mesh,
    cloud,
    decimal_comma,
    glb,
    gltf_tree,
    lines,
    mesh_xml,
    model_xml,
    ply,
    threemf,
    zipped,
)


def refused(path: Path | list[Path], sentence: str) -> None:
    """Reading raises one sentence that names the file."""
    with pytest.raises(ScanReadError, match=sentence) as caught:
        reading.read(path)
    message = str(caught.value)
    first = path[0] if isinstance(path, list) else path
    assert first.name in message or len(message) < 300
    assert "\n" not in message
    assert len(message) < 300
    assert ". " not in message


def test_what_is_not_a_readable_file(tmp_path, put):
    refused(tmp_path / "no.ply", r"^no\.ply is not there; check the name and the folder$")
    refused(tmp_path, r" is a folder; name the scan file in it$")
    refused(put("a.ply", b""), r"^a\.ply is empty; copy or export it again$")
    refused(tmp_path / "a\0b.ply", r"a\?b\.ply (is not there|cannot be opened)")
    (tmp_path / "loop.ply").symlink_to(tmp_path / "loop.ply")
    refused(tmp_path / "loop.ply", r"^loop\.ply (is not there|cannot be opened)")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.ply")
        refused(tmp_path / "pipe.ply", r"^pipe\.ply is not an ordinary file")


def test_too_large(put, monkeypatch):
    path = put("a.ply", ply())
    monkeypatch.setattr(reading, "MAX_BYTES", 1000)
    refused(path, r"^a\.ply is larger than the 0 MB that are taken; export it more coarsely$")


@pytest.mark.parametrize("name", ["photo.jpg", "foot", "scan.e57"])
def test_unknown_formats_are_told_what_is_read(put, name):
    path = put(name, b"\xff\xd8\xff\xe0\0\x10JFIF" + bytes(500))
    refused(path, r"is of no format that is read: PLY, STL, OBJ, OFF, 3MF, GLB, glTF, PCD and")


def test_a_text_that_holds_no_scan(put):
    refused(
        put("notes.txt", "Left foot hurts.\n" * 30), r"^notes\.txt has no line of three numbers"
    )
    refused(put("notes.md", "Left foot hurts.\n"), r"^notes\.md is of no format that is read")


def test_too_few_or_no_usable_points(put):
    refused(put("a.xyz", lines(values=VERTICES[:99])), "has only 99 usable points where .* 100")
    assert len(reading.read([put("a.xyz", lines(values=VERTICES[:100]))]).vertices) == 100
    refused(put("a.ply", ply(VERTICES[:0], [])), r"^a\.ply has no points$")
    refused(put("a.ply", ply(VERTICES * np.nan)), "has no usable point among its 162")


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("a.ply", ply()[:2500], "header promises 320 rows of face and row 29 cannot be"),
        ("a.ply", ply()[:1000], "header promises 162 rows of vertex and only 67 can follow"),
        ("a.ply", ply(order="")[:2000], "header promises 162 rows of vertex and only"),
        ("a.ply", ply(faces=[[0, 1, 2], [0, 1, 2, 3]])[:-3], "promises 2 rows of face and row 2"),
        ("a.ply", ply()[:100], "is cut short in its header"),
        ("a.stl", MESH.export(file_type="stl")[:8000], "promises 320 triangles and holds 158"),
        ("a.stl", MESH.export(file_type="stl")[:80], "ends inside the STL header"),
        ("a.stl", MESH.export(file_type="stl") + b"\1" * 90, "but 90 more bytes follow"),
        ("a.stl", MESH.export(file_type="stl_ascii")[:9000], "should end with 'endsolid'"),
        ("a.off", MESH.export(file_type="off")[:5000], "promises 162 points and 320 faces but"),
        ("a.obj", MESH.export(file_type="obj") + "\nf 1 2", r"face \(321\) of fewer than three"),
        ("a.glb", MESH.export(file_type="glb")[:3000], "promises 6\\d{3} bytes .* holds 3000"),
        ("a.glb", b"glTF\2\0", "is cut short in its header"),
        ("a.3mf", MESH.export(file_type="3mf")[:2000], "is damaged or not a proper 3MF file"),
        ("a.pts", "163\n" + lines(), "first line promises 163 points and 162 follow"),
        ("a.xyz", lines()[:-25], "only [12] columns in data row 162 where 3 are needed"),
    ],
)
def test_files_that_are_cut_short_say_what_is_missing(put, name, content, sentence):
    refused(put(name, content), sentence)


@pytest.mark.parametrize("options", [{"write_ascii": True}, {}, {"compressed": True}])
def test_pcd_cut_short(tmp_path, put, open3d, options):
    path = tmp_path / "whole.pcd"
    open3d.io.write_point_cloud(str(path), cloud(open3d, with_normals=False), **options)
    sentence = r"is cut short: it promises (162 points|\d+ packed bytes) and holds \d+;"
    refused(put("a.pcd", path.read_bytes()[:-100]), sentence)


def test_claims_far_beyond_the_file_take_no_memory(put):
    data = ply()
    for old, new in [(b"vertex 162", b"vertex 9999999"), (b"face 320", b"face 19999999")]:
        refused(put("a.ply", data.replace(old, new)), "is cut short: its header promises")
    refused(put("a.ply", data.replace(b"face 320", b"face 2000000000")), "more than the 20000000")
    head = MESH.export(file_type="stl")
    refused(
        put("a.stl", head[:80] + b"\xff" * 4 + head[84:]), "has 4294967295 triangles, more than"
    )
    refused(
        put("a.stl", head[:80] + b"\0\0\0\1" + head[84:]), "promises 16777216 triangles and holds"
    )
    refused(put("a.off", "OFF\n9000000 2 0\n" + lines()), "promises 9000000 points and 2 faces")
    pcd = "VERSION .7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\nWIDTH 9000000\nHEIGHT 1\n"
    refused(
        put("a.pcd", pcd + "POINTS 9000000\nDATA binary\n"), "promises 9000000 points and holds 0"
    )
    tree, blob = gltf_tree()
    tree["accessors"][0]["count"] = 9_000_000
    refused(put("a.glb", glb(tree, blob)), "promises 108000000 bytes of data and holds 1944")
    long_list = ply(faces=[[0, 1, 2]]).replace(b"list uchar", b"list uint")
    refused(put("a.ply", long_list), "is cut short")


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.ply", ply(faces=[[0, 1, 162]])),
        ("a.ply", ply(faces=[[0, 1, -1]])),
        ("a.ply", ply(faces=[[0, 1, 162]], order="")),
        ("a.obj", "".join(f"v {p}\n" for p in lines().splitlines()) + "f 1 2 163\n"),
        ("a.obj", "".join(f"v {p}\n" for p in lines().splitlines()) + "f 1 2 -163\n"),
        ("a.off", "OFF\n162 1 0\n" + lines() + "3 0 1 162\n"),
        (
            "a.3mf",
            threemf(
                mesh_xml().replace(
                    "<triangle v1=", '<triangle v1="162" v2="0" v3="1"/><triangle v1=', 1
                )
            ),
        ),
        ("a.glb", glb(*gltf_tree(corners=np.array([0, 1, 162])))),
    ],
)
def test_faces_that_name_a_point_which_is_not_there(put, name, content):
    refused(put(name, content), "has a face .*that names a point")


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("a.ply", ply(order="").replace(b"100.0", b"ten", 1), "has 'ten' where a number should be"),
        ("a.ply", ply().replace(b"property float x", b"property float q"), "without x, y and z"),
        ("a.ply", ply().replace(b"float x", b"colour x"), "has a property that is not PLY"),
        ("a.ply", ply().replace(b"comment", b"remark!"), "has a header line that is not PLY"),
        ("a.ply", ply().replace(b"face", b"tristrips"), "triangle strips, which are not read"),
        ("a.ply", ply().replace(b"vertex_indices", b"corners"), "without a list of vertex_indices"),
        ("a.ply", ply(order="").replace(b"\n3 0 ", b"\n3 0.5 ", 1), "no whole number"),
        ("a.ply", b"\xff\xd8\0", "does not begin with the word ply"),
        ("a.glb", b"\xff\xd8\0" * 50, "does not begin with the word glTF"),
        ("a.obj", "v 1 2 3\nv 1 x 3\n", "has 'x' where a number should be, in data row 2"),
        ("a.obj", "v 1 2 3\nf 0 1 1\n", "names point 0, but OBJ counts from 1"),
        ("a.obj", "g empty\n", "has no points"),
        ("a.off", "OFF BINARY\n1 2 3\n", "four-dimensional or binary OFF"),
        ("a.off", "OFF\nmany points\n", "does not say how many points and faces"),
        ("a.off", "OFF\n162 1 0\n" + lines() + "9 0 1 2\n", "too few corners in face 1"),
        (
            "a.stl",
            "solid a\nfacet\nvertex 1 2\nvertex 1 2 3\nvertex 1 2 3\nendfacet\nendsolid\n",
            "does not have three coordinates",
        ),
        ("a.csv", lines(";").replace(";", ";x", 1), "two numbers and 'x85.062500' where three"),
        ("a.csv", ",".join("1" * 27) + "\n", "has 27 columns and no header line that names x, y"),
        ("a.csv", "id,age,size,mass\n" + "1,2.5,3,4\n" * 200, "names no columns x, y and z"),
        ("a.csv", "12,5,3,25,1,0\n" * 200, "comma both as the decimal sign and between columns"),
        ("a.xyz", "1 2 3\n" * 150 + "1 2 three\n", "has 'three' where .*, in data row 151"),
        ("a.pcd", "VERSION .7\nFIELDS a b c\nDATA ascii\n", "has no fields x, y and z"),
        (
            "a.pcd",
            "VERSION .7\nFIELDS x y z\nSIZE 4 4\nTYPE F F F\nPOINTS 1\nDATA ascii\n",
            "whose lines differ in length",
        ),
        (
            "a.pcd",
            "VERSION .7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nPOINTS 1\nDATA magic\n",
            "keeps its points as 'magic'",
        ),
        ("a.gltf", "{}", "is JSON but not glTF"),
        ("a.gltf", '{"asset": {"version": "2.0"}, "a": ' + "[" * 100_000, "too deeply nested"),
        ("a.gltf", '{"asset": ', "is damaged or not a proper GLTF file"),
        ("a.glb", glb(*gltf_tree(), version=1), "is glTF version 1; export it as version 2"),
        ("a.3mf", zipped({"readme.txt": "hello"}), "is a zip archive without a 3MF model"),
        ("a.3mf", threemf(mesh_xml(), ""), "places no object in its build section"),
        ("a.3mf", threemf(mesh_xml(), '<item objectid="7"/>'), "places an object '7' that is not"),
        ("a.3mf", threemf(mesh_xml(), unit=' unit="yard"'), "states the unit 'yard', which 3MF"),
        ("a.3mf", threemf("<object id='1'><mesh>"), "is damaged or not a proper 3MF file"),
        ("a.3mf", threemf(mesh_xml().replace(' z="', ' w="', 1)), "'z' is missing"),
    ],
)
def test_damaged_files_are_refused_in_one_sentence(put, name, content, sentence):
    refused(put(name, content), sentence)


def test_a_3mf_by_hand_is_read_to_the_last_bit(put):
    assert_same_mesh(reading.read([put("foot.3mf", threemf(mesh_xml()))]), "3mf")


def test_a_gltf_never_opens_another_file(put):
    tree, blob = gltf_tree()
    put("points.bin", blob)
    for uri in ("points.bin", "../points.bin", "file:///etc/passwd", "https://example.org/a.bin"):
        tree["buffers"][0]["uri"] = uri
        refused(
            put("a.gltf", json.dumps(tree)), "keeps its points in another file .* one .glb file"
        )


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"nodes": [{"mesh": 0, "children": [0]}]}, "nests its nodes in a circle or too deeply"),
        ({"nodes": [{"children": [i + 1]} for i in range(70)] + [{"mesh": 0}]}, "too deeply"),
        ({"nodes": [{"children": [i + 1] * 9} for i in range(9)] + [{"mesh": 0}]}, "many times"),
        ({"nodes": [{"mesh": 4}]}, "names one of its meshes that it does not have"),
        ({"scene": 3}, "shows a scene that it does not have"),
        (
            {"extensionsRequired": ["KHR_draco_mesh_compression"]},
            "needs the glTF extension KHR_draco",
        ),
        ({"nodes": [{"mesh": 0, "rotation": [0, 0, 0, 0]}]}, "is damaged or not a proper GLB file"),
        ({"nodes": {"a": 1}}, "is damaged or not a proper GLB file|does not have"),
        ({"buffers": [{"byteLength": -5}]}, "has no usable byteLength"),
        ({"buffers": [{"byteLength": 10**9}]}, "promises 1000000000 bytes of data"),
    ],
)
def test_hostile_gltf_trees(put, change, sentence):
    tree, blob = gltf_tree()
    refused(put("a.glb", glb(tree | change, blob)), sentence)


def test_gltf_accessors_without_data_or_of_the_wrong_kind(put):
    for entry, change, sentence in [
        (0, {"type": "VEC2"}, "in a way that glTF does not allow"),
        (0, {"sparse": {}}, "as sparse or compressed data"),
        (0, {"byteOffset": 8}, "promises 1952 bytes of data and holds 1944"),
        (1, {"componentType": 5126}, "by something that is no index"),
        (1, {"count": 959}, "a number of corners that three does not divide"),
    ]:
        tree, blob = gltf_tree()
        tree["accessors"][entry] |= change
        refused(put("a.glb", glb(tree, blob)), sentence)
    tree, blob = gltf_tree()
    del tree["accessors"][0]["bufferView"]
    tree["accessors"][0]["count"] = 9_000_000
    refused(put("a.glb", glb(tree, blob)), "as sparse or compressed data")


def test_hostile_3mf_archives(put):
    group = "<object id='{}'><components>{}</components></object>"
    ten = [f"<component objectid='{i + 1}'/>" * 10 for i in range(1, 9)]
    nested = "".join(
        group.format(i + 2, part.replace(f"'{i + 2}'", f"'{i + 1}'")) for i, part in enumerate(ten)
    )
    refused(put("a.3mf", threemf(mesh_xml() + nested, '<item objectid="9"/>')), "many times")
    circle = group.format(2, "<component objectid='2'/>")
    refused(put("a.3mf", threemf(circle, '<item objectid="2"/>')), "in a circle or too deeply")
    entities = model_xml(mesh_xml(), '<item objectid="1"/>').replace(
        "<model", '<!DOCTYPE model [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;">]><model', 1
    )
    refused(put("a.3mf", zipped({"3D/3dmodel.model": entities})), "declares XML entities")
    wide = entities.replace('encoding="UTF-8"', 'encoding="UTF-16"').encode("utf-16")
    refused(put("a.3mf", zipped({"3D/3dmodel.model": wide})), "declares XML entities")
    bomb = zipped({"3D/3dmodel.model": model_xml(" " * 5_000_000, "")})
    assert len(bomb) < 50_000
    refused(put("a.3mf", bomb), r"holds a part that unpacks \d+-fold, which no scan does")
    many = zipped({f"{i}.txt": "" for i in range(5000)})
    refused(put("a.3mf", many), "unpacks to more than is taken")
    refused(put("a.3mf", threemf("<a>" * 200 + "</a>" * 200)), "nests its XML too deeply")
    packed = zipped({"3D/3dmodel.model": model_xml(mesh_xml(), "")}, zipfile.ZIP_LZMA)
    refused(put("a.3mf", packed), "packed by a method that 3MF does not allow")
    locked = bytearray(threemf(mesh_xml()))
    for at in (6, locked.find(b"PK\1\2") + 8):
        locked[at] |= 1
    refused(put("a.3mf", bytes(locked)), "is locked with a password")


def test_more_points_than_are_taken(put, monkeypatch):
    from footscan.reading import point_lists as _point_lists
    from footscan.reading import raw as _raw
    from footscan.reading import threemf as _threemf

    small = 150
    monkeypatch.setattr(_raw.check_count, "__defaults__", ("points", small))
    monkeypatch.setattr(_threemf, "MAX_POINTS", small)
    monkeypatch.setattr(_point_lists, "MAX_POINTS", -50)
    for name, content in [
        ("a.ply", ply()),
        ("a.obj", MESH.export(file_type="obj")),
        ("a.off", MESH.export(file_type="off")),
        ("a.3mf", MESH.export(file_type="3mf")),
        ("a.glb", MESH.export(file_type="glb")),
        ("a.xyz", lines()),
    ]:
        refused(put(name, content), "more .*than .*are taken; export it more coarsely")


def test_shots_that_do_not_belong_together(put):
    first = put("a.ply", ply())
    refused([first, put("b.ply", ply())], r"^b\.ply holds the same as a\.ply; give it once$")
    other = put("c.glb", MESH.export(file_type="glb"))
    refused([first, other], r"^a\.ply, c\.glb state different units \(no unit, m\)")
    refused([first, put("d.ply", b"ply\n")], r"^d\.ply is cut short in its header")


def test_an_unprintable_name_stays_on_one_line(put):
    said = r"^a\?b\?\[31m\.ply has a name that holds a character"
    refused(put("a\nb\x1b[31m.ply", b"ply\n"), said)


@pytest.fixture(scope="module")
def whole_files(open3d, tmp_path_factory) -> dict[str, bytes]:
    """A valid file of each kind, by name."""
    folder = tmp_path_factory.mktemp("whole")
    for name, options in [
        ("t.pcd", {"write_ascii": True}),
        ("b.pcd", {}),
        ("p.pcd", {"compressed": True}),
        ("l.pts", {}),
    ]:
        open3d.io.write_point_cloud(str(folder / name), cloud(open3d), **options)
    files = {path.name: path.read_bytes() for path in folder.iterdir()}
    tree, blob = gltf_tree()
    tree["buffers"][0]["uri"] = "data:;base64," + base64.b64encode(blob).decode()
    files["j.gltf"] = json.dumps(tree).encode()
    quads = [[*face, face[0]] if i % 2 else face for i, face in enumerate(FACES.tolist())]
    files |= {"t.ply": ply(order=""), "l.ply": ply(), "b.ply": ply(faces=quads, order=">")}
    files |= {"l.csv": decimal_comma(lines(";")).encode(), "l.xyz": lines().encode()}
    for kind in ("stl", "stl_ascii", "obj", "off", "3mf", "glb"):
        data = MESH.export(file_type=kind)
        name = f"{kind[3:]}.{kind.partition('_')[0]}"
        files[name] = data if isinstance(data, bytes) else data.encode()
    return files


def outcome(path: Path) -> str:
    """Read a file: "scan" or "refused"; anything else fails."""
    try:
        scan = reading.read([path])
    except ScanReadError as error:
        message = str(error)
    else:
        assert np.isfinite(scan.vertices).all()
        message = ""
    assert not message or path.name in message
    assert "\n" not in message
    return "refused" if message else "scan"


def test_files_cut_at_random_places(whole_files, tmp_path):
    """Every cut is refused, save in texts that do not say how long they are."""
    rng = np.random.default_rng(20)
    for name, data in whole_files.items():
        results = set()
        for stop in rng.integers(1, len(data) - 1, 20):
            path = tmp_path / name
            path.write_bytes(data[: int(stop)])
            results.add(outcome(path))
        open_ended = name.endswith((".obj", ".xyz", ".csv"))
        assert results <= ({"scan", "refused"} if open_ended else {"refused"}), name


def test_files_with_random_bytes_changed(whole_files, tmp_path):
    """Half of the changes fall into the first 400 bytes, where the headers are."""
    rng = np.random.default_rng(21)
    results = []
    for name, data in whole_files.items():
        for round_ in range(24):
            changed = bytearray(data)
            reach = min(len(data), 400) if round_ % 2 else len(data)
            for at in rng.integers(0, reach, rng.integers(1, 6)):
                changed[at] = rng.integers(256)
            path = tmp_path / name
            path.write_bytes(bytes(changed))
            results.append(outcome(path))
    assert set(results) == {"scan", "refused"}
