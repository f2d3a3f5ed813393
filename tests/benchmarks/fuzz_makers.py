"""Good small files of every kind that is read, and the ways in which they are spoilt.

    SEEDS[kind] -> bytes of a good file;  spoil(kind, data, rng) -> (name of the way, bytes)

Every way is drawn from a seeded generator, so that an input is found again by its number.
"""

from __future__ import annotations

import base64
import copy
import io
import json
import re
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from insole.record import questions
from insole.record.plan import to_json
from tests.plans import SHOE, sample_plan

ROOT = Path(__file__).resolve().parents[2]
Rng = np.random.Generator
Way = Callable[[bytes, Rng], bytes]
SCANS = (
    "ply",
    "ply_binary",
    "ply_mixed",
    "stl",
    "stl_text",
    "obj",
    "off",
    "3mf",
    "glb",
    "gltf",
    "pcd",
    "pcd_binary",
    "pcd_packed",
    "xyz",
    "asc",
    "csv",
    "csv_comma",
    "txt",
)
TOML = ("shoe", "limits", "kit", "materials", "answers", "by_hand")
JSON = ("plan", "log", "case_json", "trial_json", "desk", "workshop")
OTHERS = ("archive", "scanner_log", "series", "outline_csv", "outline_dxf", "sheet")
KINDS = (*SCANS, *TOML, *JSON, *OTHERS)
ENDINGS = {
    "ply_binary": "ply",
    "ply_mixed": "ply",
    "stl_text": "stl",
    "pcd_binary": "pcd",
    "pcd_packed": "pcd",
    "csv_comma": "csv",
    "archive": "zip",
    "scanner_log": "csv",
    "series": "csv",
    "outline_csv": "csv",
    "outline_dxf": "dxf",
    "sheet": "pdf",
    **dict.fromkeys(TOML, "toml"),
    **dict.fromkeys(JSON, "json"),
}


# ------------------------------------------------------------------ good files


def mesh() -> tuple[np.ndarray, np.ndarray]:
    """Return points and triangles of a lump 260 mm long."""
    u, v = np.meshgrid(
        np.linspace(0.2, np.pi - 0.2, 12), np.linspace(0, 2 * np.pi, 13)[:-1], indexing="ij"
    )
    points = np.column_stack(
        [
            (130 * np.cos(u)).ravel(),
            (45 * np.sin(u) * np.cos(v)).ravel(),
            (30 * np.sin(u) * np.sin(v)).ravel(),
        ]
    ).round(3)
    faces = []
    for i in range(11):
        for j in range(12):
            a, b = 12 * i + j, 12 * i + (j + 1) % 12
            faces += [(a, b, a + 12), (b, b + 12, a + 12)]
    return points, np.array(faces)


def _ply(points: np.ndarray, faces: np.ndarray, kind: str) -> bytes:
    head = (
        f"ply\nformat {'ascii' if kind == 'ply' else 'binary_little_endian'} 1.0\n"
        f"element vertex {len(points)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    if kind == "ply":
        rows = [" ".join(map(str, p)) for p in points] + [
            "3 " + " ".join(map(str, f)) for f in faces
        ]
        return (head + "\n".join(rows) + "\n").encode()
    body = points.astype("<f4").tobytes()
    for k, face in enumerate(faces):
        if kind == "ply_mixed" and k % 7 == 0:
            body += struct.pack("<B4i", 4, *face, face[0])
        else:
            body += struct.pack("<B3i", 3, *face)
    return head.encode() + body


def _stl(points: np.ndarray, faces: np.ndarray) -> bytes:
    body = b"".join(struct.pack("<12fH", 0, 0, 1, *points[f].ravel(), 0) for f in faces)
    return bytes(80) + struct.pack("<I", len(faces)) + body


def _stl_text(points: np.ndarray, faces: np.ndarray) -> bytes:
    rows = ["solid lump"]
    for face in faces:
        rows += [
            "facet normal 0 0 1",
            "outer loop",
            *("vertex " + " ".join(map(str, points[k])) for k in face),
            "endloop",
            "endfacet",
        ]
    return ("\n".join([*rows, "endsolid lump"]) + "\n").encode()


def _gltf(points: np.ndarray, faces: np.ndarray, binary: bool) -> bytes:
    data = points.astype("<f4").tobytes() + faces.astype("<u2").tobytes()
    tree = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "translation": [0.0, 0.0, 1.0]}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(points), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5123, "count": faces.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": 12 * len(points)},
            {"buffer": 0, "byteOffset": 12 * len(points), "byteLength": 2 * faces.size},
        ],
        "buffers": [{"byteLength": len(data)}],
    }
    if not binary:
        code = base64.b64encode(data).decode()
        tree["buffers"] = [
            {"byteLength": len(data), "uri": f"data:application/octet-stream;base64,{code}"}
        ]
        return json.dumps(tree, indent=1).encode()
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    data += bytes(-len(data) % 4)
    return (
        struct.pack("<4sIII4s", b"glTF", 2, 28 + len(text) + len(data), len(text), b"JSON")
        + text
        + struct.pack("<I4s", len(data), b"BIN\0")
        + data
    )


CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MODEL_HEAD = (
    f'<?xml version="1.0"?><model unit="millimeter" xmlns="{CORE}"><resources>'
    '<object id="1"><mesh><vertices>'
)
RELS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="r" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


def model_xml(points: np.ndarray, faces: np.ndarray) -> str:
    return (
        MODEL_HEAD
        + "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in points)
        + "</vertices><triangles>"
        + "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces)
        + '</triangles></mesh></object></resources><build><item objectid="1"/></build></model>'
    )


def packed(parts: dict[str, str | bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(zipfile.ZipInfo(name), data)
    return buffer.getvalue()


def _pcd(points: np.ndarray, how: str) -> bytes:
    head = (
        "VERSION .7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\n"
        f"WIDTH {len(points)}\nHEIGHT 1\nPOINTS {len(points)}\nDATA {how}\n"
    ).encode()
    if how == "ascii":
        return head + "\n".join(" ".join(map(str, p)) for p in points).encode() + b"\n"
    if how == "binary":
        return head + points.astype("<f4").tobytes()
    plain = points.astype("<f4").T.tobytes()
    body = b"".join(
        bytes([len(plain[k : k + 32]) - 1]) + plain[k : k + 32] for k in range(0, len(plain), 32)
    )
    return head + struct.pack("<II", len(body), len(plain)) + body


def _lists(points: np.ndarray, kind: str) -> bytes:
    rows = {
        "xyz": [" ".join(map(str, p)) for p in points],
        "asc": ["# scanner", *(" ".join(f"{v:.3e}" for v in (*p, 0, 0, 1)) for p in points)],
        "csv": ["x;y;z", *(";".join(map(str, p)) for p in points)],
        "csv_comma": ["x;y;z", *(";".join(map(str, p)).replace(".", ",") for p in points)],
        "txt": [str(len(points)), *(", ".join(map(str, p)) for p in points)],
    }[kind]
    return ("\n".join(rows) + "\n").encode()


def _trials() -> dict[str, object]:
    from insole.record.limits import default_limits
    from insole.trials import entry, trial

    plan = sample_plan().model_copy(update={"answers": {}, "case": "rider-7"})
    flags = dict.fromkeys(("pain", "numbness", "tingling", "cramp", "slipping", "stuck"), "no")
    said = entry.Said(
        text="better", answer="better", date="2026-05-01", flags=flags, felt=["too high"]
    )
    return trial.judge(plan, said, [], limits=default_limits()).model_dump(mode="json")


def good_files() -> dict[str, bytes]:
    """Return a good file of every kind."""
    points, faces = mesh()
    plan = sample_plan().model_copy(update={"answers": {}, "case": "rider-7"})
    trial = _trials()
    case = {"schema_version": 1, "case": "rider-7", "opened": "2026-05-01"}
    dumped = {
        name: json.dumps(value, indent=1).encode()
        for name, value in {
            "log": {"schema_version": 1, "case": "rider-7", "trials": [trial]},
            "case_json": case,
            "trial_json": trial,
            "desk": {
                "schema_version": 1,
                "answers": {"diabetes": "no"},
                "clinician": "",
                "scans": {"left": {"sha256": "0" * 64, "file": "a.ply"}},
                "shoe": "a.toml",
                "wishes": {"both": {"support_level": 0.8}},
                "body_mass": 70,
            },
            "workshop": {"schema_version": 1, "bed": [220, 220], "sheet": [600, 400], "kerf": 0.1},
        }.items()
    }
    files = {kind: _ply(points, faces, kind) for kind in ("ply", "ply_binary", "ply_mixed")}
    files |= {kind: _lists(points, kind) for kind in ("xyz", "asc", "csv", "csv_comma", "txt")}
    files |= {
        "pcd": _pcd(points, "ascii"),
        "pcd_binary": _pcd(points, "binary"),
        "pcd_packed": _pcd(points, "binary_compressed"),
    }
    files |= {
        "stl": _stl(points, faces),
        "stl_text": _stl_text(points, faces),
        "obj": "".join(
            [
                *(f"v {x} {y} {z}\n" for x, y, z in points),
                *(f"f {a + 1}/1 {b + 1}//2 {c - len(points)}\n" for a, b, c in faces),
            ]
        ).encode(),
        "off": "".join(
            [
                f"OFF\n{len(points)} {len(faces)} 0\n",
                *(f"{x} {y} {z}\n" for x, y, z in points),
                *(f"3 {a} {b} {c}\n" for a, b, c in faces),
            ]
        ).encode(),
        "3mf": packed({"_rels/.rels": RELS, "3D/3dmodel.model": model_xml(points, faces)}),
        "glb": _gltf(points, faces, True),
        "gltf": _gltf(points, faces, False),
    }
    files |= {
        "shoe": (ROOT / "sample_scans" / "shoe.toml").read_bytes(),
        "limits": b'[support]\nfirst_trial = { value = 0.7, reason = "ours" }'
        b"\n[wedge]\nedge_sheet = 0.5\n",
        "kit": b'name = "ours"\nmaterial = "trial-eva"\nheights = [6, 8]\nlengths = [70, 80]\n'
        b"widths = [35, 40]\n",
        "materials": b"[wedge-tpu]\ndensity = 1.21\nmeasured = [99.5, 99.6, 19.9]\n",
        "answers": questions.as_toml(
            {q.id: "no" for q in questions.QUESTIONS}, "Dr A. Muster, 2026-05-31"
        ).encode(),
        "by_hand": b'leg_length = "equal"\n[left]\nfoot_length = 262.5\nball_girth = 240\n'
        b'hallux = "free"\n[right]\nforefoot_tilt = -3.5\n',
        "plan": to_json(plan).encode(),
        **dumped,
        "archive": packed(
            {
                "rider-7/case.json": json.dumps(case),
                "rider-7/plans/plan-001.json": to_json(plan),
                "rider-7/trials/trial-001.json": json.dumps(trial),
                "rider-7/desk.json": b'{"schema_version": 1, "body_mass": 70}',
            }
        ),
        "scanner_log": _scanner_log(),
        "series": b"person;measure;scan;hand\n1;foot_length;262,1;261,5\n2;foot_length;270;271\n",
        "outline_csv": _outline(),
        "outline_dxf": _dxf(),
        "sheet": _sheet(),
    }
    assert set(files) == set(KINDS), set(KINDS) ^ set(files)
    return files


def _scanner_log() -> bytes:
    from footscan.checking.log_file import COLUMNS

    row = (
        "2026-05-01",
        "north",
        "ball",
        "50.0",
        "",
        "50.01",
        "",
        "0.01",
        "0.1",
        "",
        "",
        "1.0002",
        "0.0001",
        "",
        "ball.ply",
        "0.1",
    )
    assert len(row) == len(COLUMNS)
    return (",".join(COLUMNS) + "\n" + ",".join(row) + "\n").encode()


def _ring() -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 90)[:-1]
    length = SHOE["inside"]["length"]
    return np.column_stack([length / 2 * (1 + np.cos(angle)), 44 * np.sin(angle)]).round(2)


def _outline() -> bytes:
    return ("x,y\n" + "\n".join(f"{x},{y}" for x, y in _ring()) + "\n").encode()


def _dxf() -> bytes:
    import ezdxf

    drawing = ezdxf.new("R2010", units=4)
    drawing.modelspace().add_lwpolyline(_ring().tolist(), close=True)
    stream = io.StringIO()
    drawing.write(stream)
    return stream.getvalue().encode()


def _sheet() -> bytes:
    import tempfile

    from insole.output.papers import question_sheet

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.pdf"
        question_sheet.write_sheet(path)
        return path.read_bytes()


# ------------------------------------------------------------------ ways to spoil any file


def flipped(data: bytes, rng: Rng) -> bytes:
    found = bytearray(data)
    for at in rng.integers(0, len(found), rng.integers(1, 9)):
        found[at] ^= 1 << int(rng.integers(0, 8))
    return bytes(found)


def flipped_head(data: bytes, rng: Rng) -> bytes:
    found = bytearray(data)
    for at in rng.integers(0, min(len(found), 300), rng.integers(1, 4)):
        found[at] = int(rng.integers(0, 256))
    return bytes(found)


def cut(data: bytes, rng: Rng) -> bytes:
    return data[: int(rng.integers(0, len(data)))]


def cut_inside(data: bytes, rng: Rng) -> bytes:
    a, b = sorted(rng.integers(0, len(data), 2).tolist())
    return data[:a] + data[b:]


def doubled(data: bytes, rng: Rng) -> bytes:
    a, b = sorted(rng.integers(0, len(data), 2).tolist())
    return data[:b] + data[a:b] * int(rng.integers(1, 30)) + data[b:]


def filled(data: bytes, rng: Rng) -> bytes:
    a = int(rng.integers(0, len(data)))
    fill = [b"\0", b"\xff", b" ", b"\n", b"(", b"[", b'"', b"9", b"-", b",", b"<", b"{"][
        int(rng.integers(0, 12))
    ]
    return data[:a] + fill * int(rng.integers(1, 70_000)) + data[a:]


def lying_length(data: bytes, rng: Rng) -> bytes:
    """Put a wild whole number over four or eight bytes: where counts and lengths stand."""
    found = bytearray(data)
    value = int(rng.choice([0, 1, 2**15, 2**16 - 1, 2**24, 2**31 - 1, 2**32 - 1, 10**7, 10**8]))
    at = int(rng.integers(0, max(len(found) - 8, 1)))
    if rng.random() < 0.5:
        at = int(rng.integers(0, max(min(len(found) - 8, 256), 1)))
    found[at : at + 4] = struct.pack("<I", value)
    return bytes(found)


NUMBERS = (
    b"nan",
    b"inf",
    b"-inf",
    b"NaN",
    b"Infinity",
    b"-1",
    b"0",
    b"1e308",
    b"1e999",
    b"-1e-320",
    b"1e-6",
    b"99999999999",
    b"4294967296",
    b"-2147483649",
    b"0x10",
    b"1_000",
    b"1,5",
    b"1.5.5",
    b"",
    b"--5",
    b"1" * 5000,
    b"\xd9\xa3",
    b"true",
    b"null",
    b'"7"',
    b"[]",
    b"{}",
    b"1e6",
    b"2e7",
    b"[[[[1]]]]",
    b"1979-05-27",
    b"10000000",
    b"255",
    b"3.0",
    b"0.0000001",
)
_NUMBER = re.compile(rb"-?\d+(\.\d+)?(e[+-]?\d+)?")


def wild_number(data: bytes, rng: Rng) -> bytes:
    """Put a wild number in the place of one of a text's."""
    found = list(_NUMBER.finditer(data[:200_000]))
    if not found:
        return flipped(data, rng)
    for _ in range(int(rng.integers(1, 3))):
        if rng.random() < 0.4:
            found = found[:60]
        one = found[int(rng.integers(0, len(found)))]
        data = data[: one.start()] + NUMBERS[int(rng.integers(0, len(NUMBERS)))] + data[one.end() :]
        found = list(_NUMBER.finditer(data[:200_000]))
        if not found:
            break
    return data


SIGNS = (
    "\x00",
    "\x01",
    "\x1b[2J",
    "\u202e",
    "\u2028",
    "\ufeff",
    "\U000e0041",
    "\ud83d",
    "\xad",
    "é" + "\u0301" * 50,
    "..",
    "../../",
    "/etc/passwd",
    "C:\\con",
    "CON",
    "%s%n",
    "${x}",
    "'",
    '"',
    "\\",
    "\n",
    "\r",
    "\t",
    "<!--",
    "]]>",
    "&x;",
    "猫",
    "ريدر",
    "=1+1",
    "a" * 3000,
)
_WORD = re.compile(rb"[A-Za-z_]{2,}")


def wild_word(data: bytes, rng: Rng) -> bytes:
    """Put a wild text in, or in the place of, one of a text's words."""
    found = list(_WORD.finditer(data[:200_000]))
    if not found:
        return flipped(data, rng)
    one = found[int(rng.integers(0, len(found)))]
    sign = SIGNS[int(rng.integers(0, len(SIGNS)))].encode("utf-8", "surrogatepass")
    keep = one.group() if rng.random() < 0.5 else b""
    return data[: one.start()] + keep + sign + data[one.end() :]


def swapped(data: bytes, rng: Rng) -> bytes:
    """Exchange, drop or repeat whole lines."""
    lines = data.split(b"\n")
    a, b = (int(k) for k in rng.integers(0, len(lines), 2))
    match int(rng.integers(0, 3)):
        case 0:
            lines[a], lines[b] = lines[b], lines[a]
        case 1:
            del lines[a]
        case _:
            lines.insert(b, lines[a])
    return b"\n".join(lines)


def recoded(data: bytes, rng: Rng) -> bytes:
    """The same text in another alphabet, or with other line ends."""
    text = data.decode("latin-1")
    match int(rng.integers(0, 7)):
        case 0:
            return text.encode("utf-16")
        case 1:
            return text.encode("utf-16-be")
        case 2:
            return text.encode("utf-32")
        case 3:
            return b"\xef\xbb\xbf" + data
        case 4:
            return data.replace(b"\n", b"\r")
        case 5:
            return data.replace(b"\n", b"\r\n")
        case _:
            return data.replace(b".", b",")


def strewn(data: bytes, rng: Rng) -> bytes:
    return rng.bytes(int(rng.integers(0, 5000)))


def behind_head(data: bytes, rng: Rng) -> bytes:
    """A good beginning, and noise."""
    return data[: int(rng.integers(4, 400))] + rng.bytes(int(rng.integers(0, 4000)))


# ------------------------------------------------------------------ ways of one format


def nested(data: bytes, rng: Rng) -> bytes:
    """Nesting as deep as it is wide, of the kinds that texts have."""
    n = int(rng.choice([50, 1000, 20_000, 100_000]))
    ways = [
        b"a = " + b"[" * n + b"]" * n,
        b"a = " + b"{a=" * n + b"1" + b"}" * n,
        b"a." * n + b"b = 1",
        b"[" + b"a." * n + b"b]\nc = 1",
        b"[" * n + b"1" + b"]" * n,
        b'{"a":' * n + b"1" + b"}" * n,
        b"<a>" * n,
        b"(" * n + b")" * n,
        b"".join(b"[a%d]\n" % k for k in range(n)),
        b"x(((,y,z" + b"(" * n + b"\n1,2,3\n",
    ]
    return ways[int(rng.integers(0, len(ways)))] + (data if rng.random() < 0.4 else b"")


def wild_json(data: bytes, rng: Rng) -> bytes:
    """Put a wild value somewhere into a JSON tree."""
    try:
        tree = json.loads(data)
    except ValueError:
        return flipped(data, rng)
    values = [
        None,
        True,
        -1,
        0,
        1e308,
        float("nan"),
        float("inf"),
        10**400,
        10**30,
        "",
        "x" * 5000,
        "\u202e",
        "\ud800",
        [],
        {},
        [[]],
        [None] * 2000,
        {"a": {"b": []}},
        2**31,
        1e-9,
        "right",
        "left",
        [1, 2],
        [[0, 0]] * 9,
        -5.5,
        300,
        "2999-01-01",
        "../x",
        [1] * 3,
    ]
    for _ in range(int(rng.integers(1, 3))):
        place = tree
        while True:
            keys = list(place) if isinstance(place, dict) else range(len(place))
            if not len(keys):
                break
            key = keys[int(rng.integers(0, len(keys)))]
            inner = place[key]
            if isinstance(inner, dict | list) and inner and rng.random() < 0.8:
                place = inner
                continue
            if rng.random() < 0.1 and isinstance(place, dict):
                del place[key]
            elif rng.random() < 0.1 and isinstance(place, dict):
                place["new\u202ekey" if rng.random() < 0.5 else "more"] = 1
            else:
                place[key] = copy.deepcopy(values[int(rng.integers(0, len(values)))])
            break
    return json.dumps(tree).encode("utf-8", "replace")


def wild_gltf(data: bytes, rng: Rng) -> bytes:
    """The tree of a GLB or glTF with a wild value, or bent on purpose."""
    binary = data.startswith(b"glTF")
    size = struct.unpack_from("<I", data, 12)[0] if binary else len(data)
    text, rest = (data[20 : 20 + size], data[20 + size :]) if binary else (data, b"")
    tree = json.loads(text)
    n = int(rng.choice([100, 3000, 9000, 60_000]))
    match int(rng.integers(0, 10)):
        case 0:  # one mesh many times
            tree["nodes"] = [{"mesh": 0}] * n
            tree["scenes"][0]["nodes"] = list(range(n))
        case 1:  # children of children
            tree["nodes"] = [{"children": [min(k + 1, 59)] * n, "mesh": 0} for k in range(60)]
        case 2:
            tree["nodes"][0]["children"] = [0] * n
        case 3:  # one piece many times
            mesh = tree["meshes"][0]
            mesh["primitives"] = mesh["primitives"] * n
        case 4:
            tree["accessors"][0]["count"] = int(rng.choice([10**7, 2**31, 2**53]))
        case 5:
            tree["bufferViews"][0]["byteStride"] = int(rng.choice([1, 2, 3, 11, 2**20]))
        case 6:
            tree["nodes"][0]["matrix"] = [float("nan")] * 16
        case 7:
            tree["buffers"][0]["uri"] = str(
                rng.choice(["/dev/zero", "../x.bin", "data:;base64,!!", "file:///etc/passwd"])
            )
        case 8:
            tree["nodes"][0]["scale"] = [1e300, 1e-300, float("inf")]
        case _:
            tree = json.loads(wild_json(text, rng))
    text = json.dumps(tree).encode()
    if not binary:
        return text
    return (
        struct.pack("<4sIII4s", b"glTF", 2, 20 + len(text) + len(rest), len(text), b"JSON")
        + text
        + rest
    )


def wild_zip(data: bytes, rng: Rng) -> bytes:
    """Parts of a zip renamed, linked, repeated, emptied, spoilt inside, or a bomb."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    names = list(parts)
    chosen = names[int(rng.integers(0, len(names)))]
    buffer = io.BytesIO()
    way = int(rng.integers(0, 11))
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in parts.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            if name == chosen:
                if way == 0:
                    info.filename = str(
                        rng.choice(
                            [
                                "../../up.json",
                                "/etc/x",
                                "rider-7/../x",
                                "rider-7\\..\\x",
                                "CON",
                                "rider-7/case.json\x01",
                                "other/case.json",
                                "rider-7/scans/x/y",
                            ]
                        )
                    )
                elif way == 1:
                    info.external_attr = 0o120777 << 16
                    body = b"/etc/passwd"
                elif way in (2, 3, 4):
                    ways = (flipped, cut, wild_number, wild_word, nested, strewn, wild_json)
                    body = ways[int(rng.integers(0, len(ways)))](body, rng)
                elif way == 5:
                    body = b""
                elif way == 6:
                    body = body[:-1] + b" " * 50_000_000  # packs a thousandfold
                elif way == 7:
                    continue
                elif way == 8:
                    info.compress_type = zipfile.ZIP_LZMA
            archive.writestr(info, body)
        if way == 9:
            for k in range(6000):
                archive.writestr(f"rider-7/trials/trial-{k:04}.json", b"")
    found = buffer.getvalue()
    return found if way != 10 else flipped(found, rng)


def wild_model(data: bytes, rng: Rng) -> bytes:
    """The XML inside a 3MF file bent on purpose."""
    points, faces = mesh()
    xml = model_xml(points, faces)
    n = int(rng.choice([200, 9000, 30_000]))
    entities = "".join(
        f'<!ENTITY a{k + 1} "&a{k};&a{k};&a{k};&a{k};&a{k};&a{k};&a{k};&a{k};">' for k in range(12)
    )
    group = "".join(
        f'<object id="{k + 2}"><components>'
        + f'<component objectid="{k + 1}"/>' * 9
        + "</components></object>"
        for k in range(25)
    )
    ways = [
        lambda: xml.replace("<model", f'<!DOCTYPE m [<!ENTITY a0 "ha">{entities}]><model'),
        lambda: xml.replace("<model", '<!DOCTYPE m [<!ENTITY x SYSTEM "/etc/passwd">]><model'),
        lambda: xml.replace("<model", "<a>" * n + "<model"),
        lambda: xml.replace('<item objectid="1"/>', '<item objectid="1"/>' * n),
        lambda: xml.replace("</resources>", group + "</resources>").replace(
            '<item objectid="1"/>', '<item objectid="26"/>'
        ),
        lambda: xml.replace(
            "</mesh></object>",
            "</mesh></object>"
            + (
                '<object id="2"><components>'
                + '<component objectid="2"/>' * n
                + "</components></object>"
            ),
        ).replace('<item objectid="1"/>', '<item objectid="2"/>'),
        lambda: xml.replace(
            '<item objectid="1"/>',
            '<item objectid="1" transform="' + " ".join(["nan"] * 12) + '"/>',
        ),
        lambda: xml.replace("<vertices>", "<vertices>" + '<vertex x="1" y="1" z="1"/>' * (40 * n)),
        lambda: xml.replace("millimeter", str(rng.choice(["inch", "micron", "parsec", ""]))),
        lambda: wild_number(xml.encode(), rng).decode("latin-1"),
        lambda: wild_word(xml.encode(), rng).decode("latin-1"),
        lambda: xml.replace(" x=", f' {"x" * n}="1" x='),
    ]
    body = ways[int(rng.integers(0, len(ways)))]()
    rels = (
        RELS
        if rng.random() < 0.9
        else RELS.replace("3dmodel.model", str(rng.choice(["../x.model", "", "x" * 9000])))
    )
    return packed({"_rels/.rels": rels, "3D/3dmodel.model": body.encode("latin-1", "replace")})


def wild_pcd(data: bytes, rng: Rng) -> bytes:
    """A packed or plain PCD whose header or packing lies."""
    n = int(rng.choice([10, 10**4, 10**6, 10**7, 10**9]))
    size = int(rng.choice([1, 4, 8, 4000]))
    head = (
        f"VERSION .7\nFIELDS x y z s\nSIZE 4 4 4 1\nTYPE F F F U\nCOUNT 1 1 1 {size}\n"
        f"WIDTH {n}\nHEIGHT 1\nPOINTS {n}\nDATA "
    ).encode()
    match int(rng.integers(0, 4)):
        case 0:
            body = bytes([0, 0]) * int(rng.choice([10, 10**6, 6 * 10**6]))  # one byte a piece
        case 1:
            body = b"\x00\x01" + b"\xff\xff\x00" * int(rng.choice([10, 10**5, 2 * 10**6]))
        case 2:
            body = rng.bytes(5000)
        case _:
            return head + b"binary\n" + rng.bytes(3000)
    full = n * (12 + size)
    return head + b"binary_compressed\n" + struct.pack("<II", len(body), full % 2**32) + body


def wild_ply(data: bytes, rng: Rng) -> bytes:
    """A PLY header that claims much or means little."""
    n = int(rng.choice([0, 1, 10**6, 2 * 10**7, 2**31, 2**63]))
    rows = {
        0: f"element vertex {n}\nproperty float x\nproperty float y\nproperty float z\n",
        1: "element vertex 132\n" + "property list uchar float x\n" * 3,
        2: "element vertex 132\nproperty float x\nproperty float y\nproperty float z\nelement "
        f"face {n}\nproperty list double int vertex_indices\n",
        3: "element vertex 132\n" + "property float x\n" * 2000,
        4: f"element junk {n}\nelement vertex 100\nproperty float x\nproperty float y\nproperty "
        "float z\n",
        5: "element vertex 100\nproperty float x\nproperty float y\nproperty float z\nelement "
        f"face {min(n, 10**7)}\nproperty list uchar uchar vertex_indices\n",
    }[int(rng.integers(0, 6))]
    kind = str(rng.choice(["ascii", "binary_little_endian", "binary_big_endian"]))
    noise = rng.integers(0, 4, int(rng.choice([2000, 10**5, 10**7])), dtype=np.uint8).tobytes()
    return f"ply\nformat {kind} 1.0\n{rows}end_header\n".encode() + noise


ANY: tuple[Way, ...] = (
    flipped,
    flipped_head,
    cut,
    cut_inside,
    doubled,
    filled,
    lying_length,
    wild_number,
    wild_word,
    swapped,
    recoded,
    strewn,
    behind_head,
    nested,
)
OWN: dict[str, tuple[Way, ...]] = {
    "3mf": (wild_zip, wild_model, wild_model),
    "archive": (wild_zip, wild_zip, wild_zip),
    "glb": (wild_gltf, wild_gltf),
    "gltf": (wild_gltf, wild_gltf, wild_json),
    "pcd_packed": (wild_pcd,),
    "ply_binary": (wild_ply,),
    "ply_mixed": (wild_ply,),
    **{kind: (wild_json, wild_json, wild_json, wild_json) for kind in JSON},
}
TEXTS = {
    *TOML,
    *JSON,
    "scanner_log",
    "series",
    "outline_csv",
    "xyz",
    "asc",
    "csv",
    "csv_comma",
    "txt",
    "obj",
    "off",
    "ply",
    "stl_text",
    "gltf",
    "pcd",
}


def spoil(kind: str, data: bytes, rng: Rng) -> tuple[str, bytes]:
    """Return a spoilt file and the name of what was done."""
    ways = [*ANY, *OWN.get(kind, ()), *OWN.get(kind, ())]
    if kind in TEXTS:
        ways += [wild_number, wild_number, wild_word]
    way = ways[int(rng.integers(0, len(ways)))]
    found = way(data, rng)
    if rng.random() < 0.15:
        more = ANY[int(rng.integers(0, len(ANY)))]
        found = more(found, rng) if found else found
        return f"{way.__name__}+{more.__name__}", found
    return way.__name__, found
