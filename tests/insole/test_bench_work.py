"""The bench page's cleat, saddle, pad, thickness and bolts, and its order of work."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
import shapely

from footscan.scan import Side
from insole.output.work import _part_words, _saddle_moves
from insole.parts.build import all_parts
from insole.parts.cover import cover
from insole.parts.facts import Engraved, Facts
from insole.parts.part import Part
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.record.limits import default_limits
from insole.record.plan import CleatPlan, ThicknessRow
from insole.record.values import Quantity
from insole.shoe.shoe import parse
from tests import feet
from tests.bench_pages import sizes_of, warned
from tests.on_trial import SHOE, STOCK
from tests.papers import (
    bench,
    changed,
    column,
    words,
)
from tests.plans import sample_plan


@pytest.mark.parametrize(
    ("back", "phrase"),
    [
        (5.0, "Move 5.0 mm back"),
        (-2.5, "Move 2.5 mm forward"),
        (0.0, "Stays where it was ridden"),
        (None, "Place as ridden not given: measure it first"),
    ],
)
def test_cleat_starts_from_the_mark_and_says_the_move(
    tmp_path: Path, back: float | None, phrase: str
) -> None:
    cleat = CleatPlan(
        from_ball_mark=-3.0,
        from_mth5=17.7,
        yaw=0.0,
        float_range=6.0,
        back=back,
        mark="front edge of the rear bolt slot",
        from_mark=2.3,
    )
    page = bench(tmp_path, changed(sample_plan(), "left", cleat=cleat))[0]
    text = column(page, "left")
    first = "Axle 2.3 mm ahead of front edge of the rear bolt slot"
    assert text.index(first) < text.index(phrase) < text.index("= 3.0 mm behind MTH1 ± 1.6 mm")
    assert sizes_of(page, "2.3 mm ahead of")[0] >= 11.99


@pytest.mark.parametrize(
    ("left", "right", "use", "asks"),
    [
        (1.5, 2.5, "use the smaller change, 1.5 mm up", False),
        (-4.0, -1.0, "use the smaller change, 1.0 mm down", False),
        (1.0, -1.0, "leave the saddle", False),
        (5.0, 1.0, "use the smaller change, 1.0 mm up", True),
        (2.5, -2.5, "leave the saddle", True),
    ],
)
def test_one_saddle_takes_the_smaller_change(
    tmp_path: Path, left: float, right: float, use: str, asks: bool
) -> None:
    """The smaller in size; none where one leg asks up and the other down."""
    plan = changed(sample_plan(), "left", saddle_change=Quantity(value=left))
    plan = changed(plan, "right", saddle_change=Quantity(value=right))
    text = words(bench(tmp_path, plan)[0])
    assert f"One saddle, two legs: {use}" in text
    assert (f"They differ by {abs(left - right):.1f} mm: ask before moving it" in text) == asks


def test_two_legs_that_agree_need_no_choice(tmp_path: Path) -> None:
    assert "two legs" not in words(bench(tmp_path, sample_plan())[0])


def test_saddle_has_no_spread_of_nothing_and_says_what_it_hangs_on(tmp_path: Path) -> None:
    reason = "stack -0.5 mm; holds only if the cleat stays where it was"
    change = Quantity(value=-1.5, sd=0.04, reason=reason)
    text = column(bench(tmp_path, changed(sample_plan(), "left", saddle_change=change))[0], "left")
    assert "Saddle ________ mm 1.5 mm down if the cleat stays" in text
    # 5 mm times the cosine of 73.5 less 15 degrees
    assert f"per 5 mm further back: saddle {5 * math.cos(math.radians(58.5)):.1f} mm down" in text
    assert not re.search(r"± 0\.0(?!\d)", text)
    assert "−" not in text.split("Saddle")[1][:20]


@pytest.mark.parametrize(
    ("whole", "said"),
    [
        (-1.9, [-1.9]),  # cleat -2.6, base -0.5, wedge +1.2: nobody sets half a millimetre
        (0.75, []),  # cleat 0.05: all of it is below a saddle's step
        (2.6, [2.6]),  # cleat 1.9, base -0.5, wedge +1.2
        (-3.1, [-3.1]),
    ],
)
def test_saddle_moves_of_the_steps_add_up_to_the_whole(
    tmp_path: Path, whole: float, said: list[float]
) -> None:
    """Ball 3.5 mm before; base 1.5 and cover 1.5 mm make -0.5, a shim of 1.2 mm at the middle +1.2,
    the cleat the rest."""
    rows = [ThicknessRow(station="ball", before=3.5, after=4.2)]
    plan = sample_plan()
    for side in ("left", "right"):
        plan = changed(plan, side, thickness=rows, saddle_change=Quantity(value=whole, sd=0.4))
    text = words(bench(tmp_path, plan)[0])
    moves = [
        float(size) * (1 if way == "up" else -1)
        for size, way in re.findall(r"Saddle ([\d.]+) mm (up|down)\.", text)
    ]
    assert moves == pytest.approx(said)


def test_a_base_on_the_insole_that_is_kept_lifts_by_all_of_its_thickness() -> None:
    """Base and cover 3.0 mm, the shim 1.2 mm, on an insole of 3.5 mm that stays in the shoe."""
    rows = [ThicknessRow(station="ball", before=3.5, after=7.7)]
    plan = sample_plan()
    for side in ("left", "right"):
        plan = changed(plan, side, thickness=rows, saddle_change=Quantity(value=-1.9, sd=0.4))
    moves = {}
    for kept in (True, False):
        insole = {**(plan.shoe or {}).get("stock_insole", {}), "kept": kept}
        worn = plan.model_copy(update={"shoe": {**(plan.shoe or {}), "stock_insole": insole}})
        moves[kept] = _saddle_moves(worn)
    space = "\N{NO-BREAK SPACE}"
    assert f"6.1{space}mm{space}down" in moves[True]["cleat"]
    assert f"3.0{space}mm{space}up" in moves[True]["base"]
    assert sum(f"1.2{space}mm{space}up" in words for words in moves[True].values()) == 1
    # taken out instead, the base would lower by half a millimetre, which nobody sets
    assert moves[False]["base"] == ""


def test_a_saddle_that_moves_twice_by_its_step_or_more_is_said_twice(tmp_path: Path) -> None:
    """The shim lifts the middle by 2.2 mm, the base lowers by 0.5, the cleat makes up -3.6."""
    rows = [ThicknessRow(station="ball", before=3.5, after=5.2)]
    plan = sample_plan()
    for side in ("left", "right"):
        plan = changed(plan, side, thickness=rows, saddle_change=Quantity(value=-1.9, sd=0.4))
    text = words(bench(tmp_path, plan)[0])
    moves = [
        float(size) * (1 if way == "up" else -1)
        for size, way in re.findall(r"Saddle ([\d.]+) mm (up|down)\.", text)
    ]
    assert moves == pytest.approx([-3.6, 1.7])
    assert sum(moves) == pytest.approx(-1.9)


def test_one_order_of_work_with_a_trial_in_each_row(tmp_path: Path) -> None:
    text = words(bench(tmp_path, sample_plan())[0])
    steps = [
        "1 baseline",
        "2 shoe",
        "3 cleat",
        "4 base and pad",
        "5a wedge LEFT",
        "5b wedge RIGHT",
        "6 baseline again",
    ]
    places = [text.index(f"☐ {step}") for step in steps]
    assert places == sorted(places)
    assert text.count("☐+ ☐= ☐−") == len(steps)


def test_steps_name_their_side_and_only_what_is_there(tmp_path: Path) -> None:
    """Left: heel shim and no pad; right: forefoot shim and pad."""
    plan = changed(sample_plan(), "left", pad=None, no_pad_because="no pad was wished")
    text = words(bench(tmp_path, plan)[0])
    assert "base LEFT and RIGHT, pad RIGHT:" in text
    assert "5a wedge LEFT: LEFT inside heel: base, shim, cover" in text
    assert "5b wedge RIGHT: RIGHT inside forefoot: base, shim, pad over the shim's" in text
    padless = changed(plan, "right", pad=None, no_pad_because="no pad was wished")
    assert "base, shim, cover" in words(bench(tmp_path, padless)[0])
    bare = sample_plan(pad_height=None, wedges=False)
    for side in ("left", "right"):
        bare = changed(bare, side, cleat=None)
    text = words(bench(tmp_path, bare)[0])
    for absent in ("wedge:", "and pad", "cleat:", "crest on its cross"):
        assert absent not in text, absent
    assert "4 baseline again" in text


def test_cover_is_a_part_a_step_and_in_the_table(tmp_path: Path) -> None:
    text = words(bench(tmp_path, sample_plan())[0])
    thick = default_limits().value("thickness.cover")
    assert f"cover {thick:g} mm (not supplied)" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "cover on" in text
    assert "with cover" in text
    plan = sample_plan(pad_height=None, wedges=False)
    bases = [part for part in all_parts(plan) if part.name == "base"]
    cut = [cover(part, 5.0, thick, "cover-foam") for part in bases]
    text = " ".join(_part_words(plan, [*bases, *cut]).split())
    assert "<b>LEFT</b> base, cover; <b>RIGHT</b> base, cover" in text
    assert "not supplied" not in text


def test_words_that_a_part_cannot_carry_are_listed(tmp_path: Path) -> None:
    part = Part(
        name="arch-pad",
        side=Side.LEFT,
        worn=True,
        vertices=np.zeros((0, 3)),
        faces=np.zeros((0, 3), dtype=int),
        outline=np.zeros((0, 2)),
        volume=1.0,
        material="trial-eva",
        facts=Facts(engraved=Engraved(paper_only=("SHOE SIDE", "ARCH PAD"))),
    )
    text = words(bench(tmp_path, sample_plan(), [part])[0])
    assert "write on by hand: SHOE SIDE, ARCH PAD" in text
    assert "kit pads from the kit, or print the file" in text  # the sample's pads are of a kit


def test_tender_spot_is_under_the_pad_of_its_foot(tmp_path: Path) -> None:
    plan = sample_plan().model_copy(update={"wishes": {"left": {"tender": [[135.0, 15.0]]}}})
    page = bench(tmp_path, plan)[0]
    assert "Tender spot: 135 mm from rear, 15 mm towards big toe: a relief was wished" in column(
        page, "left"
    )
    assert "Tender" not in column(page, "right")


def test_a_foot_scanned_in_the_air_gives_a_trial_height(tmp_path: Path) -> None:
    plan = changed(sample_plan(), "left", load="none")
    text = [column(bench(tmp_path, plan)[0], side) for side in ("left", "right")]
    assert "trial height ± 2 mm" in text[0]  # the gap's ± 1.5 mm, to the millimetre
    assert "trial height" not in text[1]


def test_a_pad_of_the_kit_has_one_size(tmp_path: Path) -> None:
    plan = sample_plan()
    pad = plan.left.pad.model_copy(update={"name": "kit pad 9 high, 64 long, 40 wide"})
    plan = changed(plan, "left", pad=pad)
    assert pad.crest.height == 9.0
    text = column(bench(tmp_path, plan)[0], "left")
    assert "Kit pad 9 high, 64 long, 40 wide" in text
    assert "×" not in text.split("Parts")[0]
    assert "9.0 mm high" not in text
    scanned = changed(plan, "left", pad=pad.model_copy(update={"source": "scan", "name": "pad"}))
    (low_x, low_y), (high_x, high_y) = (f(np.array(pad.outline), axis=0) for f in (np.min, np.max))
    size = f"{high_x - low_x:.0f} × {high_y - low_y:.0f} mm"
    assert size in column(bench(tmp_path, scanned)[0], "left")


def test_a_pair_of_one_wedge_is_one_step(tmp_path: Path) -> None:
    plan = sample_plan()
    same = plan.left.wedges
    text = words(bench(tmp_path, changed(plan, "right", wedges=same))[0])
    assert "5 wedge:" in text
    assert "5a wedge" not in text
    assert "5b wedge" not in text


def test_drill_line_of_dowels(tmp_path: Path) -> None:
    """A base of 2.4 mm keeps 1.2 mm under a hole."""
    spots = [(117.0, 9.0), (141.0, -3.0)]
    plan = sample_plan()
    base = plan.left.base.model_copy(update={"dowels": spots, "thickness": 2.4})
    page = bench(tmp_path, changed(plan, "left", base=base))[0]
    text = column(page, "left")
    assert "Dowels: drill 4.3 mm at 117/9, 141/3 little-toe" in text
    assert "pad 2.0, base 1.2 mm deep" in text
    assert "Dowels" not in column(page, "right")


def test_thickness_is_told_at_both_sides_where_they_differ(tmp_path: Path) -> None:
    rows = [
        ThicknessRow(station="heel", before=4.5, after=3.0, medial=3.0, lateral=3.0),
        ThicknessRow(station="arch", before=5.0, after=9.9),
        ThicknessRow(station="ball", before=3.5, after=5.1, medial=4.0, lateral=6.3),
        ThicknessRow(station="toes", before=3.0, after=3.0, medial=3.0, lateral=3.0),
    ]
    text = column(bench(tmp_path, changed(sample_plan(), "left", thickness=rows))[0], "left")
    wanted = "before 4.5 5.0 3.5 3.0 big-toe side 4.0 middle 3.0 9.9 5.1 3.0 little-toe side 6.3"
    assert wanted in text
    # 35 % of the breadth to each side of its middle, which is a little off the centreline
    foot = sample_plan().left
    x = (foot.landmarks["mth1"][0] + foot.landmarks["mth5"][0]) / 2
    ring = shapely.Polygon(foot.base.outline)
    _, low, _, high = ring.intersection(shapely.LineString([(x, -99.0), (x, 99.0)])).bounds
    big, little = (f"{0.35 * (high - low) + s * (low + high) / 2:.0f}" for s in (1, -1))
    assert f"Sides, mm from centreline: ball {big}" in text
    assert big == little or f"{little} to little toe" in text


def test_unmeasured_thickness_is_a_dash_with_its_reason(tmp_path: Path) -> None:
    rows = [
        ThicknessRow(station=name, before=None, after=2.5)
        for name in ("heel", "arch", "ball", "toes")
    ]
    text = column(bench(tmp_path, changed(sample_plan(), "left", thickness=rows))[0], "left")
    assert "before – – – –" in text
    assert "was not measured" in text


def test_every_bolt_has_its_length_and_the_other_foot_its_old_ones(tmp_path: Path) -> None:
    """Thickness over a plane: thin edge + tan(angle) times the way from it; bolts 12 mm before.

    The sample's pattern has a bolt ahead in the middle and two 18 mm to either side; the thin
    edge of a -1° shim is its medial one. Short screws are sold as 12, 16, 20 mm (ISO 888, value
    from memory).
    """
    plan = sample_plan(under=True)
    page = bench(tmp_path, plan)[0]
    text = column(page, "right")
    shim = plan.right.wedges[-1]
    sides = [y for _, y in shim.outline]
    middle = (min(sides) + max(sides)) / 2
    for name, y in (("front", 0.0), ("rear, big-toe side", 18.0), ("rear, little-toe side", -18.0)):
        added = shim.edge + math.tan(math.radians(1.0)) * (max(sides) - middle - y)
        row = f"{name} 12 {added:.1f} {12 + added:.1f} 16, cut {16 - 12 - added:.1f}"
        assert row in text, row
    assert "LEFT: old bolts" in column(page, "left")
    assert f"{shim.thick_edge + 12:.1f}" not in text  # the shim's edges carry no bolt
    assert "CLEAT SIDE down, plain face to the sole" in text
    assert f"full height {shim.full_from:.0f}" not in text


def test_bolts_without_a_measured_pattern_are_told_by_the_plan(tmp_path: Path) -> None:
    plan = warned(sample_plan(under=True), "right", ("under-bolts", "each as long as it needs"))
    text = column(bench(tmp_path, plan.model_copy(update={"shoe": None}))[0], "right")
    assert "each as long as it needs" in text


@pytest.mark.parametrize("forefoot", [2.0, -1.0])
def test_a_built_in_wedge_moves_the_saddle_with_its_bed(forefoot: float) -> None:
    """There is no wedge to put in after it, so that the bed's step takes all that it changes."""
    wish = FootWish.of(contoured="full", forefoot=forefoot)
    shoe = parse(SHOE | {"stock_insole": {"kept": False, "thickness": STOCK | {"ball": 5.0}}})
    plan = planner.plan(None, feet.analytic(), shoe, PlanWishes(both=wish, case="larch"))
    (foot,) = plan.feet
    assert foot.contour is not None
    assert foot.contour.posting
    asked = foot.saddle_change
    assert asked is not None
    assert asked.value is not None
    assert -1.9 < asked.value < 0.9  # the flat part of the bed alone would be 2 mm down
    said = "".join(_saddle_moves(plan).values()).replace("\N{NO-BREAK SPACE}", " ")
    assert said == (f" <b>Saddle {-asked.value:.1f} mm down.</b>" if asked.value <= -1.0 else "")
