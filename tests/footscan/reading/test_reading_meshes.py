"""Reading meshes: every format written by another library or by hand, bit for bit."""

from __future__ import annotations

import base64
import json
import math
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose, assert_array_equal

from footscan import reading
from footscan.scan import Unit
from tests.scan_files import (
    FACES,
    MESH,
    NORMALS,
    VERTICES,
    assert_same_mesh,
    assert_same_triangles,
    cloud,
    glb,
    gltf_tree,
    lines,
    mesh_xml,
    model_xml,
    ply,
    threemf,
    zipped,
)

DATA = Path(__file__).parents[3] / "shared" / "data"
SHIFT = np.array([10.0, 20.0, 30.0])
LIB3MF_STEP = 5e-6  # it writes six decimals, cut off from 32-bit numbers


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
