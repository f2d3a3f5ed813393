"""Mirroring and engraving: a left part is a mirrored right part, its text is not."""

from __future__ import annotations

import hashlib
import pickle
import subprocess
import sys
from dataclasses import dataclass, replace
from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Polygon, affinity

from footscan.scan import Side
from insole.parts import engraving, solids, wedge
from insole.parts.base import base
from insole.parts.build import all_parts
from insole.parts.facts import BaseFacts, Crest, LayerFacts, Sockets, Spot, Vents
from insole.parts.pad import arch_pad
from insole.parts.part import Mark, Part, as_worn
from insole.parts.wedge import shim
from insole.record.plan import FootPlan
from insole.record.planned_parts import WedgePlace
from tests.plans import SAMPLE_LABELS, SHOE, dome_heights, sample_foot, sample_plan

ROOT = Path(__file__).parents[2]


@cache
def worn_parts() -> tuple[Part, ...]:
    return tuple(all_parts(sample_plan(under=True)))


def worn_part(label: str) -> Part:
    return next(part for part in worn_parts() if part.label == label)


def twins(make: str) -> tuple[Part, Part]:
    """Return one canonical design made for a right and for a left foot, worn."""
    wedges = ((WedgePlace.FOREFOOT, 2.0), (WedgePlace.HEEL, -2.0))
    right = sample_foot("right", wedges=wedges)
    left = FootPlan.model_validate({**right.model_dump(), "side": "left"})
    made = {
        "base": lambda foot: base(foot, "demo"),
        "pad": lambda foot: arch_pad(foot, "demo"),
        "forefoot": lambda foot: shim(foot, foot.wedges[0], "demo"),
        "heel": lambda foot: shim(foot, foot.wedges[1], "demo"),
    }[make]
    return as_worn(made(right)), as_worn(made(left))


@pytest.mark.parametrize("make", ["base", "pad", "forefoot", "heel"])
def test_left_part_is_the_mirror_image_of_the_right_one(make: str) -> None:
    """Sections between the recesses of both faces, mirrored, cover each other."""
    right, left = twins(make)
    z = engraving.DEPTH_MM + 0.05
    sections = [
        solids.region_above(solids.solid_of(part.vertices, part.faces), z) for part in (right, left)
    ]
    mirrored = affinity.scale(sections[0], 1.0, -1.0, origin=(0, 0))
    assert mirrored.symmetric_difference(sections[1]).area < 1e-3 * sections[0].area
    assert sections[0].symmetric_difference(sections[1]).area > 0.02 * sections[0].area
    np.testing.assert_allclose(
        Polygon(left.outline).centroid.coords[0],
        np.multiply(Polygon(right.outline).centroid.coords[0], (1, -1)),
        atol=1e-9,
    )
    assert shapely.is_ccw(shapely.linearrings(left.outline))
    assert left.volume == pytest.approx(right.volume)


def test_slots_of_a_left_shim_mirror_those_of_the_right_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A pattern with no two bolts alike: its slots change sides with the plate."""
    holes = [[17.0, -4.0], [-11.0, 18.0], [-11.0, -12.0]]
    shoe = {**SHOE, "cleat": {**SHOE["cleat"], "holes": holes}}
    foot = sample_foot("right", wedges=((WedgePlace.UNDER, -1.0),))
    monkeypatch.setattr(wedge, "_marks", lambda *_: ())  # where its words fit is not asked here
    made = shim(foot, foot.wedges[0], "demo", shoe)
    found = {
        side: [Polygon(hole).centroid.coords[0] for hole in as_worn(replace(made, side=side)).holes]
        for side in Side
    }
    middle = 190.0  # of the plate along x; it is centred across
    wanted = sorted((middle + x, y) for x, y in holes)
    np.testing.assert_allclose(sorted(found[Side.RIGHT]), wanted, atol=1e-6)
    mirrored = sorted((x, -y) for x, y in wanted)
    np.testing.assert_allclose(sorted(found[Side.LEFT]), mirrored, atol=1e-6)


@pytest.mark.parametrize("label", SAMPLE_LABELS)
def test_mesh_is_closed_outward_and_survives_single_precision(label: str) -> None:
    part = worn_part(label)
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume > 0
    assert part.vertices[:, 2].min() == 0.0
    read = trimesh.load(BytesIO(mesh.export(file_type="stl")), file_type="stl")
    assert read.is_watertight
    assert read.is_winding_consistent
    assert read.volume == pytest.approx(mesh.volume, rel=1e-6)  # float32 of lattice values is exact
    assert len(read.faces) == len(part.faces)


def seen_from_below(part: Part, mark: Mark, pixel: float) -> np.ndarray:
    """Return what a person sees who turns the part over, toe end up: True where recessed.

    Rows run from toe to heel, columns to +y: looking up at a right foot's underside with its
    toes ahead, the big toe is on the right-hand side.
    """
    x0, y0, x1, y1 = engraving.mark_shape(mark).bounds
    x = np.arange(x1 - pixel / 2, x0, -pixel)
    y = np.arange(y0 + pixel / 2, y1, pixel)
    solid = solids.solid_of(part.vertices, part.faces)
    section = solids.region_above(solid, engraving.DEPTH_MM / 2)
    grid_x, grid_y = np.meshgrid(x, y, indexing="ij")
    return ~shapely.contains_xy(section, grid_x, grid_y)


def printed(text: str, shape: tuple[int, int]) -> np.ndarray:
    """Return text set by another rasteriser in the same bold face, stretched to `shape`."""
    from matplotlib import get_data_path
    from PIL import Image, ImageDraw, ImageFont

    path = Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf"
    font = ImageFont.truetype(str(path), 200)
    left, top, right, bottom = font.getbbox(text)
    image = Image.new("L", (int(right - left), int(bottom - top)), 0)
    ImageDraw.Draw(image).text((-left, -top), text, fill=255, font=font)
    image = image.crop(image.getbbox())
    return np.asarray(image.resize(shape[::-1], Image.Resampling.BOX)) > 127


def overlap(a: np.ndarray, b: np.ndarray) -> float:
    return float((a & b).sum() / (a | b).sum())


@pytest.mark.parametrize("label", SAMPLE_LABELS)
def test_letters_read_right_from_below_on_both_sides(label: str) -> None:
    """The recess in the mesh matches printed letters and not their mirror image."""
    part = worn_part(label)
    word = part.side.value.upper()
    mark = next(mark for mark in part.marks if mark.text == word)
    seen = seen_from_below(part, mark, pixel=0.1)
    if mark.turn == 0.0:  # reads from heel to toe: turn the view by a quarter
        seen = np.rot90(seen, -1)
    reference = printed(word, seen.shape)
    assert overlap(seen, reference) > 0.85  # strokes are 10 pixels wide, a border pixel may differ
    assert overlap(seen, reference[:, ::-1]) < 0.6
    assert overlap(seen, reference[::-1]) < 0.75


@pytest.mark.parametrize("label", SAMPLE_LABELS)
def test_every_part_says_side_name_face_case_and_direction(label: str) -> None:
    part = worn_part(label)
    face = "CLEAT SIDE" if part.name == "under-shoe-shim" else "SHOE SIDE"
    name = part.name.replace("-", " ").upper()
    wanted = {part.side.value.upper(), name, face, "DEMO-0001", ">"}
    assert wanted <= {mark.text for mark in part.marks}
    assert ("THICK EDGE" in {mark.text for mark in part.marks}) == ("shim" in part.name)
    assert part.facts.engraved.paper_only == ()
    shoe_marks = [mark for mark in part.marks if mark.face == "shoe"]
    assert min(mark.size for mark in shoe_marks) >= 4.0
    heights = [
        np.ptp(np.array(engraving.mark_shape(m).bounds).reshape(2, 2), axis=0).min()
        for m in shoe_marks
        if m.text.isalpha()
    ]
    assert min(heights) >= 4.0 - 1e-9  # capitals are measured, not only asked for


@pytest.mark.parametrize("label", SAMPLE_LABELS)
def test_arrow_points_to_the_toe(label: str) -> None:
    """Most of the arrow's area lies at its front end, where the head is."""
    part = worn_part(label)
    arrow = engraving.mark_shape(next(mark for mark in part.marks if mark.text == ">"))
    x0, _, x1, _ = arrow.bounds
    reach = 0.4 * (x1 - x0)
    front, rear = (
        arrow.intersection(shapely.box(start, -200, start + reach, 200)).area
        for start in (x1 - reach, x0)
    )
    assert front > 1.3 * rear


@pytest.mark.parametrize("label", SAMPLE_LABELS)
def test_recesses_take_what_the_marks_cover(label: str) -> None:
    part = worn_part(label)
    ink = shapely.union_all([engraving.mark_shape(m) for m in part.marks if m.face == "shoe"])
    solid = solids.solid_of(part.vertices, part.faces)
    section = solids.region_above(solid, engraving.DEPTH_MM - 0.01)
    plan = Polygon(part.outline, part.holes)
    assert plan.difference(section).intersection(ink).area == pytest.approx(ink.area, rel=0.01)
    roof = solids.region_above(solid, engraving.DEPTH_MM + 0.01)
    assert roof.intersection(ink).area == pytest.approx(ink.area, rel=0.01)


def test_no_letter_lies_where_the_pad_is_thinner_than_the_limit() -> None:
    pad = worn_part("right-arch-pad")
    for mark in pad.marks:
        points = shapely.get_coordinates(engraving.mark_shape(mark))
        assert dome_heights(*points.T).min() >= engraving.MIN_THICKNESS_MM


def test_thin_sheet_is_not_engraved_but_keeps_its_marks_for_paper() -> None:
    part = as_worn(base(sample_foot("left", thickness=1.0), "demo"))
    almost = as_worn(base(sample_foot("left", thickness=1.19), "demo"))
    assert part.facts.engraved.texts == almost.facts.engraved.texts == ()
    assert set(part.facts.engraved.paper_only) == {">", "LEFT", "BASE", "SHOE SIDE", "DEMO"}
    assert part.facts.engraved.volume == 0.0
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    assert mesh.volume == pytest.approx(Polygon(part.outline).area * 1.0, rel=1e-5)
    assert {mark.text for mark in part.marks} >= {"LEFT", "DEMO"}


@pytest.mark.parametrize("more", [0.0, 0.01])
def test_letters_leave_half_of_the_thinnest_base_they_are_cut_into(more: float) -> None:
    """A base bends at every letter: of the thinnest sheet that takes any, half stays above it.

    A sheet of exactly that thickness is 1.19995 mm on the lattice of the meshes, and is lettered.
    """
    thin = engraving.MIN_THICKNESS_MM + more
    part = as_worn(base(sample_foot("left", thickness=thin), "demo"))
    assert "LEFT" in part.facts.engraved.texts
    solid = solids.solid_of(part.vertices, part.faces)
    above = solids.region_above(solid, thin / 2)
    cut = Polygon(part.outline, part.holes).difference(above)
    ink = shapely.union_all([engraving.mark_shape(mark) for mark in part.marks])
    assert ink.area > 50.0
    assert cut.intersection(ink).area == pytest.approx(0.0, abs=0.01)


def test_an_endless_case_id_stays_on_paper() -> None:
    part = as_worn(arch_pad(sample_foot(), "case-" + "0123456789" * 4))
    assert part.facts.engraved.paper_only == ("CASE-" + "0123456789" * 4,)
    assert "RIGHT" in part.facts.engraved.texts


def test_a_worn_part_is_not_mirrored_again() -> None:
    with pytest.raises(ValueError, match="left-base is already in the worn frame"):
        as_worn(worn_parts()[0])


def test_input_is_unchanged_and_parts_pickle() -> None:
    canonical = base(sample_foot("left"), "demo")
    before = canonical.vertices.copy()
    as_worn(canonical)
    np.testing.assert_array_equal(canonical.vertices, before)
    copy = pickle.loads(pickle.dumps(worn_parts()[1]))
    np.testing.assert_array_equal(copy.vertices, worn_parts()[1].vertices)
    assert copy.side is Side.LEFT


def digest(parts: tuple[Part, ...]) -> str:
    """Return a hash over everything that ends in a file."""
    total = hashlib.sha256()
    for part in parts:
        for array in (part.vertices, part.faces, part.outline, *part.holes):
            total.update(np.ascontiguousarray(array).tobytes())
        total.update(repr((part.label, part.marks, part.facts)).encode())
    return total.hexdigest()


@pytest.mark.long  # of a right foot test_two_runs_give_the_same_bytes asks it
def test_same_plan_gives_the_same_bytes_in_another_process() -> None:
    code = (
        "from insole.parts.build import all_parts\n"
        "from tests.insole.test_part import digest\n"
        "from tests.plans import sample_plan\n"
        "print(digest(tuple(all_parts(sample_plan(under=True)))))\n"
    )
    other = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PYTHONHASHSEED": "7", "PATH": ""},
    )
    assert other.stdout.strip() == digest(worn_parts())


def test_marks_of_the_foot_face_read_right_from_above() -> None:
    """The same mark on the other face is its mirror image across the reading direction."""
    mark = Mark(text="F7", x=0.0, y=0.0, size=10.0, face="foot")
    above, below = (engraving.mark_shape(m) for m in (mark, replace(mark, face="shoe")))
    assert affinity.scale(above, 1, -1, origin=(0, 0)).equals_exact(below, 1e-9)
    reference = printed("F7", (100, 190))
    x0, y0, x1, y1 = above.bounds
    x, y = np.linspace(x0, x1, 191)[1:] - 0.5 * (x1 - x0) / 190, np.linspace(y1, y0, 101)[1:]
    seen = shapely.contains_xy(above, *np.meshgrid(x, y + 0.5 * (y1 - y0) / 100))
    assert overlap(seen, reference) > 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Inlay:
    """What no part has yet: places deep inside a fact of its own."""

    pins: tuple[Spot, ...]
    size: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class NewFacts(BaseFacts):
    inlay: Inlay


def test_every_place_of_a_left_part_is_mirrored_whatever_it_is_called() -> None:
    foot = FootPlan.model_validate({**sample_foot("right").model_dump(), "side": "left"})
    sockets = Sockets(places=(Spot(30.0, 4.0),), depth=1.0, diameter=4.3, face="foot")
    inlay = Inlay(pins=(Spot(10.0, -2.0), Spot(50.0, 7.0)), size=(1.0, 2.0))
    wanted = NewFacts(
        thickness=3.0,
        notch=Spot(20.0, 30.0),
        crest=Crest(at=Spot(90.0, 12.0), height=8.0),
        sockets=sockets,
        vents=Vents(places=(Spot(1.0, 2.0), Spot(3.0, -4.0)), diameter=5.0),
        levels={"grind": (1.0, 2.0)},
        inlay=inlay,
    )

    facts = as_worn(replace(base(foot, "demo"), facts=wanted)).told(NewFacts)

    assert facts.notch == Spot(20.0, -30.0)
    assert facts.crest == Crest(at=Spot(90.0, -12.0), height=8.0)
    assert facts.sockets == replace(sockets, places=(Spot(30.0, -4.0),))
    assert facts.vents == Vents(places=(Spot(1.0, -2.0), Spot(3.0, 4.0)), diameter=5.0)
    assert facts.inlay == Inlay(pins=(Spot(10.0, 2.0), Spot(50.0, -7.0)), size=(1.0, 2.0))
    assert facts.levels == {"grind": (1.0, 2.0)}


def test_facts_of_another_kind_are_refused() -> None:
    with pytest.raises(TypeError, match="left-base has BaseFacts"):
        base(sample_foot("left"), "demo").told(LayerFacts)
