"""Laws of plans over many feet and wishes: no number here but what the rules say themselves."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from insole.errors import RefusedError
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.planning.wedge_rules import WedgeWish
from insole.planning.wedging import plan_wedges
from insole.record.limits import default_limits
from insole.record.plan import Plan
from insole.record.values import HeightGrid
from insole.shoe.shoe import parse
from tests import feet
from tests.plans import bed_ring

pytestmark = pytest.mark.long

LIMITS = default_limits()
STOCK = {"heel": 5.0, "arch": 4.0, "ball": 3.0, "toes": 3.0}
FEW = settings(max_examples=8, deadline=None, derandomize=True)
MANY = settings(max_examples=150, deadline=None, derandomize=True)
SHAPES = st.fixed_dictionaries(
    {
        "length": st.sampled_from([245.0, 268.0]),
        "arch": st.sampled_from([9.0, 14.0, 22.0]),
        "arch_at": st.sampled_from([0.44, 0.47]),
    }
)


def shoe(cant: float = 0.0, kept: float = 0.0, length: float = 290.0):
    return parse(
        {
            "name": "level",
            "inside": {"length": length, "ball_width": 106, "heel_width": 74},
            "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
            "shell": {"cant_forefoot": cant},
            "stock_insole": {"kept": kept != 0.0, "cant_forefoot": kept, "thickness": STOCK},
        }
    )


SHOE = shoe()


def made(foot, side: str = "right", bed=SHOE, **wish) -> Plan:
    both = (foot, None) if side == "left" else (None, foot)
    return planner.plan(*both, bed, PlanWishes(both=FootWish.of(**wish)))


def heights(top: HeightGrid, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return stored heights on shared nodes; the edge's height beyond them."""
    z = np.full((len(x), len(y)), -np.inf)
    i, j = round((top.x0 - x[0]) / top.step), round((top.y0 - y[0]) / top.step)
    grid = np.asarray(top.z)
    z[i : i + grid.shape[0], j : j + grid.shape[1]] = grid
    return z


@FEW
@given(shape=SHAPES, low=st.floats(0.3, 0.9), more=st.floats(0.05, 0.3))
def test_a_higher_support_level_never_lowers_the_pad(shape, low, more):
    """Node by node; 0.02 mm for rounding of stored heights and outline."""
    foot = feet.analytic(**shape)
    a, b = (made(foot, support_level=round(v, 3)).right for v in (low, min(low + more, 1.1)))
    if a.pad is None:
        return
    assert b.pad is not None
    x = np.arange(-40.0, 400.0, a.pad.top.step) + a.pad.top.x0 % a.pad.top.step
    y = np.arange(-100.0, 100.0, a.pad.top.step) + a.pad.top.y0 % a.pad.top.step
    lower, higher = heights(a.pad.top, x, y), heights(b.pad.top, x, y)
    inside = shapely.contains_xy(shapely.Polygon(a.pad.outline), *np.meshgrid(x, y, indexing="ij"))
    shared = np.isfinite(lower) & np.isfinite(higher) & inside  # beyond a wall nodes only go on
    assert shared.sum() > 200
    assert (higher[shared] >= lower[shared] - 0.02).all()
    assert b.pad.crest.height >= a.pad.crest.height - 0.02


@FEW
@given(
    shape=SHAPES,
    wish=st.sampled_from(
        [
            {},
            {"forefoot": 2.0},
            {"heel": -1.0},
            {"shift": (-3.0, 2.0)},
            {"turn": 5.0, "cleat_yaw": 2.0},
        ]
    ),
)
def test_a_mirrored_foot_gives_the_mirrored_plan(shape, wish):
    """In the canonical frame both plans are the same, but for the side and the file's name."""
    bed = parse(
        SHOE.record() | {"stock_insole": {"kept": False, "thickness": STOCK | {"ball": 5.0}}}
    )
    left = made(feet.analytic(side="left", **shape), "left", bed, **wish).left.model_dump()
    right = made(feet.analytic(side="right", **shape), bed=bed, **wish).right.model_dump()
    for name in ("side", "scan_file"):
        assert left.pop(name) != right.pop(name)
    assert left == right


@pytest.mark.long
@pytest.mark.usefixtures("anew")
@FEW
@given(shape=SHAPES, along=st.integers(-3, 1), across=st.integers(-2, 2))
def test_there_and_back_is_the_plan_again(shape, along, across):
    """By whole millimetres and by what the wishes then say: the same record, byte for byte."""
    foot = feet.analytic(**shape)
    start = made(foot, shift=(0.0, 0.0)).right
    there = (3.0 * along, 3.0 * across)
    moved = made(foot, shift=there).right
    back = made(foot, shift=(there[0] - 3.0 * along, there[1] - 3.0 * across)).right
    assert back == start
    if start.pad is not None and moved.pad is not None and there != (0.0, 0.0):
        assert moved.pad.shift == there
        assert moved.pad != start.pad


def wedges(bed, **wish):
    return plan_wedges(
        landmarks={"mth1": np.array([200.0, 26.0, 0.0]), "mth5": np.array([175.0, -44.0, 0.0])},
        landmark_sd={},
        outline=bed_ring(),
        length=268.0,
        shoe=bed,
        wishes=WedgeWish(**wish),
        limits=LIMITS,
        confirm_zero=True,
    )


@MANY
@given(cant=st.floats(-3, 3).map(lambda v: round(v, 2)))
def test_a_shoe_with_the_wished_cant_needs_no_shim(cant):
    found = wedges(shoe(cant), forefoot=cant)
    assert found.wedges == ()
    assert found.roll == 0.0


@MANY
@given(cant=st.floats(-3, 3), kept=st.floats(-2, 2))
def test_no_wish_gives_no_shim_whatever_the_shoe_does(cant, kept):
    found = wedges(shoe(cant, kept))
    assert found.wedges == ()
    assert all("no wish" in text for text in found.because.values())


@MANY
@given(wish=st.floats(-2, 2), cants=st.lists(st.floats(-2, 2), min_size=2, max_size=4))
def test_the_net_shim_never_rises_with_the_cant_that_stays(wish, cants):
    """Signed: the more the shoe tilts to the medial side, the less is left to make."""
    nets = [wedges(shoe(cant), forefoot=wish).roll for cant in sorted(cants)]
    assert nets == sorted(nets, reverse=True)


@MANY
@given(wish=st.floats(-2, 2), cant=st.floats(-2, 2))
def test_rounding_goes_toward_zero_and_is_told(wish, cant):
    """Net is whole steps of 1 degree, never beyond what is missing, by less than a step."""
    found = wedges(shoe(cant), forefoot=wish)
    missing = wish - cant
    assert found.roll == pytest.approx(np.trunc(missing + np.sign(missing) * 1e-9), abs=1e-9)
    for wedge in found.wedges:
        assert wedge.net + wedge.remainder == pytest.approx(missing, abs=1e-8)


def codes(plan: Plan) -> set[str]:
    return {note.code for note in plan.right.notes}


@pytest.mark.parametrize(
    ("wish", "limit", "code"),
    [
        ("support_level", "support.warn_above", "level-presses"),
        ("forefoot", "wedge.forefoot.warn_deg", "wedge.forefoot.warn_deg"),
        ("heel", "wedge.heel.warn_deg", "wedge.heel.warn_deg"),
    ],
)
def test_warnings_come_above_their_number(wish, limit, code):
    """At the number: none. One step above: a warning."""
    at = LIMITS.value(limit)
    step = LIMITS.value("support.step" if wish == "support_level" else "wedge.step")
    foot = feet.analytic()
    wide = {"heel": "heel", "forefoot": "forefoot"}.get(wish)
    room = (
        LIMITS.changed(
            **{
                f"wedge__{wide}__warn_mm": 50.0,
                f"wedge__{wide}__refuse_mm": 60.0,
                "thickness__ball_refuse": 50.0,
            }
        )
        if wide
        else LIMITS
    )
    for value, expected in ((at, False), (at + step, True)):
        plan = planner.plan(
            None, foot, SHOE, PlanWishes(both=FootWish.of(**{wish: value})), limits=room
        )
        assert (code in codes(plan)) is expected


@pytest.mark.parametrize(
    ("wish", "limit"),
    [
        ("support_level", "support.refuse_above"),
        ("forefoot", "wedge.forefoot.refuse_deg"),
        ("heel", "wedge.heel.refuse_deg"),
        ("under", "wedge.under.refuse_deg"),
    ],
)
def test_refusals_come_above_their_number(wish, limit):
    at = LIMITS.value(limit)
    step = LIMITS.value("support.step" if wish == "support_level" else "wedge.step")
    free = {f"wedge__{p}__{k}_mm": 60.0 for p in ("forefoot", "heel") for k in ("warn", "refuse")}
    room = LIMITS.changed(**free, thickness__ball_refuse=50.0)
    bed = parse(SHOE.record() | {"cleat": {"holes": [[18, 0], [-14, 17], [-14, -17]]}})
    foot = feet.analytic()
    for value, sign in ((at, 1), (-at, -1)):
        if wish == "support_level" and sign < 0:
            continue
        plan = planner.plan(
            None, foot, bed, PlanWishes(both=FootWish.of(**{wish: value})), limits=room
        )
        assert plan.right is not None
        with pytest.raises(RefusedError, match=r"above"):
            planner.plan(
                None,
                foot,
                bed,
                PlanWishes(both=FootWish.of(**{wish: value + sign * step})),
                limits=room,
            )


@pytest.mark.parametrize("place", ["forefoot", "heel"])
def test_a_rise_in_mm_refuses_at_its_number(place):
    """The same wedge just below and just above a limit set to its own rise."""
    foot = feet.analytic()
    bed = parse(
        SHOE.record() | {"stock_insole": {"kept": False, "thickness": STOCK | {"ball": 5.0}}}
    )
    wedge = made(foot, bed=bed, **{place: 2.0}).right.wedges[0]
    rise = wedge.thick_edge - wedge.edge
    key = f"wedge__{place}__refuse_mm"
    wishes = PlanWishes(both=FootWish.of(**{place: 2.0}))
    assert planner.plan(None, foot, bed, wishes, limits=LIMITS.changed(**{key: rise + 0.01}))
    with pytest.raises(RefusedError, match=rf"wedge\.{place}\.refuse_mm"):
        planner.plan(None, foot, bed, wishes, limits=LIMITS.changed(**{key: rise - 0.01}))


@pytest.mark.parametrize(
    ("limit", "refused"), [("thickness.ball_warn", False), ("thickness.ball_refuse", True)]
)
def test_thickness_at_the_ball_warns_and_refuses_at_its_number(limit, refused):
    """Base and cover 3.0 mm against a stock insole thinner by just the limit, or by more."""
    for extra, beyond in ((0.0, False), (0.05, True)):
        thin = STOCK | {"ball": round(3.0 - LIMITS.value(limit) - extra, 3)}
        bed = parse(SHOE.record() | {"stock_insole": {"kept": False, "thickness": thin}})
        if refused and beyond:
            with pytest.raises(RefusedError, match="thicker than the insole"):
                made(feet.analytic(), bed=bed)
            continue
        assert ("thick-ball" in codes(made(feet.analytic(), bed=bed))) is (beyond or refused)


def test_left_and_right_warn_above_their_difference():
    most = LIMITS.value("wedge.side_difference")
    pair = feet.analytic(side="left"), feet.analytic(side="right")
    for apart, expected in ((most, False), (most + 1.0, True)):
        wishes = PlanWishes(left=FootWish.of(heel=2.0), right=FootWish.of(heel=2.0 - apart))
        plan = planner.plan(*pair, SHOE, wishes)
        assert any(n.code == "wedge-sides-heel" for n in plan.notes) is expected


FREE = LIMITS.changed(
    **{
        f"wedge__{place}__{kind}_{unit}": 60.0
        for place in ("forefoot", "heel")
        for kind in ("warn", "refuse")
        for unit in ("deg", "mm")
    }
)


@pytest.mark.parametrize(
    ("limit", "place", "code"),
    [
        ("wedge.sum_warn", "forefoot", "wedge.sum_warn"),
        ("wedge.twist", "heel", "wedge-twist"),
        ("wedge.first_trial", "heel", "wedge-first-trial"),
    ],
)
def test_sums_twist_and_first_trial_warn_above_their_number(limit, place, code):
    """A level shoe and one wedge: its angle is sum, twist and total at once."""
    for value, expected in ((LIMITS.value(limit), False), (LIMITS.value(limit) + 1.0, True)):
        found = plan_wedges(
            landmarks={"mth1": np.array([200.0, 26.0, 0.0]), "mth5": np.array([175.0, -44.0, 0.0])},
            landmark_sd={},
            outline=bed_ring(),
            length=268.0,
            shoe=SHOE,
            wishes=WedgeWish(**{place: value}),
            limits=FREE,
        )
        assert (code in {note.code for note in found.notes}) is expected


def test_the_sum_at_the_ball_refuses_above_its_number():
    """The shoe's own cant counts: 5 and 3 degrees are at 8, half a degree more is above."""
    most = LIMITS.value("wedge.sum_refuse")
    for cant, refused in ((most - 5.0, False), (most - 4.5, True)):
        call = {
            "landmarks": {
                "mth1": np.array([200.0, 26.0, 0.0]),
                "mth5": np.array([175.0, -44.0, 0.0]),
            },
            "landmark_sd": {},
            "outline": bed_ring(),
            "length": 268.0,
            "shoe": shoe(cant),
            "wishes": WedgeWish(forefoot=cant + 5.0),
            "limits": FREE,
        }
        if refused:
            with pytest.raises(RefusedError, match=r"wedge\.sum_refuse"):
                plan_wedges(**call)
        else:
            assert plan_wedges(**call).sum_ball == pytest.approx(most)
