"""Places, thicknesses and masses of a plan, each worked by hand from a constructed foot or bed.

By construction: every expected number stands here as arithmetic on the numbers that the foot, the
bed or the shim was built from, or comes from shapely's or trimesh's own geometry. Nothing is taken
from the program.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
import shapely
import trimesh
from scipy import interpolate

from insole.parts import materials as weighing
from insole.parts.pad import arch_pad
from insole.planning import seating, thickness
from insole.planning.cleat import CleatWish, plan_cleat, saddle_change
from insole.planning.outline import lay_out
from insole.planning.ramp import shim_height
from insole.planning.support.pad import plan_pad
from insole.planning.support.wish import SupportWish
from insole.planning.wedging import ramp_width
from insole.record.limits import default_limits
from insole.record.material_file import default_materials
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.shoe.shoe import CleatSlots, Shoe, parse
from tests import feet, plans

LIMITS = default_limits()
LEVEL = {
    "name": "level",
    "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
    "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
    "stock_insole": {"kept": False, "thickness": {"heel": 4, "arch": 3.5, "ball": 3, "toes": 2}},
}
MARKS = {"mth1": np.array([194.0, 35.0, 0.0]), "mth5": np.array([166.0, -36.0, 0.0])}


@cache
def seated(load="half", arch=14.0):
    foot, bed = feet.analytic(load=load, arch=arch), parse(LEVEL)
    return seating.seat(foot, lay_out(foot, bed, LIMITS), bed, limits=LIMITS)


# ---- the cleat


@pytest.mark.parametrize(("offset", "before"), [(-8.0, -3.0), (4.0, -6.0), (0.0, 0.0)])
def test_the_axle_from_both_heads_from_the_mark_and_from_where_it_was(offset, before):
    """A mark 190 mm from the heel, heads at 194 and 166 mm: differences of stations along x."""
    slots = CleatSlots(mark="middle of the slot", mark_from_heel=190.0, front=12.0, rear=-12.0)
    shoe = Shoe(
        name="by hand", inside_length=280, ball_width=99, heel_width=67, drop=8, slots=slots
    )
    cleat, _ = plan_cleat(
        landmarks=MARKS,
        shoe=shoe,
        limits=LIMITS,
        wish=CleatWish(offset=offset, before=before),
    )
    assert cleat.from_ball_mark == pytest.approx(offset)
    assert cleat.from_mth5 == pytest.approx(194 + offset - 166)
    assert cleat.from_mark == pytest.approx(194 + offset - 190)
    assert cleat.back == pytest.approx(before - offset)  # + is back from where it was ridden


@pytest.mark.parametrize(("stack", "back"), [(3.0, 0.0), (0.0, 10.0), (2.5, -6.0)])
def test_the_saddle_follows_stack_and_cleat(stack, back):
    """Up by the stack; down by what moves the ankle along the line from the saddle.

    The sole points down by its pitch, the saddle's line rises backwards at the tube's angle: the
    foot's shift along the sole, projected on that line by the scalar product of two unit vectors.
    """
    tube, pitch = (
        math.radians(LIMITS.value(f"cleat.{name}")) for name in ("seat_tube", "foot_pitch")
    )
    along_sole = np.array([math.cos(pitch), -math.sin(pitch)])  # forward, up
    towards_saddle = np.array([-math.cos(tube), math.sin(tube)])  # behind and above the cranks
    nearer = back * float(along_sole @ towards_saddle)
    assert nearer * back <= 0  # moved back, the foot goes forward, away from the saddle
    found, _ = saddle_change(stack_mm=stack, setback_mm=back, shoe=None, limits=LIMITS)
    assert found.value == pytest.approx(stack + nearer, abs=0.006)


# ---- ramps


def test_a_ramp_is_as_wide_as_from_its_thin_to_its_thick_border():
    """A bed that narrows evenly: lateral border straight at -40, medial 45 to 35 over 200 mm."""
    bed = np.array([(0.0, -40.0), (200.0, -40.0), (200.0, 35.0), (0.0, 45.0)])
    medial_at_60 = 45 - 10 * 60 / 200
    assert ramp_width(bed, 60.0, 120.0, thick_medial=True) == pytest.approx(40 + medial_at_60)
    # thick laterally: the thin border is the outermost of the whole shim on the medial side
    assert ramp_width(bed, 60.0, 120.0, thick_medial=False) == pytest.approx(45 + 40)


@pytest.mark.parametrize("net", [2.0, -2.0])
def test_a_taper_is_half_as_high_at_its_middle(net):
    """A ramp over 80 mm, its tapers 20 and 30 mm long: heights by the rule of three."""
    rise = 80 * math.tan(math.radians(2.0))
    ring = [(0.0, -40.0), (200.0, -40.0), (200.0, 40.0), (0.0, 40.0)]
    wedge = WedgePlan(
        place=WedgePlace.FOREFOOT,
        wish=net,
        cant_kept=0,
        net=net,
        remainder=0,
        width=80.0,
        thick_side="big-toe side" if net > 0 else "little-toe side",
        thick_edge=0.5 + rise,
        edge=0.5,
        full_from=80.0,
        full_to=120.0,
        taper_rear=20.0,
        taper_front=30.0,
        outline=ring,
    )
    thick = 39.99 if net > 0 else -39.99
    x = np.array([70.0, 135.0, 100.0, 100.0, 100.0, 59.0, 151.0])
    y = np.array([thick, thick, thick, -thick, 0.0, thick, thick])
    want = [0.5 + rise / 2, 0.5 + rise / 2, 0.5 + rise, 0.5, 0.5 + rise / 2, 0.0, 0.0]
    assert shim_height(wedge, x, y) == pytest.approx(want, abs=2e-3)


# ---- the foot in the shoe


def test_the_gap_under_an_arch_on_a_level_bed_is_the_arch():
    """14 mm by construction; smoothing over 15 mm both ways takes a tenth off, and never adds."""
    place = seated().landmarks["arch_apex"]
    gap = float(seated().gap(place[0], place[1]))
    assert 14.0 * 0.88 < gap < 14.05


@pytest.mark.parametrize(("load", "down"), [("seated", 4.0), ("unknown", 3.0)])
def test_an_unloaded_arch_comes_down_by_its_load(load, down):
    """16 mm is high enough that a third of it is more than either: the whole comes off."""
    place = seated(arch=16.0).landmarks["arch_apex"]
    loaded = float(seated(arch=16.0).gap(place[0], place[1]))
    lowered = float(seated(load, 16.0).gap(place[0], place[1]))
    assert loaded - lowered == pytest.approx(down, abs=0.05)


def test_a_low_arch_comes_down_by_a_share_of_itself():
    place = seated(arch=10.0).landmarks["arch_apex"]
    loaded = float(seated(arch=10.0).gap(place[0], place[1]))
    lowered = float(seated("none", 10.0).gap(place[0], place[1]))
    assert (loaded - lowered) / loaded == pytest.approx(0.35, abs=0.02)


@pytest.fixture(scope="module")
def pad():
    found = plan_pad(seated(), wish=SupportWish(), limits=LIMITS).pad
    assert found is not None
    return found


def test_a_crest_is_measured_from_both_edges_and_from_the_rear(pad):
    """Cut the base across at the crest with shapely: both parts of the cut are the two edges."""
    base = shapely.Polygon(seated().base)
    x = base.bounds[0] + pad.crest.from_rear
    row = base.intersection(shapely.LineString([(x, -500), (x, 500)]))
    medial, lateral = row.bounds[3], row.bounds[1]
    assert medial - pad.crest.y == pytest.approx(pad.crest.from_medial, abs=0.06)
    assert pad.crest.y - lateral == pytest.approx(row.length - pad.crest.from_medial, abs=0.06)
    z = np.asarray(pad.top.z)
    axes = [
        start + pad.top.step * np.arange(n)
        for start, n in zip((pad.top.x0, pad.top.y0), z.shape, strict=True)
    ]
    there = interpolate.RegularGridInterpolator(axes, z)([(x, pad.crest.y)])
    assert float(there[0]) == pytest.approx(pad.crest.height, abs=0.1)


def test_a_row_of_the_thickness_table_is_a_sum(pad):
    """Base of 1.5 mm, cover of 1.5 mm, the pad's crest at the arch; the stock insole is out."""
    table, _ = thickness.rows(seated(), pad, [], shoe=parse(LEVEL), limits=LIMITS)
    found = {row.station: row for row in table}
    for station, stock in (("heel", 4.0), ("arch", 3.5), ("ball", 3.0), ("toes", 2.0)):
        fill = pad.crest.height if station == "arch" else 0.0
        assert found[station].before == pytest.approx(stock)
        assert found[station].after == pytest.approx(1.5 + 1.5 + fill, abs=0.01)


# ---- masses


@pytest.mark.parametrize(("name", "density"), [("base-pp", 0.905), ("wedge-tpu", None)])
def test_a_part_weighs_its_volume_times_its_density(name, density):
    """Volume and skin by trimesh; a solid print weighs all of it, a sparse one skin and a share."""
    material = default_materials().find(name)
    part = arch_pad(plans.sample_plan().right, "demo")
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    cm3, skin = mesh.volume / 1000, mesh.area * (material.wall.value if material.wall else 0) / 1000
    solid = min(skin / cm3, 1.0)
    share = solid + (1 - solid) * (material.infill.value if material.infill else 1.0)
    found = weighing.amount(part, material)
    assert found.volume_cm3 == pytest.approx(cm3, rel=1e-6)
    assert found.mass == pytest.approx(cm3 * material.density.value * share, rel=1e-6)
    if density is not None:
        assert found.mass == pytest.approx(cm3 * density, rel=1e-6)
