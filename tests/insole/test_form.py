"""The form for moulding: its surface against formulas, turned over and never mirrored."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from scipy import ndimage
from scipy.interpolate import RectBivariateSpline

from footscan.scan import Array, Side
from insole import cli
from insole.errors import PartError, PlanError, RefusedError
from insole.output import contents, folder, readme
from insole.output.settings import Settings
from insole.parts import build, engraving, form_upper, solids
from insole.parts import form as forms
from insole.parts.form_upper import FormWish
from insole.parts.part import Part, as_worn
from insole.planning import outline, planner, seating
from insole.planning import sole as soles
from insole.planning.planner import FootWish, PlanWishes
from insole.planning.support.tops import spline_of
from insole.record.limits import default_limits
from insole.record.material_file import default_materials
from insole.record.plan import FootPlan, Plan, from_json, to_json
from insole.record.values import HeightGrid
from insole.shoe.shoe import parse
from insole.workflow import making
from tests import feet
from tests.insole.test_part import overlap, printed
from tests.plans import CREST, sample_plan

LIMITS = default_limits()
LEVEL = {
    "name": "level",
    "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
    "bed": {"drop": 0},
}
RAMP = LEVEL | {"inside": LEVEL["inside"] | {"length": 278}, "bed": {"drop": 14}}
PLAIN = FormWish()
QUICK = Settings(papers=("a4",))


def arch_gap(x: Array, y: Array) -> Array:
    """Return an invented gap: 12.5 mm under the medial arch, nothing at heel and ball."""
    along = np.clip((x - CREST[0]) / 75.0, -1, 1)
    across = np.clip((y + 25.0) / 40.0, 0.0, 1.0)
    return 12.5 * np.cos(np.pi / 2 * along) ** 2 * np.sin(np.pi / 2 * across) ** 2


def with_sole(foot: FootPlan) -> FootPlan:
    """Return the foot with a sole by formula: a gap above the ramp of a shoe."""
    ring = np.array(foot.base.outline)
    low = np.floor(ring.min(axis=0) - 15)
    count = np.ceil((ring.max(axis=0) + 15 - low) / 3).astype(int) + 1
    x, y = (low[k] + 3.0 * np.arange(count[k]) for k in range(2))
    bed = seating.bed_heights(parse(RAMP), ring, 278.0, x, y)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    z = bed + arch_gap(gx, gy)
    grid = HeightGrid(x0=float(low[0]), y0=float(low[1]), step=3.0, z=z.tolist())
    return foot.model_copy(update={"sole": grid})


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Return the sample plan with a sole that a formula gives, on a ramp of 14 mm."""
    made = sample_plan()
    return made.model_copy(
        update={"left": with_sole(made.left), "right": with_sole(made.right), "shoe": RAMP}
    )


@pytest.fixture(scope="module")
def pair(plan: Plan) -> list[Part]:
    return forms.forms(plan, PLAIN)


@pytest.fixture(scope="module")
def scanned() -> Plan:
    """Return a plan of an analytic foot, whose sole is known by formula."""
    spot = PlanWishes(right=FootWish.of(tender=((200.0, 25.0),)))
    return planner.plan(feet.analytic(side="left"), feet.analytic(side="right"), parse(LEVEL), spot)


def at(upper: form_upper.Upper, z: Array, x: float, y: float) -> float:
    place = [[(x - upper.x[0])], [(y - upper.y[0])]]
    return float(ndimage.map_coordinates(z, place, order=1)[0])


# ------------------------------------------------------------------ the sole in the plan


def test_the_plan_keeps_the_seated_sole(scanned):
    """The analytic sole, seated on a level bed: its formula, low-passed like a Gaussian does."""
    foot = scanned.right
    pose = np.array(foot.seating.foot_to_bed)
    x, y = np.meshgrid(np.linspace(95, 150, 9), np.linspace(-20, 18, 7), indexing="ij")
    plain = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    bed = plain @ pose[:3, :3].T + pose[:3, 3]
    spline = spline_of(foot.sole)
    # curvature of the arch times half the filter's variance (2.8 mm squared), and the grid's half
    # cell along the slope as in the seating's own test
    assert spline.ev(bed[:, 0], bed[:, 1]) == pytest.approx(
        feet.analytic_sole(x, y).ravel(), abs=0.6
    )


def test_the_sole_covers_base_and_margin_is_finite_and_small(scanned):
    for foot in scanned.feet:
        z, ring = np.array(foot.sole.z), np.array(foot.base.outline)
        assert np.isfinite(z).all()
        end = np.array([foot.sole.x0, foot.sole.y0]) + 3.0 * (np.array(z.shape) - 1)
        assert (np.array([foot.sole.x0, foot.sole.y0]) <= ring.min(axis=0) - 14.9).all()
        assert (end >= ring.max(axis=0) + 14.9).all()
        assert np.abs(z * 100 - np.round(z * 100)).max() < 1e-6
    assert len(to_json(scanned)) < 400_000
    assert from_json(to_json(scanned)) == scanned


def seated(foot):
    return seating.seat(
        foot, outline.lay_out(foot, parse(LEVEL), LIMITS), parse(LEVEL), limits=LIMITS
    )


def test_unseen_places_are_bridged_and_flanks_go_on_upward_without_cliffs():
    seat = seated(feet.analytic())
    whole = soles.sole_grid(seat, LIMITS)
    holed = seat.sole.z.copy()
    gx, gy = np.meshgrid(seat.sole.x, seat.sole.y, indexing="ij")
    inside = np.hypot(gx - 60, gy) < 8  # on the flat heel
    assert np.isfinite(holed[inside]).all()
    holed[inside] = np.nan
    patched = soles.sole_grid(replace(seat, sole=replace(seat.sole, z=holed)), LIMITS)
    assert np.abs(np.array(whole.z) - np.array(patched.z)).max() < 0.3
    z = np.array(whole.z)
    # a wall of 45 degrees and steeper, but no step between nodes 3 mm apart: 5 in 1 at most
    assert np.abs(np.diff(z, axis=0)).max() < 15.0
    assert np.abs(np.diff(z, axis=1)).max() < 15.0
    heel = z[:, round(-whole.y0 / 3)]  # along the centreline, from behind
    behind = heel[: round((2.0 - whole.x0) / 3)]
    assert (np.diff(behind) <= 1e-9).all()
    assert behind[0] - heel[round((30 - whole.x0) / 3)] > 15.0
    medial = z[round((130 - whole.x0) / 3)]
    assert medial[-1] > 20.0


def test_no_sole_above_the_base_gives_none():
    seat = seated(feet.analytic())
    blind = replace(seat, sole=replace(seat.sole, z=np.full(seat.sole.z.shape, np.nan)))
    assert soles.sole_grid(blind, LIMITS) is None


# ------------------------------------------------------------------ the upper surface


def test_in_the_arch_the_surface_is_the_pads_top(plan):
    """Bed plus pad at the crest: 10 mm high, 11.6 mm of gap; smoothing takes off a little."""
    upper = form_upper.upper(plan.right, plan, PLAIN)
    z = upper.z - upper.bed
    assert at(upper, upper.sole - upper.bed, *CREST) == pytest.approx(
        float(arch_gap(*CREST)), abs=0.1
    )
    assert at(upper, z, *CREST) == pytest.approx(10.0, abs=0.35)


def test_away_from_the_pad_the_surface_is_the_sole(plan):
    upper = form_upper.upper(plan.right, plan, PLAIN)
    for x, y in ((30.0, 0.0), (45.0, 10.0), (190.0, 0.0), (170.0, -30.0)):
        assert at(upper, upper.z, x, y) == pytest.approx(at(upper, upper.sole, x, y), abs=0.3)


def test_the_surface_never_presses_above_the_sole_nor_sinks_into_the_bed(scanned):
    for foot in scanned.feet:
        upper = form_upper.upper(foot, scanned, replace(PLAIN, relief=0.0))
        assert (upper.z - upper.sole).max() < 0.4  # the last smoothing fills hollows so far
        assert (upper.z - upper.bed).min() > -0.4


def test_the_rim_ends_at_its_height_and_is_low_beside_the_ball(scanned):
    foot = scanned.right
    upper = form_upper.upper(foot, scanned, PLAIN)
    above = upper.z - upper.bed
    assert above.max() == pytest.approx(PLAIN.rim, abs=0.05)
    ball = foot.landmarks["metatarsale_tibiale"]
    assert above[round(ball[0] - upper.x[0])].max() < 4.0
    toes = above[round(ball[0] + 45 - upper.x[0]) :]
    assert np.abs(toes).max() < 0.05  # level with the bed: toes lie free


def test_no_rim_stands_beside_the_ball_on_either_side(scanned):
    """From 12 mm behind the ball line on the shelf is level with the bed, and so is the trim line.

    The fall to it is smooth: not steeper than its smoothstep, 1.5 times 20 mm on 48 mm, nor than
    the foot's own flank, which it cuts across.
    """
    for foot in scanned.feet:
        upper = form_upper.upper(foot, scanned, PLAIN)
        above = upper.z - upper.bed
        gx, gy = np.meshgrid(upper.x, upper.y, indexing="ij")
        ends = [
            np.array(foot.landmarks[n][:2]) for n in ("metatarsale_tibiale", "metatarsale_fibulare")
        ]
        line = ends[1][0] + (gy - ends[1][1]) * (ends[0] - ends[1])[0] / (ends[0] - ends[1])[1]
        base = shapely.Polygon(foot.base.outline)
        border = ~shapely.contains_xy(base.buffer(-6.0), gx, gy)
        assert above[border & (gx > line - 8.0)].max() < 0.1
        assert above[gx > line - 8.0].max() < form_upper.FRONT_RIM_MM + 0.1
        outside = ~shapely.contains_xy(base.buffer(2.0), gx, gy)
        near = border & outside & (np.abs(gx - line) < 60.0)
        along = np.abs(np.gradient(above, axis=0))[near]
        assert along.max() < 1.5 * PLAIN.rim / 48.0 * 1.6
        assert above[near].max() > 5.0  # behind it there is one


def test_a_tender_spot_is_built_out_away_from_the_foot(scanned):
    flat = form_upper.upper(scanned.right, scanned, replace(PLAIN, relief=0.0))
    built = form_upper.upper(scanned.right, scanned, replace(PLAIN, relief=3.0))
    off = flat.z - built.z
    assert off.max() == pytest.approx(3.0)
    assert at(flat, off, 200.0, 25.0) == pytest.approx(3.0)
    assert at(flat, off, 200.0 + 10 + form_upper.TENDER_FADE_MM + 1, 25.0) == 0.0
    slope = np.hypot(*np.gradient(off))
    assert slope.max() < 1.6 * 3.0 / form_upper.TENDER_FADE_MM  # smoothstep: 1.5 times the mean
    left = form_upper.upper(scanned.left, scanned, replace(PLAIN, relief=3.0))
    plain = form_upper.upper(scanned.left, scanned, replace(PLAIN, relief=0.0))
    assert np.array_equal(left.z, plain.z)  # wished for the right foot only


def test_a_cover_moves_the_surface_square_to_itself():
    """Along z on a level, and by 1 / cos on a slope: the offset of a plane, by formula."""
    x, _ = np.meshgrid(np.arange(60.0), np.arange(60.0), indexing="ij")
    level = form_upper._lowered(np.full((60, 60), 7.0), 2.0)
    assert level == pytest.approx(np.full((60, 60), 5.0))
    slope = math.tan(math.radians(30))
    moved = form_upper._lowered(slope * x, 2.0)[10:-10, 10:-10]
    wanted = (slope * x)[10:-10, 10:-10] - 2.0 / math.cos(math.radians(30))
    assert moved == pytest.approx(wanted, abs=0.1)  # the ball is known at millimetres only


# ------------------------------------------------------------------ the solid


def test_the_solid_is_closed_with_the_volume_of_its_surface(plan, pair):
    """Against a plain sum over 1 mm cells of the form's height, edges by their share."""
    for part, foot in zip(pair, plan.feet, strict=True):
        mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        upper = form_upper.upper(foot, plan, PLAIN)
        shelf = shapely.Polygon(np.asarray(foot.base.outline)).buffer(PLAIN.margin)
        inside = shapely.contains_xy(shelf, *np.meshgrid(upper.x, upper.y, indexing="ij"))
        top = upper.z[inside].max() + forms.SHELF_MM
        assert mesh.volume == pytest.approx((top - upper.z)[inside].sum(), rel=0.005)
        assert mesh.volume == pytest.approx(part.volume - part.facts.engraved.volume, rel=1e-3)


def test_the_plantar_side_is_up_and_the_foot_is_turned_over_not_mirrored(plan, pair):
    """A half turn about x takes the form's top onto the foot's own surface, for either side.

    Worn, seen from above with the toes ahead: medial is at +y on a right foot, at -y on a left.
    """
    for part, foot in zip(pair, plan.feet, strict=True):
        upper = form_upper.upper(foot, plan, PLAIN)
        half_turn = np.diag([1.0, -1.0, -1.0])
        assert np.linalg.det(half_turn) == 1.0
        back = part.vertices @ half_turn.T
        body = back[(part.vertices[:, 2] > 5.0)]
        medial = body[:, 1] if part.side is Side.RIGHT else -body[:, 1]
        place = np.array([body[:, 0] - upper.x[0], medial - upper.y[0]])
        wanted = ndimage.map_coordinates(upper.z, place, order=3, mode="nearest")
        apart = body[:, 2] - wanted
        inside = np.hypot(body[:, 0] - 140.0, body[:, 1]) < 30.0  # around the arch, off the walls
        assert np.ptp(apart[inside]) < 0.05
        wrong = ndimage.map_coordinates(
            upper.z, [place[0], -medial - upper.y[0]], order=3, mode="nearest"
        )
        assert np.ptp((body[:, 2] - wrong)[inside]) > 3.0


def test_left_and_right_of_one_foot_are_mirror_images(plan):
    twin = plan.right.model_copy(update={"side": "left"})
    right, left = (forms.form(foot, plan, PLAIN) for foot in (plan.right, twin))
    left, right = (build.as_worn(part) for part in (left, right))
    assert left.vertices[:, 1].max() == pytest.approx(-right.vertices[:, 1].min(), abs=1e-3)
    assert left.vertices[:, 1].min() == pytest.approx(-right.vertices[:, 1].max(), abs=1e-3)
    volumes = [part.volume for part in (left, right)]
    assert volumes[0] == pytest.approx(volumes[1], rel=1e-9)


def test_side_case_and_arrow_are_cut_into_the_bottom_and_read_right(pair):
    for part in pair:
        assert set(part.facts.engraved.texts) == {">", part.side.value.upper(), "FORM", "DEMO-0001"}
        assert part.facts.engraved.paper_only == ()
        solid = solids.solid_of(part.vertices, part.faces)
        cut = solids.region_above(solid, engraving.DEPTH_MM / 2)
        below = [mark for mark in part.marks if mark.face == "shoe"]
        assert len(below) == 4
        for mark in below:
            assert (
                engraving.mark_shape(mark).intersection(cut).area
                < 0.02 * engraving.mark_shape(mark).area
            )
        arrow = next(mark for mark in below if mark.text == ">")
        assert arrow.turn == 0.0  # along +x, heel to toe


def heights(part: Part, points: Array) -> Array:
    """Return the height of a part's top over points in plan: triangle by triangle."""
    corners = part.vertices[part.faces]
    low, high = points.min(axis=0), points.max(axis=0)
    near = (corners[:, :, :2].max(axis=1) >= low) & (corners[:, :, :2].min(axis=1) <= high)
    z = np.full(len(points), -np.inf)
    for a, b, c in corners[near.all(axis=1)]:
        sides = np.column_stack([b[:2] - a[:2], c[:2] - a[:2]])
        if abs(np.linalg.det(sides)) < 1e-6:  # a wall
            continue
        u, v = np.linalg.solve(sides, (points - a[:2]).T)
        inside = (u >= 0) & (v >= 0) & (u + v <= 1)
        z[inside] = np.maximum(z[inside], (a[2] + u * (b - a)[2] + v * (c - a)[2])[inside])
    return z


@pytest.mark.parametrize("which", [0, 1], ids=["left", "right"])
def test_the_shelf_says_the_side_from_above_and_not_mirrored(plan, pair, which):
    """What is highest at each place, against letters of another rasteriser, as the viewer sees it.

    Seen from above +y is to the left of +x: rows run down, so along -up, columns along the text.
    """
    part, foot = pair[which], plan.feet[which]
    plain = as_worn(forms.form(foot, plan, PLAIN))
    word = part.side.value.upper()
    mark = next(m for m in part.marks if m.face == "foot" and m.text == word)
    assert mark.size >= 4.0
    assert part.facts.engraved.on_top == (word, ">", "DEMO-0001")
    turn = np.radians(mark.turn)
    along, up = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    corners = shapely.get_coordinates(engraving.mark_shape(mark)) - [mark.x, mark.y]
    s, t = corners @ along, corners @ up
    across, down = np.arange(s.min(), s.max(), 0.25), np.arange(t.max(), t.min(), -0.25)
    grid = np.stack(np.meshgrid(down, across, indexing="ij"), axis=-1) + 0.017  # off mesh edges
    points = [mark.x, mark.y] + grid[..., 1:] * along + grid[..., :1] * up
    drop = heights(plain, points.reshape(-1, 2)) - heights(part, points.reshape(-1, 2))
    seen = drop.reshape(grid.shape[:2]) > engraving.DEPTH_MM / 2
    assert drop.max() == pytest.approx(engraving.DEPTH_MM, abs=0.01)
    reference = printed(word, seen.shape)
    assert overlap(seen, reference) > 0.75  # strokes are 5 pixels wide, a border pixel may differ
    for wrong in (reference[:, ::-1], reference[::-1], reference[::-1, ::-1]):
        assert overlap(seen, reference) > 1.2 * overlap(seen, wrong)


def test_the_shelfs_marks_lie_off_the_trim_line_and_the_arrow_points_to_the_toes(plan, pair):
    for part, foot in zip(pair, plan.feet, strict=True):
        sign = -1.0 if part.side is Side.RIGHT else 1.0
        base = shapely.Polygon(np.asarray(foot.base.outline) * [1.0, sign])
        shelf = shapely.Polygon(part.outline, part.holes)
        marks = [mark for mark in part.marks if mark.face == "foot"]
        for mark in marks:
            shape = engraving.mark_shape(mark)
            assert base.distance(shape) >= 0.99
            assert shelf.covers(shape)
            assert shelf.exterior.distance(shape) >= 0.99
        arrow = next(mark for mark in marks if mark.text == ">")
        assert abs(arrow.turn) <= 30.0  # along +x, heel to toe
        head = engraving.mark_shape(arrow)
        assert head.centroid.x > head.envelope.centroid.x  # the head is the larger end


def test_a_narrow_shelf_has_letters_of_four_millimetres_or_says_so(plan):
    for part in forms.forms(plan, replace(PLAIN, margin=5.0)):
        marks = [mark for mark in part.marks if mark.face == "foot"]
        assert [mark.size for mark in marks] == pytest.approx([4.0] * len(marks))
        said = " ".join(forms.form_words(part))
        both = {part.side.value.upper(), ">"} <= {mark.text for mark in marks}
        assert ("cut into the shelf's top" in said) == both
        assert ("by hand" in said) == (not both)
        assert build.check(part) == []


def test_a_good_form_passes_and_a_bad_one_is_told(pair):
    for part in pair:
        assert build.check(part, bed=(320, 200, 200)) == []
        assert any("does not fit" in text for text in build.check(part, bed=(200, 200, 200)))
        thin = replace(part, facts=replace(part.facts, least_wall=3.0))
        assert any("3.0 mm thick" in text for text in build.check(thin))
        flat = replace(part, facts=replace(part.facts, turned_over=False))
        assert any("notch is not where" in text for text in build.check(flat))
    other = replace(pair[0], side=Side.RIGHT)
    assert any("notch is not where" in text for text in build.check(other))


def test_nothing_hangs_over_and_the_shelf_is_thick(pair):
    for part in pair:
        mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
        down = mesh.face_normals[:, 2] < -0.01
        assert part.vertices[part.faces[down]][:, :, 2].max() <= engraving.DEPTH_MM + 1e-3
        assert part.facts.least_wall == pytest.approx(forms.SHELF_MM, abs=0.05)


# ------------------------------------------------------------------ what there is no form for


def test_an_older_plan_says_so_in_one_sentence(plan):
    old = sample_plan().model_copy(update={"schema_version": 2})
    with pytest.raises(PlanError, match=r"keeps no sole.*plan it again from the scans"):
        forms.forms(old, PLAIN)
    with pytest.raises(PlanError, match="keeps no sole"):
        making.checked_parts(old, replace(QUICK, form=PLAIN))


def test_a_foot_without_a_pad_gets_none_and_the_other_does(plan):
    bare = plan.left.model_copy(update={"pad": None, "no_pad_because": "no pad was wished"})
    mixed = plan.model_copy(update={"left": bare})
    assert [part.label for part in forms.forms(mixed, PLAIN)] == ["right-form"]
    assert "left foot: it has no arch pad (no pad was wished)" in form_upper.why_not(bare)
    with pytest.raises(PartError, match="no arch pad"):
        form_upper.upper(bare, mixed, PLAIN)


def test_a_sole_that_is_too_small_is_refused(plan):
    grid = plan.right.sole
    small = grid.model_copy(update={"z": grid.z[:-8]})
    foot = plan.right.model_copy(update={"sole": small})
    with pytest.raises(PartError, match="does not cover the base of the right foot"):
        form_upper.upper(foot, plan, PLAIN)


@pytest.mark.parametrize(
    ("wish", "match"),
    [
        ({"cover": -1.0}, "cover of -1 mm"),
        ({"relief": 9.0}, "give 0 to 4 mm"),
        ({"rim": math.nan}, "rim of nan mm"),
        ({"margin": 40.0}, "give 5 to 12 mm"),
    ],
)
def test_wishes_out_of_range_are_refused(wish, match):
    with pytest.raises(PlanError, match=match):
        FormWish(**wish)


def test_a_form_is_never_made_of_what_the_table_keeps_for_parts(plan, tmp_path):
    odd = [as_worn(forms.form(plan.right, plan, replace(PLAIN, material="wedge-tpu")))]
    with pytest.raises(RefusedError, match="not for form"):
        folder.write(plan, odd, tmp_path, settings=QUICK, writers=[])


def test_the_shell_can_be_printed_and_words_and_table_say_the_same(pair):
    """A flat top needs an infill beneath; plaster needs it open, and no bottom."""
    shell = default_materials()["form-shell"]
    said = " ".join(forms.form_words(pair[0]))
    share = f"{100 * shell.infill.value:.0f} %"
    assert shell.infill.low > 0.05
    for words in (said, shell.advice):
        assert share in words
        assert "no bottom layers" in words
        assert "open bottom" in words
        assert "no infill" not in words


# ------------------------------------------------------------------ the folder


def test_the_folder_has_forms_to_print_only_and_the_words_for_moulding(plan, tmp_path):
    bare = plan.left.model_copy(update={"pad": None, "no_pad_because": "no pad was wished"})
    mixed = plan.model_copy(update={"left": bare})
    settings = replace(QUICK, form=FormWish(cover=1.5), bed=(320.0, 320.0))
    parts = [
        p
        for p in making.checked_parts(mixed, settings)
        if p.label in ("right-form", "right-arch-pad")
    ]
    writers = [i for i in contents.items(mixed, parts, settings) if i.path.startswith("print")]
    others = {i.path for i in contents.items(mixed, parts, settings)} - {i.path for i in writers}
    assert not any("right-form-" in path for path in others)
    said: list[str] = []
    place = folder.write(
        mixed, parts, tmp_path, settings=settings, writers=writers, say=said.append
    )
    names = {p.relative_to(place).as_posix() for p in place.rglob("*form*") if p.is_file()}
    names = {name for name in names if "forefoot" not in name}
    assert names == {"print/form-right-demo-0001-v1.3mf", "print/right-form-demo-0001-v1.stl"}
    assert any("no form for the left foot" in text for text in said)
    readme = " ".join((place / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())
    for words in (
        "Never mould a hot sheet on the bare foot",
        "turned over, not mirrored",
        "PLA slumps near 60 °C",
        "filled with plaster",
        "larger by 1.5 mm all over",
        "at most 16 mm above the bed",
        "no form for the left foot",
        "right-form: form-shell",
    ):
        assert words in readme
    stl = trimesh.load(place / "print/right-form-demo-0001-v1.stl", force="mesh")
    form = next(part for part in parts if part.name == form_upper.FORM)
    assert stl.volume == pytest.approx(form.volume, rel=1e-3)


def test_the_options_ask_for_the_form_first(scanned, capsys, tmp_path):
    path = tmp_path / "plan.json"
    blind = {
        side: foot.model_copy(update={"sole": None})
        for side, foot in (("left", scanned.left), ("right", scanned.right))
    }
    path.write_text(to_json(scanned.model_copy(update=blind)), encoding="utf-8")
    options = ["make", str(path), "--out", str(tmp_path / "out"), "--thick-edges-checked"]
    assert cli.main([*options, "--form-cover", "2"]) == 2
    assert "add --form" in capsys.readouterr().err
    assert cli.main([*options, "--form"]) == 3
    assert re.search(r"keeps no sole", capsys.readouterr().err)
    assert not list(Path(tmp_path).glob("out/*"))


def test_forms_have_an_exact_solid_for_step(
    pair: list[Part], plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The face of the CAD solid is the form's, its letters left out; a left one is on its side."""
    monkeypatch.setattr(forms, "STEP_NODES_MM", 3.0)  # quicker
    left = next(part for part in pair if part.side is Side.LEFT)
    solid = left.solid()
    assert solid.isValid()
    assert solid.Volume() == pytest.approx(left.volume, rel=2e-3)
    box, outline = solid.BoundingBox(), np.asarray(left.outline)
    assert (box.ymin, box.ymax) == pytest.approx(
        (outline[:, 1].min(), outline[:, 1].max()), abs=0.02
    )
    assert box.zmax == pytest.approx(left.facts.height, abs=0.1)


def test_the_nodes_of_a_step_form_follow_its_surface(plan: Plan) -> None:
    foot = plan.right
    above = form_upper.upper(foot, plan, PLAIN)
    fine = RectBivariateSpline(above.x, above.y, above.z, kx=3, ky=3, s=0)
    x, y = (np.arange(a[0], a[-1], forms.STEP_NODES_MM) for a in (above.x, above.y))
    coarse = RectBivariateSpline(x, y, fine(x, y), kx=3, ky=3, s=0)
    tx, ty = x[3:-3:2] + 0.7, y[3:-3:2] + 0.7
    assert np.abs(fine(tx, ty) - coarse(tx, ty)).max() < 0.03


def test_plaster_fills_what_wall_and_infill_leave():
    """A box worked by hand: 480 ml, less a wall of 1.6 mm on 488 cm², less a tenth of the rest.

    Nearly solid resin is filled with nothing, nor is a part that is no form.
    """
    box = trimesh.creation.box((200.0, 80.0, 30.0))
    shell = SimpleNamespace(
        name="form", material="form-shell", vertices=box.vertices, faces=box.faces
    )
    litres = readme._plaster_litres(shell, default_materials())
    assert litres == pytest.approx((0.480 - 0.0016 * 48.8) * 0.9, rel=1e-6)
    # a litre of paste from grains of 2.6 kg/l and 0.6 l of water for each kg
    powder = readme._powder(litres)
    assert powder / 2.6 + 0.6 * powder == pytest.approx(litres)
    solid = SimpleNamespace(
        name="form", material="form-resin", vertices=box.vertices, faces=box.faces
    )
    assert readme._plaster_litres(solid, default_materials()) == 0.0
    part = SimpleNamespace(
        name="base", material="form-shell", vertices=box.vertices, faces=box.faces
    )
    assert readme._plaster_litres(part, default_materials()) == 0.0
