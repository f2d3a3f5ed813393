"""Reading: every format written by another library or by hand, then broken in many ways.

The coordinates of the test mesh are multiples of 1/64, so that 32-bit floats and six decimals
hold them exactly and every comparison can be for equality.
"""

from __future__ import annotations

import base64
import ctypes
import hashlib
import io
import json
import math
import os
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import lib3mf
import libusb_package
import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose, assert_array_equal

from footscan import reading
from footscan.errors import ScanReadError
from footscan.scan import Scan, Unit

DATA = Path(__file__).parents[3] / "shared" / "data"
_ball = trimesh.creation.icosphere(subdivisions=2, radius=100.0)
VERTICES = np.round(np.array(_ball.vertices) * 64) / 64
FACES = np.array(_ball.faces, dtype=np.int64)
NORMALS = VERTICES / np.linalg.norm(VERTICES, axis=1)[:, None]
MESH = trimesh.Trimesh(VERTICES, FACES, process=False)
SHIFT = np.array([10.0, 20.0, 30.0])
LIB3MF_STEP = 5e-6  # it writes six decimals, cut off from 32-bit numbers
NAMESPACE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"


@pytest.fixture
def put(tmp_path: Path) -> Callable[[str, bytes | str], Path]:
    """Write a file and return its path."""

    def write(name: str, content: bytes | str) -> Path:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode("latin-1"))
        return path

    return write


@pytest.fixture(scope="module")
def open3d() -> Any:
    """The library open3d, with the USB library it wants."""
    ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    import open3d

    return open3d


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


# --- meshes written by trimesh ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "kind", "options"),
    [
        ("ply", "ply", {}),
        ("ply", "ply", {"encoding": "ascii"}),
        ("obj", "obj", {"digits": 8}),
        ("off", "off", {"digits": 8}),
        ("3mf", "3mf", {}),
        ("glb", "glb", {}),
    ],
)
def test_a_mesh_written_by_trimesh_reads_back_exactly(put, name, kind, options):
    assert_same_mesh(
        reading.read([put(f"foot.{name}", MESH.export(file_type=kind, **options))]), name
    )


@pytest.mark.parametrize("kind", ["stl", "stl_ascii"])
def test_stl_corners_are_joined_in_order_of_appearance(put, kind):
    scan = reading.read([put("foot.stl", MESH.export(file_type=kind))])
    assert_same_triangles(scan, "stl")
    mesh = trimesh.Trimesh(scan.vertices, scan.faces, process=False)
    assert mesh.is_watertight
    _, first = np.unique(scan.faces.ravel(), return_index=True)
    assert (np.diff(first) > 0).all()  # numbered as they appear


@pytest.mark.skipif(not DATA.is_dir(), reason="the folder of open scans is not here")
@pytest.mark.parametrize(
    "name",
    ["real_pair/left_foot.stl", "hard/sole_missing_right.ply", "hard/unitless_tilted_left.off"],
)
def test_open_scans_read_as_trimesh_reads_them(name):
    scan = reading.read([DATA / name])
    other = trimesh.load_mesh(DATA / name, process=False)
    assert_array_equal(scan.vertices[scan.faces], np.asarray(other.vertices)[other.faces])


# --- PLY -------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["<", ">", ""])
@pytest.mark.parametrize("kind", ["f4", "f8"])
@pytest.mark.parametrize("extra", [False, True])
def test_ply_of_every_byte_order_and_with_other_columns(put, order, kind, extra):
    assert_same_mesh(reading.read([put("a.ply", ply(order=order, kind=kind, extra=extra))]), "ply")


@pytest.mark.parametrize("order", ["<", ">", ""])
def test_ply_polygons_become_fans(put, order):
    """A hexagon, a quadrangle and a triangle: 4 + 2 + 1 triangles of the same area."""
    faces = [[0, 1, 2, 3, 4, 5], [10, 11, 12, 13], [20, 21, 22]]
    scan = reading.read([put("a.ply", ply(faces=faces, order=order))])
    wanted = [[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5], [10, 11, 12], [10, 12, 13], [20, 21, 22]]
    assert_array_equal(scan.faces, wanted)


@pytest.mark.parametrize("text", [False, True])
def test_ply_points_with_normals_from_open3d(tmp_path, open3d, text):
    path = tmp_path / "foot.ply"
    open3d.io.write_point_cloud(str(path), cloud(open3d), write_ascii=text)
    scan = reading.read([path])
    digits = 1e-6 if text else 0  # open3d writes text with six significant digits
    assert_allclose(scan.vertices, VERTICES, rtol=digits, atol=50 * digits)
    assert scan.faces.shape == (0, 3)
    assert_allclose(scan.normals, NORMALS, atol=1e-15 + digits)


def test_ply_normals_come_at_unit_length_or_not_at_all(put):
    head = "ply\nformat ascii 1.0\nelement vertex 162\n"
    head += "".join(f"property float {c}\n" for c in ("x", "y", "z", "nx", "ny", "nz"))
    both = np.hstack([VERTICES, 3 * NORMALS])
    scan = reading.read([put("a.ply", head + "end_header\n" + lines(form="{!r}", values=both))])
    assert_allclose(scan.normals, NORMALS, rtol=1e-14)
    both[7, 3:] = 0.0
    scan = reading.read([put("a.ply", head + "end_header\n" + lines(values=both))])
    assert scan.normals is None


# --- OBJ, OFF --------------------------------------------------------------------------------


def test_obj_with_texture_places_groups_and_colours(put):
    text = "# by hand\nmtllib ../../etc/other.mtl\no foot\n"
    text += "".join(f"v {x} {y} {z} 0.5 0.5 0.5\r\n" for x, y, z in VERTICES.tolist())
    text += "vn 0 0 1\nvt 0 0\nusemtl skin\ns off\n"
    forms = [
        "f {}/1/1 {}/1/1 {}/1/1",
        "f {}//1 {}//1 {}//1 # note",
        "f {}/1 \\\n {}/1 {}/1",
        "f {} {} {}",
    ]
    text += "".join(forms[i % 4].format(*(f + 1)) + "\n" for i, f in enumerate(FACES))
    assert_same_mesh(reading.read([put("foot.obj", text)]), "obj")


def test_obj_negative_indices_count_back_from_the_face(put):
    """Each triangle follows its own three vertices, so it is always -3 -2 -1."""
    corners = VERTICES[FACES].reshape(-1, 3, 3).tolist()
    text = "".join("".join(f"v {x} {y} {z}\n" for x, y, z in t) + "f -3 -2 -1\n" for t in corners)
    assert_same_triangles(reading.read([put("foot.obj", text)]), "obj")


def test_obj_of_bare_points_and_polygons(put):
    text = "".join(f"v {x} {y} {z}\n" for x, y, z in VERTICES.tolist())
    assert reading.read([put("foot.obj", text)]).faces.shape == (0, 3)
    scan = reading.read([put("foot.obj", text + "f 1 2 3 4\nf 5 6 7\n")])
    assert_array_equal(scan.faces, [[0, 1, 2], [0, 2, 3], [4, 5, 6]])


def test_off_with_colours_comments_and_polygons(put):
    text = "COFF # coloured\n\n162 2 0\n"
    text += "".join(f"{x} {y} {z} 255 0 0 255\n" for x, y, z in VERTICES.tolist())
    scan = reading.read([put("foot.off", text + "4 0 1 2 3 255 0 0\n# note\n3 4 5 6\n")])
    assert scan.format == "off"
    assert_array_equal(scan.vertices, VERTICES)
    assert_array_equal(scan.faces, [[0, 1, 2], [0, 2, 3], [4, 5, 6]])


def test_off_counts_on_the_first_line_or_without_the_word(put):
    body = lines() + "".join(f"3 {a} {b} {c}\n" for a, b, c in FACES.tolist())
    assert_same_mesh(reading.read([put("foot.off", "OFF 162 320 0\n" + body)]), "off")
    assert_same_mesh(reading.read([put("foot.off", "162 320 0\n" + body)]), "off")


# --- 3MF -------------------------------------------------------------------------------------


def lib3mf_file(path: Path, unit: Any, *, nested: bool = False) -> None:
    """Write the test mesh, moved by 10 20 30 or nested twice, with the standard's own library."""
    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    model.SetUnit(unit)
    mesh = model.AddMeshObject()
    positions, triangles = [], []
    for row in VERTICES.tolist():
        position = lib3mf.Position()
        position.Coordinates[:] = row
        positions.append(position)
    for row in FACES.tolist():
        triangle = lib3mf.Triangle()
        triangle.Indices[:] = row
        triangles.append(triangle)
    mesh.SetGeometry(positions, triangles)
    shift = wrapper.GetTranslationTransform(10.0, 20.0, 30.0)
    if nested:
        group = model.AddComponentsObject()
        group.AddComponent(mesh, wrapper.GetUniformScaleTransform(2.0))
        group.AddComponent(mesh, wrapper.GetIdentityTransform())
        model.AddBuildItem(group, shift)
    else:
        model.AddBuildItem(mesh, shift)
    model.QueryWriter("3mf").WriteToFile(str(path))


@pytest.mark.parametrize(
    ("unit", "stated", "mm"),
    [
        ("MicroMeter", Unit.MM, 0.001),
        ("MilliMeter", Unit.MM, 1.0),
        ("CentiMeter", Unit.CM, 10.0),
        ("Inch", Unit.INCH, 25.4),
        ("Foot", Unit.MM, 304.8),
        ("Meter", Unit.M, 1000.0),
    ],
)
def test_3mf_units_mean_the_same_millimetres(tmp_path, unit, stated, mm):
    """All six units of the 3MF core specification; inch and foot by the 1959 definition."""
    lib3mf_file(tmp_path / "foot.3mf", getattr(lib3mf.ModelUnit, unit))
    scan = reading.read([tmp_path / "foot.3mf"])
    assert scan.stated_unit is stated
    assert scan.format == "3mf"
    wanted = (VERTICES + SHIFT) * mm
    assert_allclose(scan.vertices * scan.stated_unit.mm, wanted, rtol=0, atol=LIB3MF_STEP * mm)
    assert_array_equal(scan.faces, FACES)


def test_3mf_without_a_unit_is_in_millimetres(put):
    assert reading.read([put("a.3mf", threemf(mesh_xml(), unit=""))]).stated_unit is Unit.MM


def test_3mf_components_are_placed_as_trimesh_places_them(tmp_path):
    lib3mf_file(tmp_path / "foot.3mf", lib3mf.ModelUnit.MilliMeter, nested=True)
    scan = reading.read([tmp_path / "foot.3mf"])
    wanted = np.vstack([2 * VERTICES, VERTICES]) + SHIFT
    assert_allclose(scan.vertices, wanted, rtol=0, atol=2 * LIB3MF_STEP)
    other = trimesh.load_scene(tmp_path / "foot.3mf", process=False).to_geometry()
    assert_allclose(np.sort(scan.vertices, axis=0), np.sort(other.vertices, axis=0), atol=1e-9)
    assert len(other.faces) == len(scan.faces)


def test_3mf_turn_is_by_row_vectors(put):
    """Row one of the matrix is where x goes: here x to y, y to -x, then 5 along z."""
    build = '<item objectid="1" transform="0 1 0 -1 0 0 0 0 1 0 0 5"/>'
    scan = reading.read([put("a.3mf", threemf(mesh_xml(), build))])
    x, y, z = VERTICES.T
    assert_array_equal(scan.vertices, np.column_stack([-y, x, z + 5]))
    assert_array_equal(scan.faces, FACES)


def test_3mf_mirror_turns_the_winding(put):
    build = '<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>'
    scan = reading.read([put("a.3mf", threemf(mesh_xml(), build))])
    assert trimesh.Trimesh(scan.vertices, scan.faces, process=False).volume > 0


def test_3mf_object_kept_in_another_part(put):
    relations = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Target="/3D/Main.model" Id="r" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    group = '<object id="2"><components><component p:path="/3D/Objects/a.model" objectid="1"/>'
    parts: dict[str, str | bytes] = {
        "_rels/.rels": relations,
        "3D/Main.model": model_xml(group + "</components></object>", '<item objectid="2"/>'),
        "3D/Objects/a.model": model_xml(mesh_xml(), ""),
    }
    assert_same_mesh(reading.read([put("a.3mf", zipped(parts))]), "3mf")


# --- glTF ------------------------------------------------------------------------------------


def test_glb_scene_is_placed_as_trimesh_places_it(put):
    scene = trimesh.Scene()
    turn = trimesh.transformations.rotation_matrix(0.7, [1, 2, 3], [4, 5, 6])
    scene.add_geometry(MESH, node_name="a", transform=turn)
    shift = trimesh.transformations.translation_matrix([300.0, 0, 0])
    scene.add_geometry(MESH, node_name="b", parent_node_name="a", transform=shift)
    scan = reading.read([put("foot.glb", scene.export(file_type="glb"))])
    other = trimesh.load_scene(put("two.glb", scene.export(file_type="glb")), process=False)
    mesh = other.to_geometry()
    assert scan.stated_unit is Unit.M
    assert_allclose(scan.vertices[scan.faces], mesh.vertices[mesh.faces], atol=1e-9)


def test_gltf_with_its_data_inside(put):
    tree, blob = gltf_tree()
    data = base64.b64encode(blob).decode()
    tree["buffers"][0]["uri"] = f"data:application/octet-stream;base64,{data}"
    scan = reading.read([put("foot.gltf", json.dumps(tree))])
    assert_same_mesh(scan, "gltf")
    assert scan.stated_unit is Unit.M


def test_gltf_node_applies_scale_then_turn_then_shift(put):
    """A quarter turn about z of the doubled mesh, then a shift, under a parent's matrix."""
    tree, blob = gltf_tree()
    half = math.sqrt(0.5)
    tree["nodes"] = [
        {"mesh": 0, "scale": [2, 3, 4], "rotation": [0, 0, half, half], "translation": [1, 2, 3]},
        {"children": [0], "matrix": [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 7, 8, 9, 1]},
    ]
    tree["scenes"] = [{"nodes": [1]}]
    scan = reading.read([put("foot.glb", glb(tree, blob))])
    x, y, z = (VERTICES * [2, 3, 4]).T
    assert_allclose(scan.vertices, np.column_stack([-y + 8, x + 10, z + 12]), atol=1e-12)


@pytest.mark.parametrize(
    ("mode", "faces"),
    [
        (4, [[0, 1, 2], [3, 4, 5]]),
        (5, [[0, 1, 2], [2, 1, 3], [2, 3, 4], [4, 3, 5]]),
        (6, [[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5]]),
        (0, np.zeros((0, 3))),
    ],
)
def test_gltf_triangles_strips_fans_and_points(put, mode, faces):
    """Order of corners as glTF 2.0 section 3.7.2.1 gives it (value from memory)."""
    tree, blob = gltf_tree(corners=np.arange(6), mode=mode)
    scan = reading.read([put("foot.glb", glb(tree, blob))])
    assert {frozenset(f) for f in scan.faces.tolist()} == {
        frozenset(f) for f in list(map(tuple, faces))
    }
    if mode == 5:  # all four keep one turning sense: each shared edge runs both ways
        edges = {(f[i], f[(i + 1) % 3]) for f in scan.faces.tolist() for i in range(3)}
        assert {(2, 1), (1, 2), (2, 3), (3, 2), (4, 3), (3, 4)} <= edges
    else:
        assert_array_equal(scan.faces, faces)


def test_gltf_interleaved_and_quantised_points(put):
    """Points as 16-bit whole numbers of 100/32767, eight bytes apart."""
    whole = np.round(VERTICES / 100.0 * 32767 / 1.01).astype("<i2")
    rows = np.hstack([whole, np.zeros((len(whole), 1), dtype="<i2")])
    tree, _ = gltf_tree()
    corners = FACES.astype("<u4").tobytes()
    tree["accessors"][0] |= {"componentType": 5122, "normalized": True}
    tree["bufferViews"] = [
        {"buffer": 0, "byteLength": rows.nbytes, "byteStride": 8},
        {"buffer": 0, "byteOffset": rows.nbytes, "byteLength": len(corners)},
    ]
    tree["buffers"] = [{"byteLength": rows.nbytes + len(corners)}]
    tree["extensionsRequired"] = ["KHR_mesh_quantization"]
    scan = reading.read([put("foot.glb", glb(tree, rows.tobytes() + corners))])
    assert_allclose(scan.vertices, whole / 32767, atol=1e-15)
    assert_array_equal(scan.faces, FACES)


# --- PCD -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "options", [{"write_ascii": True}, {}, {"compressed": True}], ids=["text", "binary", "packed"]
)
@pytest.mark.parametrize("with_normals", [False, True])
def test_pcd_from_open3d(tmp_path, open3d, options, with_normals):
    path = tmp_path / "foot.pcd"
    open3d.io.write_point_cloud(str(path), cloud(open3d, with_normals), **options)
    scan = reading.read([path])
    assert scan.format == "pcd"
    assert_array_equal(scan.vertices, VERTICES)
    assert (scan.normals is not None) == with_normals
    if with_normals:
        assert_allclose(scan.normals, NORMALS, atol=1e-7)


def test_pcd_packed_points_that_repeat_themselves(tmp_path, open3d):
    """Runs of equal values are packed as repeats that overlap what they write."""
    flat = np.zeros((5000, 3))
    flat[:, 0] = np.repeat(np.arange(50), 100)
    flat[:, 1] = np.tile(np.arange(10), 500)
    made = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(flat))
    open3d.io.write_point_cloud(str(tmp_path / "a.pcd"), made, compressed=True)
    assert (tmp_path / "a.pcd").stat().st_size < 5000 * 12 / 5
    assert_array_equal(reading.read([tmp_path / "a.pcd"]).vertices, flat)


# --- lists of points -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        lines(),
        lines("\t"),
        lines("   "),
        lines(","),
        lines(", "),
        lines(";"),
        lines(" ; "),
        decimal_comma(lines(";")),
        decimal_comma(lines("\t")),
        decimal_comma(lines(" ")),
        lines(";").replace("\n", ";\n"),
        lines().replace("\n", "\r\n"),
        lines().replace("\n", "\r"),
        "\ufeff".encode().decode("latin-1") + lines(),
        "# made by hand\n// x y z\n\n" + lines(),
        lines().replace("\n", " # seen\n", 3).replace("\n", " // seen\n", 5),
        "x y z\n" + lines(),
        "X [mm];Y [mm];Z [mm]\n" + decimal_comma(lines(";")),
        '"x","y","z"\n' + lines(",", '"{:.6f}"'),
        "Left foot, second visit\nLaenge: 3 parts\n\nX Y Z\n" + lines(),
        "162\n" + lines(),
        lines(form="{:.8e}"),
    ],
)
@pytest.mark.parametrize("name", ["foot.xyz", "foot.csv"])
def test_lists_of_points_in_many_hands(put, text, name):
    scan = reading.read([put(name, text)])
    assert scan.format == "xyz"
    assert scan.normals is None
    assert_array_equal(scan.vertices, VERTICES)


def test_points_in_utf_16(put):
    assert_array_equal(
        reading.read([put("a.txt", lines("\t").encode("utf-16"))]).vertices, VERTICES
    )


@pytest.mark.parametrize("name", ["asc", "csv", "txt", "pts", "xyz"])
def test_open3d_point_lists(tmp_path, open3d, name):
    written = "pts" if name == "pts" else "xyz"
    path = tmp_path / f"foot.{written}"
    open3d.io.write_point_cloud(str(path), cloud(open3d, with_normals=False))
    scan = reading.read([path.rename(tmp_path / f"foot.{name}")])
    assert_array_equal(scan.vertices, VERTICES)


def test_columns_after_the_points(put):
    """Normals are told from colours by their unit length; a column of line numbers is no x."""
    grey = np.full((162, 3), 128.0)
    count = np.arange(162.0)[:, None]
    light = np.full((162, 1), 0.7)
    for columns, has_normals in [
        ([VERTICES, NORMALS], True),
        ([VERTICES, grey], False),
        ([VERTICES, grey, NORMALS], True),
        ([count, VERTICES], False),
        ([count + 1, VERTICES, NORMALS], True),
        ([VERTICES, light], False),
        ([VERTICES, light, grey], False),
    ]:
        scan = reading.read([put("a.xyz", lines(values=np.hstack(columns)))])
        assert_array_equal(scan.vertices, VERTICES)
        assert (scan.normals is not None) == has_normals
        if has_normals:
            assert_allclose(scan.normals, NORMALS, atol=2e-6)  # written with six decimals


def test_a_header_line_names_the_columns(put):
    x, y, z = VERTICES.T[:, :, None]
    nx, ny, nz = NORMALS.T[:, :, None]
    light = np.full((162, 1), 0.7)
    values = np.hstack([light, z, nx, ny, nz, x, y])
    head = "Intensity;Z (mm);Normal_X;Normal_Y;Normal_Z;X (mm);Y (mm)\n"
    scan = reading.read([put("a.csv", head + decimal_comma(lines(";", values=values)))])
    assert_array_equal(scan.vertices, VERTICES)
    assert_allclose(scan.normals, NORMALS, atol=2e-6)


def test_words_after_the_numbers_are_passed_over(put):
    text = lines(";").replace("\n", ";sole\n")
    assert_array_equal(reading.read([put("a.csv", text)]).vertices, VERTICES)


# --- what all formats share ------------------------------------------------------------------


@pytest.mark.parametrize("wrong", [".stl", ".ply", ".obj", ".3mf", ".xyz", ".jpg", ""])
@pytest.mark.parametrize("kind", ["ply", "stl", "stl_ascii", "obj", "off", "3mf", "glb"])
def test_content_decides_before_the_extension(put, kind, wrong):
    scan = reading.read([put(f"foot{wrong}", MESH.export(file_type=kind))])
    assert scan.format == kind.partition("_")[0]
    assert len(scan.faces) == len(FACES)


def test_a_binary_stl_whose_title_says_solid(put):
    data = MESH.export(file_type="stl")
    assert_same_triangles(
        reading.read([put("a.stl", b"solid foot facet".ljust(80) + data[80:])]), "stl"
    )


def test_zeros_after_the_last_triangle_of_an_stl_are_padding(put):
    data = MESH.export(file_type="stl") + bytes(432)
    assert_same_triangles(reading.read([put("a.stl", data)]), "stl")


def test_long_texts_are_read_piece_by_piece(put, monkeypatch):
    from footscan.reading import raw as _raw

    monkeypatch.setattr(_raw, "CHUNK_BYTES", 7)
    assert_same_mesh(reading.read([put("a.ply", ply(order=""))]), "ply")


def test_split_vertices_are_joined_and_minus_zero_is_zero(put):
    vertices = np.vstack([VERTICES, VERTICES])
    vertices[162:][vertices[162:] == 0.0] = -0.0
    assert np.signbit(vertices[vertices == 0.0]).any()
    faces = np.vstack([FACES[::2], FACES[1::2] + 162])
    scan = reading.read([put("a.ply", ply(vertices, faces))])
    assert_array_equal(scan.vertices, VERTICES)
    assert_array_equal(scan.faces, np.vstack([FACES[::2], FACES[1::2]]))


def test_joining_stays_exact_when_the_keys_clash(monkeypatch):
    """With a key that is the same for all, the slower sort must give the same answer."""
    from footscan.reading import raw as _raw

    points = np.random.default_rng(4).integers(-3, 3, size=(400, 3)).astype(float)
    keep, place = _raw.merge_equal(points)
    _, first = np.unique(points, axis=0, return_index=True)
    assert_array_equal(keep, np.sort(first))
    assert_array_equal(points[keep][place], points)
    same = np.zeros((400, 1))
    original = _raw._first_of_each
    calls = []

    def clash(order: np.ndarray, keys: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        calls.append(keys.shape)
        return original(order, same if keys.shape[1] == 1 else keys)

    monkeypatch.setattr(_raw, "_first_of_each", clash)
    again = _raw.merge_equal(points)
    assert calls == [(400, 1), (400, 3)]
    assert_array_equal(again[0], keep)
    assert_array_equal(again[1], place)


def test_bare_points_are_not_joined(put):
    assert len(reading.read([put("a.xyz", lines() + lines())]).vertices) == 324


def test_points_that_are_not_finite_are_dropped_with_their_faces(put):
    vertices = VERTICES.copy()
    vertices[3, 1] = np.nan
    vertices[10, 2] = np.inf
    vertices[20] = 1e30  # a scanner's mark for nothing seen
    scan = reading.read([put("a.ply", ply(vertices))])
    good = np.setdiff1d(np.arange(162), [3, 10, 20])
    assert scan.dropped == 3
    assert_array_equal(scan.vertices, VERTICES[good])
    whole = FACES[~np.isin(FACES, [3, 10, 20]).any(axis=1)]
    assert_array_equal(scan.vertices[scan.faces], VERTICES[whole])


def test_dropped_points_take_their_normals_along(put):
    values = np.hstack([VERTICES, NORMALS])
    values[5, 0] = np.nan
    scan = reading.read([put("a.csv", "x,y,z,nx,ny,nz\n" + lines(",", values=values))])
    assert scan.dropped == 1
    assert_allclose(scan.normals, np.delete(NORMALS, 5, axis=0), atol=2e-6)


def test_several_shots_are_put_one_after_the_other(put):
    first = put("a.ply", ply())
    second = put("b.stl", MESH.copy().apply_translation([1, 0, 0]).export(file_type="stl"))
    scan = reading.read([first, str(second)])
    assert scan.files == ("a.ply", "b.stl")
    assert scan.format == "ply"
    assert scan.sha256 == hashlib.sha256(first.read_bytes() + second.read_bytes()).hexdigest()
    assert_array_equal(scan.vertices[:162], VERTICES)
    assert_array_equal(
        scan.vertices[scan.faces], np.vstack([VERTICES[FACES], VERTICES[FACES] + [1, 0, 0]])
    )


def test_one_path_is_as_good_as_a_list_of_one(put):
    path = put("a.ply", ply())
    assert_same_mesh(reading.read(path), "ply")
    assert_same_mesh(reading.read(str(path)), "ply")


def test_no_path_is_a_slip_of_the_caller():
    with pytest.raises(ValueError, match="paths needs at least one file"):
        reading.read([])


# --- broken and hostile files ----------------------------------------------------------------


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


# --- files cut and changed at random ---------------------------------------------------------


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
