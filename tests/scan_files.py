"""Scan files by hand, and the mesh in them.

The coordinates of the test mesh are multiples of 1/64, so that 32-bit floats and six decimals
hold them exactly and every comparison can be for equality.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile
from typing import Any

import numpy as np
import trimesh
from numpy.testing import assert_array_equal

from footscan.scan import Scan

_ball = trimesh.creation.icosphere(subdivisions=2, radius=100.0)
VERTICES = np.round(np.array(_ball.vertices) * 64) / 64
FACES = np.array(_ball.faces, dtype=np.int64)
NORMALS = VERTICES / np.linalg.norm(VERTICES, axis=1)[:, None]
MESH = trimesh.Trimesh(VERTICES, FACES, process=False)
NAMESPACE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"


def cloud(open3d: Any, with_normals: bool = True) -> Any:
    """The test points as an open3d point cloud."""
    made = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(VERTICES.copy()))
    if with_normals:
        made.normals = open3d.utility.Vector3dVector(NORMALS.copy())
    return made


def ply(
    vertices: np.ndarray = VERTICES,
    faces: list[list[int]] | np.ndarray = FACES,
    *,
    order: str = "<",
    kind: str = "f4",
    extra: bool = False,
) -> bytes:
    """A PLY file by hand: `order` is "<", ">" or "" for text; `extra` adds passed-over columns."""
    name = {"<": "binary_little_endian", ">": "binary_big_endian", "": "ascii"}[order]
    scalar = {"f4": "float", "f8": "double"}[kind]
    lines = ["ply", f"format {name} 1.0", "comment by hand", f"element vertex {len(vertices)}"]
    lines += [f"property {scalar} {axis}" for axis in "xyz"]
    lines += ["property uchar red"] * extra
    lines += [f"element face {len(faces)}"]
    lines += ["property float quality"] * extra
    lines += ["property list uchar int vertex_indices", "end_header", ""]
    head = "\n".join(lines).encode()
    if not order:
        rows = [" ".join(map(repr, row)) + " 7" * extra for row in vertices.tolist()]
        rows += ["0.5 " * extra + f"{len(f)} {' '.join(map(str, f))}" for f in np_lists(faces)]
        return head + "\n".join(rows).encode()
    body = b""
    for row in vertices.tolist():
        body += struct.pack(f"{order}3{'f' if kind == 'f4' else 'd'}", *row) + b"\7" * extra
    for face in np_lists(faces):
        body += struct.pack(f"{order}f", 0.5) * extra
        body += struct.pack(f"{order}B{len(face)}i", len(face), *face)
    return head + body


def np_lists(faces: list[list[int]] | np.ndarray) -> list[list[int]]:
    """Faces as lists."""
    return faces.tolist() if isinstance(faces, np.ndarray) else faces


def glb(tree: dict[str, Any], blob: bytes, version: int = 2) -> bytes:
    """A GLB file by hand."""
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    blob += b"\0" * (-len(blob) % 4)
    head = struct.pack("<4sII", b"glTF", version, 28 + len(text) + len(blob))
    return (
        head
        + struct.pack("<I4s", len(text), b"JSON")
        + text
        + struct.pack("<I4s", len(blob), b"BIN\0")
        + blob
    )


def gltf_tree(
    vertices: np.ndarray = VERTICES, corners: np.ndarray = FACES, **primitive: Any
) -> tuple[dict[str, Any], bytes]:
    """A glTF tree with one mesh, and its buffer."""
    first = np.asarray(vertices, dtype="<f4").tobytes()
    second = np.asarray(corners, dtype="<u4").tobytes()
    part = {"attributes": {"POSITION": 0}, "indices": 1} | primitive
    tree = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [part]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(vertices), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": corners.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteLength": len(first)},
            {"buffer": 0, "byteOffset": len(first), "byteLength": len(second)},
        ],
        "buffers": [{"byteLength": len(first) + len(second)}],
    }
    return tree, first + second


def model_xml(resources: str, build: str, unit: str = ' unit="millimeter"') -> str:
    """The model part of a 3MF file by hand."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><model{unit} xmlns="{NAMESPACE}" '
        f'xmlns:p="{PRODUCTION}"><resources>{resources}</resources><build>{build}</build></model>'
    )


def mesh_xml(number: int = 1) -> str:
    """The test mesh as a 3MF object."""
    points = "".join(f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in VERTICES.tolist())
    corners = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in FACES.tolist())
    return (
        f'<object id="{number}" type="model"><mesh><vertices>{points}</vertices>'
        f"<triangles>{corners}</triangles></mesh></object>"
    )


def zipped(parts: dict[str, str | bytes], packing: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A zip archive."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", packing) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return stream.getvalue()


def threemf(resources: str, build: str = '<item objectid="1"/>', **more: Any) -> bytes:
    """A 3MF file by hand with the model at its usual place."""
    return zipped({"3D/3dmodel.model": model_xml(resources, build, **more)})


def lines(separator: str = " ", form: str = "{:.6f}", *, values: np.ndarray = VERTICES) -> str:
    """A list of points as text."""
    return "\n".join(separator.join(form.format(v) for v in row) for row in values.tolist()) + "\n"


def decimal_comma(text: str) -> str:
    """The same text with commas for points."""
    return text.replace(".", ",")


def assert_same_mesh(scan: Scan, name: str) -> None:
    """The scan is the test mesh, bit for bit, in its own order."""
    assert scan.format == name
    assert scan.dropped == 0
    assert_array_equal(scan.vertices, VERTICES)
    assert_array_equal(scan.faces, FACES)


def assert_same_triangles(scan: Scan, name: str) -> None:
    """The scan has the test mesh's triangles in order, and each vertex once."""
    assert scan.format == name
    assert_array_equal(scan.vertices[scan.faces], VERTICES[FACES])
    assert len(scan.vertices) == len(VERTICES)
