"""Written files against the published formats, parsed here without the libraries that wrote them.

Each check names its source; "value from memory" where nobody read it for this project.
"""

from __future__ import annotations

import re
import struct
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
import trimesh

from footscan.scan import Side
from insole.output.cut import written
from insole.output.print import printing, step, threemf
from tests.insole.test_printing import NOTCHED_AREA, prism

# 3MF Core Specification 1.4.0, section 3.4: values of the unit attribute (READ)
UNITS_3MF = ("micron", "millimeter", "centimeter", "inch", "foot", "meter")
# the same, section 3.4.1: metadata names that need no namespace (value from memory)
METADATA_3MF = {
    "Title",
    "Designer",
    "Description",
    "Copyright",
    "LicenseTerms",
    "Rating",
    "CreationDate",
    "ModificationDate",
    "Application",
}
CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"  # the same, annex C (memory)
# $INSUNITS: 0 none, 1 inch, 2 foot, 4 millimetre, 5 centimetre, 6 metre. Source: the CAD vendor's
# DXF reference and the documentation of ezdxf (READ)
INSUNITS_MM = 4
R2010 = "AC1024"  # $ACADVER of DXF R2010. Source: DXF reference (value from memory)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a pair of parts in every format."""
    place = tmp_path_factory.mktemp("files")
    pair = [prism(Side.LEFT), prism(Side.RIGHT)]
    threemf.write_3mf(place / "x.3mf", pair, title="demo", plan_id="abc")
    printing.write_stl(place / "x.stl", pair[1])
    written.write_dxf(place / "x.dxf", pair, note="demo")
    written.write_svg(place / "x.svg", pair, note="demo")
    step.write_step(place / "x.step", pair[1])
    return place


# ------------------------------------------------------------------ 3MF


def model(place: Path) -> ElementTree.Element:
    with zipfile.ZipFile(place / "x.3mf") as package:
        return ElementTree.fromstring(package.read("3D/3dmodel.model"))


def test_3mf_states_a_unit_of_the_standard(place: Path) -> None:
    assert model(place).get("unit") in UNITS_3MF
    assert model(place).get("unit") == "millimeter"


def test_3mf_package_has_the_required_parts(place: Path) -> None:
    """Content types, a start relation to the model. 3MF Core 1.4.0, section 2; OPC (memory)."""
    with zipfile.ZipFile(place / "x.3mf") as package:
        assert package.testzip() is None
        types = package.read("[Content_Types].xml").decode()
        relations = package.read("_rels/.rels").decode()
        names = package.namelist()
    assert names == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
    assert "application/vnd.ms-package.3dmanufacturing-3dmodel+xml" in types
    assert 'Target="/3D/3dmodel.model"' in relations
    assert "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel" in relations


def test_3mf_metadata_has_names_of_the_standard(place: Path) -> None:
    names = [data.get("name") for data in model(place).findall(f"{CORE}metadata")]
    assert {"Title", "Designer", "Description"} <= set(names) <= METADATA_3MF
    assert len(names) == len(set(names))


def test_3mf_meshes_are_closed_and_outward(place: Path) -> None:
    """Core 1.4.0, section 4.1 (memory): each edge in two triangles, in opposite directions."""
    objects = model(place).findall(f"{CORE}resources/{CORE}object")
    assert [item.get("name") for item in objects] == ["left-arch-pad", "right-arch-pad"]
    for item in objects:
        corners = [
            [int(t.get(f"v{k}", "-1")) for k in (1, 2, 3)] for t in item.iter(f"{CORE}triangle")
        ]
        edges = [(t[k], t[k - 2]) for t in corners for k in range(3)]
        assert len(edges) == len(set(edges))
        assert {e[::-1] for e in edges} == set(edges)
        points = np.array(
            [[float(v.get(axis, "nan")) for axis in "xyz"] for v in item.iter(f"{CORE}vertex")]
        )
        a, b, c = (points[np.array(corners)[:, k]] for k in range(3))
        assert np.einsum("ij,ij", a, np.cross(b, c)) / 6 == pytest.approx(
            NOTCHED_AREA * 4, rel=1e-5
        )


def test_3mf_builds_each_object_once_without_a_transform(place: Path) -> None:
    """A mirroring transform is not allowed (Core 1.4.0, section 3.3, memory); we use none."""
    built = model(place).findall(f"{CORE}build/{CORE}item")
    identities = [item.get("id") for item in model(place).iter(f"{CORE}object")]
    assert [item.get("objectid") for item in built] == identities
    assert all(set(item.keys()) == {"objectid"} for item in built)


# ------------------------------------------------------------------ STL


def test_stl_is_binary_with_its_length_in_the_file(place: Path) -> None:
    """80 bytes header, count as uint32, 50 bytes a triangle, little endian (value from memory)."""
    data = (place / "x.stl").read_bytes()
    (count,) = struct.unpack("<I", data[80:84])
    assert len(data) == 84 + 50 * count
    assert not data.startswith(b"solid")
    assert b"right arch-pad, unit mm" in data[:80]
    rows = np.frombuffer(data[84:], np.dtype([("f", "<f4", 12), ("attribute", "<u2")]))["f"]
    normals, corners = rows[:, :3], rows[:, 3:].reshape(-1, 3, 3)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    unit = cross / np.linalg.norm(cross, axis=1)[:, None]
    np.testing.assert_allclose(normals, unit, atol=1e-5)


# ------------------------------------------------------------------ DXF


def tags(path: Path) -> list[tuple[int, str]]:
    """Return the group codes and values of a DXF text file, two lines each."""
    lines = path.read_text(encoding="utf-8").splitlines()
    assert len(lines) % 2 == 0
    return [(int(lines[k]), lines[k + 1].strip()) for k in range(0, len(lines), 2)]


def header(path: Path, name: str) -> str:
    found = tags(path)
    return found[found.index((9, name)) + 1][1]


def test_dxf_states_version_and_millimetres(place: Path) -> None:
    assert header(place / "x.dxf", "$ACADVER") == R2010
    assert int(header(place / "x.dxf", "$INSUNITS")) == INSUNITS_MM
    assert int(header(place / "x.dxf", "$MEASUREMENT")) == 1  # metric (value from memory)


def test_dxf_polylines_are_closed_and_have_their_area(place: Path) -> None:
    """LWPOLYLINE: 8 layer, 70 flag 1 closed, 10 and 20 vertices (DXF reference, memory)."""
    found, rings = tags(place / "x.dxf"), []
    starts = [k for k, tag in enumerate(found) if tag == (0, "LWPOLYLINE")]
    for start in starts:
        end = next(k for k in range(start + 1, len(found)) if found[k][0] == 0)
        body = found[start:end]
        if (8, "CUT") in body:
            assert int(dict(body)[70]) & 1
            x, y = ([float(value) for code, value in body if code == axis] for axis in (10, 20))
            assert not any(code == 42 and float(value) for code, value in body)  # no bulges
            rings.append(shapely.Polygon(np.column_stack([x, y])))
    assert [ring.area for ring in rings] == pytest.approx([NOTCHED_AREA] * 2, rel=1e-6)
    assert not rings[0].intersects(rings[1])


def test_dxf_has_nothing_of_the_clock(place: Path) -> None:
    """Julian dates in $TDCREATE and its like are those of the year 2000."""
    for name in ("$TDCREATE", "$TDUPDATE"):
        assert float(header(place / "x.dxf", name)) == 2451545.0  # J2000.0 in days (memory)


# ------------------------------------------------------------------ SVG


def test_svg_is_one_to_one_in_millimetres(place: Path) -> None:
    """Width and height with unit, viewBox in the same numbers: SVG 1.1, sections 7.2 and 7.7."""
    root = ElementTree.parse(place / "x.svg").getroot()
    _, _, width, height = (float(v) for v in root.get("viewBox", "").split())
    assert root.get("width") == f"{width:.3f}mm"
    assert root.get("height") == f"{height:.3f}mm"
    space = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{space}svg"
    paths = root.findall(f"{space}g[@id='CUT']/{space}path")
    for path in paths:
        data = path.get("d", "")
        place = r"-?[\d.]+,-?[\d.]+"
        assert re.fullmatch(rf"M {place}( L {place})+ Z", data)  # straight sides: no arcs
        points = np.array([[float(n) for n in p.split(",")] for p in re.findall(place, data)])
        assert shapely.Polygon(points).area == pytest.approx(NOTCHED_AREA, rel=1e-5)
        assert points.min() >= 0
        assert (points <= [width, height]).all()
    assert len(paths) == 2


# ------------------------------------------------------------------ STEP


def test_step_states_schema_and_millimetres(place: Path) -> None:
    """ISO 10303-21 frame, ISO 10303-41 SI unit, schema of ISO 10303-214 (values from memory)."""
    text = (place / "x.step").read_text(encoding="ascii")
    assert text.startswith("ISO-10303-21;")
    assert text.rstrip().endswith("END-ISO-10303-21;")
    assert "FILE_SCHEMA(('AUTOMOTIVE_DESIGN" in text
    assert re.search(r"LENGTH_UNIT\(\)\s*NAMED_UNIT\(\*\)\s*SI_UNIT\(\.MILLI\.,\.METRE\.\)", text)
    assert "PRODUCT('right-arch-pad'" in text


def test_step_points_are_the_parts_corners(place: Path) -> None:
    text = (place / "x.step").read_text(encoding="ascii").replace("\n", "")
    triples = re.findall(r"CARTESIAN_POINT\('',\((-?[\d.E+-]+),(-?[\d.E+-]+),(-?[\d.E+-]+)\)", text)
    found = {tuple(round(float(n), 6) for n in triple) for triple in triples}
    assert {(60.0, 30.0, 0.0), (20.0, 28.0, 4.0), (0.0, 0.0, 0.0)} < found


# ------------------------------------------------------------------ across formats


def test_3mf_and_stl_agree_on_volume(place: Path) -> None:
    """Two formats, one reader that wrote neither 3MF nor DXF."""
    scene = trimesh.load_scene(place / "x.3mf")
    solid = trimesh.load_mesh(place / "x.stl")
    assert solid.volume == pytest.approx(scene.geometry["right-arch-pad"].volume, rel=1e-5)
    assert solid.volume == pytest.approx(NOTCHED_AREA * 4, rel=1e-5)
