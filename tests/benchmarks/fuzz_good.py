"""Good small files of every kind that is read.

good_files() -> bytes of a good file, by kind
"""

from __future__ import annotations

import base64
import io
import json
import struct
import zipfile
from pathlib import Path

import numpy as np

from insole.record import questions
from insole.record.plan import to_json
from tests.plans import SHOE, sample_plan

ROOT = Path(__file__).resolve().parents[2]
TOML = ("shoe", "limits", "kit", "materials", "answers", "by_hand")
JSON = ("plan", "log", "case_json", "trial_json", "desk", "workshop")
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
