"""3MF, STL and STEP: laid out, written, and read back with other libraries."""

from __future__ import annotations

import builtins
import re
import zipfile
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given
from hypothesis import strategies as st

from footscan.scan import Array, Side
from insole.errors import OutputError
from insole.output.print import printing, step, threemf
from insole.output.print.plates import GAP, lay_out, shelves
from insole.output.print.step import StepUnavailable, StepWorker
from insole.parts.build import all_parts
from insole.parts.part import Part
from insole.record.planned_parts import WedgePlace
from tests.plans import sample_foot, sample_plan

# a right part seen from above: the sawtooth at +y, its steep face towards the heel
NOTCHED = np.array([(0, 0), (60, 0), (60, 30), (26, 30), (20, 28), (20, 30), (0, 30)], float)
NOTCHED_AREA = 60 * 30 - 6 * 2 / 2  # mm2


def prism(side: Side = Side.RIGHT, *, name: str = "arch-pad", height: float = 4.0) -> Part:
    """Return a worn prism with a notch in its medial edge, volume by formula."""
    ring = NOTCHED if side is Side.RIGHT else (NOTCHED * [1, -1])[::-1]
    mesh = trimesh.creation.extrude_polygon(shapely.Polygon(ring), height)
    return Part(
        name=name,
        side=side,
        worn=True,
        vertices=np.array(mesh.vertices),
        faces=np.array(mesh.faces, dtype=np.int64),
        outline=ring,
        volume=NOTCHED_AREA * height,
        solid=partial(_extruded, ring, height),
        material="trial-eva",
    )


def _extruded(ring: Array, height: float) -> Any:
    import cadquery

    points = [tuple(point) for point in ring.tolist()]
    return cadquery.Workplane().polyline(points).close().extrude(height).val()


def mirrored(part: Part) -> Part:
    """Return the part as a mirror image in place, closed and outward as before."""
    flip = np.array([1.0, -1.0, 1.0])
    shift = [0.0, part.vertices[:, 1].min() + part.vertices[:, 1].max(), 0.0]
    return replace(
        part,
        vertices=part.vertices * flip + shift,
        faces=part.faces[:, ::-1],
        outline=(part.outline * flip[:2] + shift[:2])[::-1],
        holes=tuple((hole * flip[:2] + shift[:2])[::-1] for hole in part.holes),
    )


def side_by_notch(plan: Any) -> Side:
    """Return the side that a notched outline tells by itself, however it is turned.

    From the deepest point of the notch, its opening lies towards the medial edge; the slope runs
    out towards the toes, so the middle of the opening lies ahead of the deepest point.
    """
    gaps = shapely.get_parts(shapely.convex_hull(plan).difference(plan))
    sharp = [gap for gap in gaps if gap.area > 1.0]
    (notch,) = [gap for gap in sharp if gap.area < 0.01 * plan.area]
    rim = shapely.convex_hull(plan).exterior
    points = shapely.get_coordinates(notch)
    depth = shapely.distance(shapely.points(points), rim)
    deepest = points[depth.argmax()]
    opening = points[depth < 1e-3]
    medial = shapely.get_coordinates(rim.interpolate(rim.project(shapely.Point(deepest))))[0]
    medial = medial - deepest
    ahead = (opening.min(axis=0) + opening.max(axis=0)) / 2 - deepest
    ahead = ahead - medial * (ahead @ medial) / (medial @ medial)
    return Side.RIGHT if ahead[0] * medial[1] - ahead[1] * medial[0] > 0 else Side.LEFT


def silhouette(mesh: trimesh.Trimesh) -> Any:
    """Return what a closed mesh covers, seen from above."""
    body = manifold3d.Manifold(
        manifold3d.Mesh64(
            np.ascontiguousarray(mesh.vertices, dtype=np.float64),
            np.ascontiguousarray(mesh.faces, dtype=np.uint64),
        )
    )
    rings = [shapely.Polygon(ring) for ring in body.project().to_polygons()]
    return max(rings, key=lambda ring: ring.area)


@pytest.fixture(scope="module")
def parts() -> list[Part]:
    return all_parts(sample_plan(under=True))


@pytest.fixture(scope="module")
def pads(parts: list[Part]) -> list[Part]:
    return [part for part in parts if part.name == "arch-pad"]


# ------------------------------------------------------------------ layout


@given(
    st.lists(st.tuples(st.floats(1, 300), st.floats(1, 300)), min_size=1, max_size=9),
    st.floats(50, 400),
)
def test_boxes_in_rows_never_touch(sizes: list[tuple[float, float]], width: float) -> None:
    corners, used = shelves(sizes, width, 5.0)
    boxes = [
        shapely.box(x, y, x + w + 4.99, y + h + 4.99)
        for (x, y), (w, h) in zip(corners, sizes, strict=True)
    ]
    assert shapely.union_all(boxes).area == pytest.approx(sum(box.area for box in boxes))
    assert max(x + w for (x, _), (w, _) in zip(corners, sizes, strict=True)) == pytest.approx(
        used[0]
    )
    assert used[0] <= max(width, max(w for w, _ in sizes)) + 1e-9


def test_left_parts_lie_left_of_right_parts_on_one_plate(pads: list[Part]) -> None:
    (plate,) = lay_out(pads, (220.0, 220.0))
    spans = {p.side: v for p, v in zip(plate.parts, plate.vertices, strict=True)}
    assert spans[Side.LEFT][:, 0].max() < spans[Side.RIGHT][:, 0].min() - GAP + 1e-9
    everything = np.concatenate(plate.vertices)
    assert everything.min() >= 0
    assert everything[:, :2].max() <= 220.0


def test_parts_of_a_plate_do_not_overlap(parts: list[Part]) -> None:
    for plate in lay_out(parts, (220.0, 220.0)):
        shapes = [
            shapely.box(*v.min(axis=0)[:2], *v.max(axis=0)[:2]).buffer(GAP / 2 - 0.01)
            for v in plate.vertices
        ]
        assert shapely.union_all(shapes).area == pytest.approx(sum(s.area for s in shapes))


def test_every_part_is_on_one_plate_and_long_ones_are_alone(parts: list[Part]) -> None:
    plates = lay_out(parts, (220.0, 220.0))
    labels = [part.label for plate in plates for part in plate.parts]
    assert sorted(labels) == sorted(part.label for part in parts)
    assert {plate.name for plate in plates if not plate.fits} == {"left-base", "right-base"}
    assert all(plate.size[0] > 278 for plate in plates if not plate.fits)


def test_a_long_part_is_turned_until_it_fits(parts: list[Part]) -> None:
    """A base 278 x 96 mm with round ends fits a 256 mm bed across the diagonal."""
    bases = [part for part in parts if part.name == "base"]
    for plate in lay_out(bases, (256.0, 256.0)):
        assert plate.fits
        assert plate.vertices[0][:, :2].max() <= 256.0
        assert plate.vertices[0].min() >= 0.0


@pytest.mark.parametrize(
    ("each", "names"),
    [
        (["arch-pad"], {"left": ["left"], "right": ["right"]}),
        (
            ["arch-pad", "heel-shim"],
            {"left": ["left-1", "left-2"], "right": ["right-1", "right-2"]},
        ),
    ],
)
def test_a_plate_of_one_foot_is_called_after_that_foot(
    tmp_path: Path, each: list[str], names: dict[str, list[str]]
) -> None:
    """Prisms of 60 x 30 mm, one to a bed of 75 x 50 mm: the plate and its file name their foot."""
    lone = [prism(side, name=name) for name in each for side in Side]
    plates = lay_out(lone, (75.0, 50.0))
    found = {side: [p.name for p in plates if p.parts[0].side.value == side] for side in names}
    assert found == names
    assert all({part.side for part in plate.parts} == {plate.parts[0].side} for plate in plates)
    paths = threemf.write_3mf(tmp_path / "x.3mf", lone, title="x", plan_id="x", bed=(75.0, 50.0))
    assert sorted(path.name for path in paths) == [
        f"{name}-x.3mf" for side in ("left", "right") for name in names[side]
    ]


def test_a_part_not_worn_is_refused() -> None:
    with pytest.raises(ValueError, match="right-arch-pad is not worn yet"):
        lay_out([replace(prism(), worn=False)], (220.0, 220.0))


# ------------------------------------------------------------------ 3MF


def test_3mf_holds_named_parts_of_the_right_volume(tmp_path: Path) -> None:
    pair = [prism(Side.LEFT), prism(Side.RIGHT, height=5.0)]
    paths = threemf.write_3mf(tmp_path / "pair.3mf", pair, title="demo", plan_id="abc")
    assert [path.name for path in paths] == ["pair.3mf"]
    found = threemf.read_back_3mf(paths, pair)
    # coordinates are kept to 0.0001 mm on 60 mm: 1e-5 of the volume
    assert found == pytest.approx(
        {"left-arch-pad": NOTCHED_AREA * 4, "right-arch-pad": NOTCHED_AREA * 5}, rel=1e-5
    )


def test_another_reader_sees_the_same_parts(tmp_path: Path, pads: list[Part]) -> None:
    (path,) = threemf.write_3mf(tmp_path / "pads.3mf", pads, title="demo", plan_id="abc")
    scene = trimesh.load_scene(path)
    assert set(scene.geometry) == {"left-arch-pad", "right-arch-pad"}
    assert scene.units == "millimeter"
    for part in pads:
        mesh = scene.geometry[part.label]
        assert mesh.is_watertight
        assert mesh.volume == pytest.approx(printing.volume_of(part.vertices, part.faces), rel=1e-5)


def test_written_3mf_tells_the_side_by_its_notch_alone(tmp_path: Path, pads: list[Part]) -> None:
    (path,) = threemf.write_3mf(tmp_path / "pads.3mf", pads, title="demo", plan_id="abc")
    scene = trimesh.load_scene(path)
    for name, mesh in scene.geometry.items():
        assert side_by_notch(silhouette(mesh)).value == name.split("-")[0]


def test_3mf_has_the_same_bytes_each_time(tmp_path: Path, pads: list[Part]) -> None:
    one, two = (
        threemf.write_3mf(tmp_path / f"{k}.3mf", pads, title="demo", plan_id="abc")[0] for k in "ab"
    )
    assert one.read_bytes() == two.read_bytes()


def test_several_plates_are_several_files(tmp_path: Path, parts: list[Part]) -> None:
    paths = threemf.write_3mf(tmp_path / "all.3mf", parts, title="demo", plan_id="abc")
    assert {"left-base-all.3mf", "right-base-all.3mf"} < {path.name for path in paths}
    assert set(threemf.read_back_3mf(paths, parts)) == {part.label for part in parts}


def test_a_title_with_markup_stays_text(tmp_path: Path) -> None:
    odd = replace(prism(), material='<a&"b">')
    paths = threemf.write_3mf(tmp_path / "x.3mf", [odd], title="<&>\"'é", plan_id="abc")
    assert threemf.read_back_3mf(paths, [odd])


@pytest.mark.parametrize("change", [mirrored, lambda p: replace(p, vertices=p.vertices * 1.001)])
def test_a_mirrored_or_scaled_part_is_refused(
    tmp_path: Path, pads: list[Part], change: Callable[[Part], Part]
) -> None:
    wrong = [change(pads[0]), pads[1]]
    paths = threemf.write_3mf(tmp_path / "x.3mf", wrong, title="demo", plan_id="abc")
    with pytest.raises(OutputError, match=r"x\.3mf: left-arch-pad reads back with another shape"):
        threemf.read_back_3mf(paths, pads)


def test_swapped_sides_are_refused(tmp_path: Path) -> None:
    """Same outline, labels exchanged: what a mix-up of left and right would look like."""
    pair = [prism(Side.LEFT), prism(Side.RIGHT)]
    swapped = [replace(pair[1], side=Side.LEFT), replace(pair[0], side=Side.RIGHT)]
    paths = threemf.write_3mf(tmp_path / "x.3mf", swapped, title="demo", plan_id="abc")
    with pytest.raises(OutputError, match="mirrored"):
        threemf.read_back_3mf(paths, pair)


EDITS = [
    ('unit="millimeter"', 'unit="inch"', "not a clean 3MF file in millimetres"),
    ('objectid="2"', 'objectid="2" transform="-1 0 0 0 1 0 0 0 1 0 0 0"', "is moved"),
    ("right-arch-pad", "right-heel-shim", "'right-heel-shim', which was not to be in it"),
    ('<triangle v1="0"', '<triangle v1="999999"', "does not read back as 3MF"),
]


@pytest.mark.parametrize(("old", "new", "message"), EDITS)
def test_a_changed_3mf_is_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    (path,) = threemf.write_3mf(tmp_path / "x.3mf", [prism()], title="demo", plan_id="abc")
    with zipfile.ZipFile(path) as package:
        files = {name: package.read(name).decode() for name in package.namelist()}
    assert old in files["3D/3dmodel.model"]
    with zipfile.ZipFile(path, "w") as package:
        for name, text in files.items():
            package.writestr(name, text.replace(old, new))
    with pytest.raises(OutputError, match=message):
        threemf.read_back_3mf(path, [prism()])


def test_a_3mf_cut_short_or_without_a_part_is_refused(tmp_path: Path) -> None:
    (path,) = threemf.write_3mf(tmp_path / "x.3mf", [prism()], title="demo", plan_id="abc")
    with pytest.raises(OutputError, match="left-arch-pad cannot be found"):
        threemf.read_back_3mf(path, [prism(), prism(Side.LEFT)])
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(OutputError, match=r"x\.3mf does not read back as 3MF"):
        threemf.read_back_3mf(path, [prism()])


# ------------------------------------------------------------------ STL


def test_stl_reads_back_in_place(tmp_path: Path) -> None:
    path = tmp_path / "x.stl"
    printing.write_stl(path, prism())
    assert printing.read_back_stl(path, prism()) == pytest.approx(NOTCHED_AREA * 4, rel=1e-6)
    mesh = trimesh.load_mesh(path)
    np.testing.assert_allclose(mesh.bounds, [[0, 0, 0], [60, 30, 4]], atol=1e-5)


def test_written_stl_tells_the_side_by_its_notch_alone(tmp_path: Path, pads: list[Part]) -> None:
    for part in pads:
        path = tmp_path / f"{part.label}.stl"
        printing.write_stl(path, part)
        mesh = trimesh.load_mesh(path)
        assert side_by_notch(silhouette(mesh)) is part.side


@pytest.mark.parametrize("change", [mirrored, lambda p: replace(p, vertices=p.vertices + 0.01)])
def test_a_mirrored_or_moved_stl_is_refused(tmp_path: Path, change: Callable[[Part], Part]) -> None:
    path = tmp_path / "x.stl"
    printing.write_stl(path, change(prism()))
    with pytest.raises(OutputError, match=r"x\.stl reads back with another shape or mirrored"):
        printing.read_back_stl(path, prism())


def test_an_stl_of_the_other_side_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.stl"
    printing.write_stl(path, prism(Side.LEFT))
    with pytest.raises(OutputError, match="does not say part, side and unit"):
        printing.read_back_stl(path, prism())


# ------------------------------------------------------------------ STEP


def test_step_has_the_exact_volume_name_and_no_clock(tmp_path: Path) -> None:
    path = tmp_path / "x.step"
    step.write_step(path, prism())
    # planes only: the tessellation is exact
    assert step.read_back_step(path, prism()) == pytest.approx(NOTCHED_AREA * 4, rel=1e-9)
    text = path.read_text("utf-8")
    assert "PRODUCT('right-arch-pad','right-arch-pad'" in text
    assert step.STAMP in text
    assert not re.search(r"'20\d\d-", text)


@pytest.mark.parametrize("side", list(Side))
def test_the_header_of_a_step_names_its_part(tmp_path: Path, side: Side) -> None:
    """What a CAD program shows of a file before it opens it: side and part, not the other foot."""
    path = tmp_path / "x.step"
    step.write_step(path, prism(side))
    header = path.read_text("utf-8").partition("DATA;")[0]
    assert re.findall(r"FILE_NAME\s*\(\s*'([^']*)'", header) == [f"{side.value}-arch-pad"]


def test_step_of_a_kit_of_parts_reads_back(tmp_path: Path) -> None:
    """Shims and base are exact: 1e-6 is what the lengths in the file leave."""
    foot = sample_foot("left", wedges=((WedgePlace.HEEL, 2.0),), pad_height=None)
    plan = sample_plan(sides=("left",)).model_copy(update={"left": foot})
    for part in all_parts(plan):
        path = tmp_path / f"{part.label}.step"
        step.write_step(path, part)
        assert step.read_back_step(path, part) == pytest.approx(part.volume, rel=1e-4)


def test_step_has_the_same_bytes_whatever_was_written_before(tmp_path: Path) -> None:
    jobs = [(prism(side), tmp_path / f"{k}-{side.value}.step") for k in "ab" for side in Side]
    assert step.write_steps(jobs) == {}
    for side in Side:
        one, two = (tmp_path / f"{k}-{side.value}.step" for k in "ab")
        assert one.read_bytes() == two.read_bytes()


def test_a_mirrored_step_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.step"
    wrong = mirrored(prism())
    step.write_step(path, replace(wrong, solid=partial(_extruded, wrong.outline, 4.0)))
    with pytest.raises(OutputError, match=r"x\.step reads back with .* mirrored"):
        step.read_back_step(path, prism())


@pytest.mark.parametrize("wrong", [(True,), (True, False)])
def test_what_the_quick_mesher_shows_wrong_the_usual_one_is_asked_about(
    wrong: tuple[bool, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sound file is not refused for the one; what both show wrong is."""
    path, real, asked = tmp_path / "x.step", step._facets, []

    def facets(shape: Any, *, quick: bool) -> Any:
        asked.append(quick)
        points, corners = real(shape, quick=quick)
        return points * (1.01 if quick in wrong else 1.0), corners

    step.write_step(path, prism())
    monkeypatch.setattr(step, "_facets", facets)
    if False in wrong:
        with pytest.raises(OutputError, match=r"x\.step reads back with"):
            step.read_back_step(path, prism())
    else:
        assert step.read_back_step(path, prism()) == pytest.approx(NOTCHED_AREA * 4, rel=1e-9)
    assert asked == [True, False]


def test_a_step_cut_short_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.step"
    path.write_text("ISO-10303-21;\nHEADER;\n", encoding="utf-8")
    with pytest.raises(OutputError, match=r"x\.step does not"):
        step.read_back_step(path, prism())


def test_a_solid_that_is_not_its_part_gives_no_file_but_a_reason(tmp_path: Path) -> None:
    thin = replace(prism(), solid=partial(_extruded, NOTCHED, 0.4))
    bare = replace(prism(name="base"), solid=None)
    reasons = step.write_steps([(thin, tmp_path / "a.step"), (bare, tmp_path / "b.step")])
    assert "not its mesh" in reasons["right-arch-pad"]
    assert "no exact solid" in reasons["right-base"]
    assert not list(tmp_path.iterdir())


def test_a_missing_system_library_is_named_with_its_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = builtins.__import__

    def without_gl(name: str, *rest: Any, **more: Any) -> Any:
        if name == "cadquery":
            raise ImportError("libGL.so.1: cannot open shared object file: No such file")
        return plain(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without_gl)
    with pytest.raises(StepUnavailable, match=r"misses libGL\.so\.1; .* apt install libgl1"):
        step.write_step(tmp_path / "x.step", prism())
    printing.write_stl(tmp_path / "x.stl", prism())  # needs no kernel
    assert StepUnavailable.exit_code == 5


def test_the_worker_writes_the_same_bytes(tmp_path: Path) -> None:
    """Solids of the project's own parts travel to the other process."""
    foot = sample_foot("right", wedges=((WedgePlace.FOREFOOT, 2.0),), pad_height=None)
    made = all_parts(sample_plan(sides=("right",)).model_copy(update={"right": foot}))
    with StepWorker() as worker:
        worker.submit([(part, tmp_path / f"{part.label}.step") for part in made])
        assert worker.finish() == {}
    for part in made:
        here = tmp_path / "here.step"
        step.write_step(here, part)
        assert here.read_bytes() == (tmp_path / f"{part.label}.step").read_bytes()


def test_a_solid_that_cannot_travel_is_written_here(tmp_path: Path) -> None:
    part = replace(prism(), solid=lambda: _extruded(NOTCHED, 4.0))
    with StepWorker() as worker:
        worker.submit([(part, tmp_path / "x.step")])
        assert worker.finish() == {}
    assert step.read_back_step(tmp_path / "x.step", prism())


def test_a_worker_that_is_stopped_says_so(tmp_path: Path) -> None:
    foot = sample_foot("right", wedges=((WedgePlace.FOREFOOT, 2.0),), pad_height=None)
    made = all_parts(sample_plan(sides=("right",)).model_copy(update={"right": foot}))
    with StepWorker() as worker:
        worker._process.kill()
        worker.submit([(part, tmp_path / f"{part.label}.step") for part in made])
        with pytest.raises(StepUnavailable, match="stopped"):
            worker.finish()
