"""The arch pad: rules kept everywhere, more support never lower, moves that can be taken back."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from scipy.interpolate import RectBivariateSpline

from footscan.scan import Load
from insole.errors import PlanError, RefusedError
from insole.planning import outline, seating
from insole.planning.ramp import inside_height
from insole.planning.support import level as levels
from insole.planning.support import pad as support
from insole.planning.support import surface
from insole.planning.support.ceilings import low_pass
from insole.planning.support.pad import plan_pad
from insole.planning.support.surface import FREE, feel_of, follow, lower_of
from insole.planning.support.wish import SupportWish, move_words
from insole.record import rings
from insole.record.limits import default_limits
from insole.record.planned_parts import PadPlan, WedgePlace
from insole.record.values import Override
from insole.shoe.shoe import parse
from tests import feet
from tests.plans import sample_wedge

LIMITS = default_limits()
FEEL = feel_of(LIMITS)
LEVEL_BED = {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}}
SHOE = parse(
    {
        "name": "level",
        "bed": LEVEL_BED,
        "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
    }
)
RELAXED = LIMITS.changed(feel__slope=60.0, keepout__first_metatarsal_fill=1.0)


def seated(shoe=SHOE, **shape):
    measured = feet.analytic(**shape)
    return seating.seat(measured, outline.lay_out(measured, shoe, LIMITS), shoe, limits=LIMITS)


def made(seat=None, limits=LIMITS, **wish) -> PadPlan:
    result = plan_pad(seat or seated(), wish=SupportWish(**wish), limits=limits)
    assert result.pad is not None, result.because
    return result.pad


def sampled(pad: PadPlan, step: float = 1.0):
    """Return x, y, top and slope (by x and by y) inside the outline, from a bicubic spline."""
    grid = pad.top
    z = np.asarray(grid.z)
    spline = RectBivariateSpline(
        grid.x0 + grid.step * np.arange(z.shape[0]), grid.y0 + grid.step * np.arange(z.shape[1]), z
    )
    ring = np.asarray(pad.outline)
    x, y = np.meshgrid(
        *(np.arange(ring[:, k].min(), ring[:, k].max(), step) for k in (0, 1)), indexing="ij"
    )
    inside = shapely.contains_xy(shapely.Polygon(ring), x, y)
    x, y = x[inside], y[inside]
    return (
        x,
        y,
        spline(x, y, grid=False),
        spline(x, y, dx=1, grid=False),
        spline(x, y, dy=1, grid=False),
    )


def spots(seat, x, y, **shape):
    """Return the formula's sole height above the bed at places of the bed, mm."""
    inverse = np.linalg.inv(seat.foot_to_bed)
    foot = np.column_stack([x, y, np.full(len(x), seat.foot_to_bed[2, 3])]) @ inverse[:3, :3].T
    foot += inverse[:3, 3]
    return feet.analytic_sole(foot[:, 0], foot[:, 1], **shape)


def smooth_slope(seat, x, y, **shape):
    """Return the gradient by x and by y of the formula's gap without waves under 15 mm."""
    at = [np.arange(v.min() - 20.0, v.max() + 21.0) for v in (x, y)]
    gx, gy = np.meshgrid(*at, indexing="ij")
    gap = np.clip(spots(seat, gx.ravel(), gy.ravel(), **shape), 0.0, None).reshape(gx.shape)
    sigma = 15.0 * math.sqrt(math.log(2.0) / 2.0) / math.pi
    slopes = np.gradient(ndimage.gaussian_filter(np.nan_to_num(gap), sigma, mode="nearest"))
    uv = [x - at[0][0], y - at[1][0]]
    return tuple(ndimage.map_coordinates(s, uv, order=1) for s in slopes)


@pytest.fixture(scope="module")
def pads():
    """Pads of several feet, from scan and kit."""
    found = []
    for shape in ({"arch": 10.0}, {"arch": 18.0}, {"arch": 13.0, "length": 235.0, "breadth": 88.0}):
        seat = seated(**shape)
        for source in ("scan", "kit"):
            result = plan_pad(seat, wish=SupportWish(source=source, level=1.0), limits=LIMITS)
            if result.pad is not None:
                found.append((seat, shape, result.pad))
    assert {pad.source for _, _, pad in found} == {"scan", "kit"}
    return found


def test_the_top_never_passes_the_wished_share_of_the_gap(pads):
    """Against the formula of the sole; 1 mm cells and the 15 mm low-pass are worth 0.5 mm."""
    for seat, shape, pad in pads:
        x, y, top, _, _ = sampled(pad)
        thick = top > pad.edge + 0.05
        truth = spots(seat, x, y, **shape)
        assert np.max((top - pad.support_level * truth)[thick]) < 0.5


def test_the_residual_gap_changes_slowly_where_the_sole_is_followed(pads):
    """Against the formula: away from the run-outs and the flange the rule is 0.40 mm per mm."""
    for seat, shape, pad in pads:
        if pad.source == "kit":
            continue
        x, y, top, dx, dy = sampled(pad)
        gx, gy = smooth_slope(seat, x, y, **shape)
        ring = shapely.Polygon(pad.outline)
        # past the ramps of front and rear, below the flange, off the border
        inner = (np.abs(x - pad.crest.from_rear) < 10.0) & (top < 9.5)
        inner &= shapely.distance(ring.exterior, shapely.points(x, y)) > 6.0
        change = np.hypot(gx - dx, gy - dy)
        # 1 mm cells, the 15 mm low-pass against the bare formula: a tenth
        # a spline over nodes 2 mm apart swings where the rule starts to bind
        assert np.percentile(change[inner], 98) <= 0.40 + 0.20
        assert inner.sum() > 50


def test_front_and_rear_run_out_and_the_edge_is_no_step(pads):
    for _, _, pad in pads:
        x, _, _, dx, _ = sampled(pad)
        near = (x < pad.rear_edge + 10.0) | (x > pad.front_edge - 10.0)
        # 2 mm nodes: a bicubic spline may swing by about a degree where a slope starts
        assert np.degrees(np.arctan(np.abs(dx[near]))).max() <= 35.0 + 2.5
        ring = np.asarray(pad.outline)
        z = np.asarray(pad.top.z)
        spline = RectBivariateSpline(
            pad.top.x0 + 2.0 * np.arange(z.shape[0]), pad.top.y0 + 2.0 * np.arange(z.shape[1]), z
        )
        edge = spline(ring[:, 0], ring[:, 1], grid=False)
        assert pad.edge <= 0.5
        lateral = ring[:, 1] < np.median(ring[:, 1])
        assert np.maximum(edge, pad.edge)[lateral].max() - pad.edge < 0.3  # crossed by the foot


def test_the_medial_side_stands_below_the_flange(pads):
    """Its height is that of the top at the base's medial edge, never above 16 mm."""
    for seat, _, pad in pads:
        if pad.source == "kit":
            continue
        assert 2.0 < pad.medial_height <= 16.0
        ring = np.asarray(pad.outline)
        _, medial = rings.edges_at(seat.base, ring[:, 0])
        stands = medial - ring[:, 1] < 5.0
        x, y, top, _, _ = sampled(pad)
        near = top[np.abs(y - np.interp(x, *ring[stands][np.argsort(ring[stands][:, 0])].T)) < 2.0]
        assert near.max() == pytest.approx(pad.medial_height, abs=0.6)
        assert pad.rim_radius == 3.0


def test_the_crest_is_inside_pad_and_base_on_the_arch_line(pads):
    for seat, _, pad in pads:
        place = shapely.Point(pad.crest.from_rear, pad.crest.y)
        assert shapely.Polygon(pad.outline).buffer(-3.0).contains(place)
        assert shapely.Polygon(seat.base).contains(place)
        _, medial = rings.edges_at(seat.base, pad.crest.from_rear)
        assert float(medial[0]) - pad.crest.y == pytest.approx(pad.crest.from_medial, abs=0.02)
        if pad.source == "scan":
            line = support.line_at(seat, np.array([pad.crest.from_rear]))[0]
            assert pad.crest.y == pytest.approx(line, abs=0.5)


def test_places_kept_free_are_free(pads):
    """Each rule against the landmarks and the formula's outline, not against our ceilings."""
    for seat, shape, pad in pads:
        length, breadth = shape.get("length", 260.0), shape.get("breadth", 98.0)
        x, y, top, _, _ = sampled(pad)
        t, f = (seat.landmarks[n] for n in ("metatarsale_tibiale", "metatarsale_fibulare"))
        along = (t - f)[:2] / np.linalg.norm((t - f)[:2])
        behind = along[0] * (y - f[1]) - along[1] * (x - f[0])
        assert behind.min() >= 10.0 + 1.96 * feet.LANDMARK_SD - 1.0  # outline on a 1 mm grid
        assert top[behind < 19.0].max(initial=0.0) <= 2.05
        rear = seat.landmarks["pternion"][0]
        assert x.min() >= rear + 0.28 * length - 1.0
        u = np.clip((x - rear) / length, 0.0, 1.0)
        medial, lateral = (
            np.interp(u, *np.array(edge).T) * breadth for edge in (feet.MEDIAL, feet.LATERAL)
        )
        share = (medial - y) / (medial - lateral)
        # straight pieces of the outline against the smooth one; kit pads have their own width
        assert share.max() <= 0.55 + (0.12 if pad.source == "kit" else 0.03)
        head = seat.landmarks["mth1"]
        half = (x > head[0] - 0.14 * length) & (share < 0.30) & (top > pad.edge + 0.05)
        truth = spots(seat, x, y, **shape)
        assert np.max((top - 0.5 * truth)[half], initial=0.0) < 0.6


def test_the_outline_is_smooth_and_inside_the_base(pads):
    for seat, _, pad in pads:
        ring = shapely.Polygon(pad.outline)
        assert ring.is_valid
        assert ring.exterior.is_ccw
        assert shapely.Polygon(seat.base).buffer(-0.5).contains(ring)
        edge = np.diff(np.vstack([pad.outline, pad.outline[:2]]), axis=0)
        bend = np.diff(np.unwrap(np.arctan2(edge[:, 1], edge[:, 0])))
        assert np.degrees(np.abs(bend)).max() < 18.0


def test_a_pad_has_the_size_of_a_pad(pads):
    """Sizes that a footbed maker would expect: common practice, no source."""
    for _, _, pad in pads:
        length, width = np.ptp(np.asarray(pad.outline), axis=0)
        assert 50.0 <= length <= 115.0
        assert 28.0 <= width <= 64.0
        assert 2.0 <= pad.crest.height <= 18.0
        assert pad.front_edge - pad.rear_edge == pytest.approx(length, abs=0.02)


@settings(max_examples=5, deadline=None)
@given(low=st.floats(0.3, 1.05), more=st.floats(0.01, 0.5), arch=st.integers(8, 20))
def test_more_support_never_lowers_the_pad(low, more, arch):
    seat = seated(arch=float(arch))
    less, full = (
        plan_pad(seat, wish=SupportWish(level=v), limits=LIMITS).pad
        for v in (low, min(low + more, 1.1))
    )
    if less is None:
        return
    assert full is not None
    ring = shapely.Polygon(less.outline)
    for row, heights in enumerate(less.top.z):
        i = round((less.top.x0 - full.top.x0) / 2.0) + row
        for column, height in enumerate(heights):
            j = round((less.top.y0 - full.top.y0) / 2.0) + column
            at = less.top.x0 + 2.0 * row, less.top.y0 + 2.0 * column
            if height > less.edge + 0.02 and ring.contains(shapely.Point(at)):
                assert full.top.z[i][j] >= height - 0.03  # arcs of the rounded border as chords, mm


def test_a_wish_that_nothing_binds_is_met_at_the_apex():
    """With slopes and radii out of the way the crest takes the wished share, under the apex."""
    seat = seated(arch=6.0)
    pad = made(seat, limits=RELAXED, level=1.0)
    apex = seat.landmarks["arch_apex"]
    assert abs(pad.crest.from_rear - apex[0]) <= 2.0
    assert pad.residual_gap.value < 0.6


def test_the_crest_lies_under_the_apex_of_any_arch():
    for at in (0.40, 0.45, 0.50):
        seat = seated(arch=12.0, arch_at=at)
        off = made(seat).crest.from_rear - seat.landmarks["arch_apex"][0]
        assert -5.5 <= off <= 3.5  # grid of 1 mm


def test_a_moved_pad_is_the_same_pad_moved():
    """Crest, turn and rear edge go with it by what was asked; what is cut off is said."""
    seat = seated(arch=12.0)
    start = made(seat)
    there = made(seat, shift=(4.0, -2.0))
    back = made(seat, shift=(0.0, 0.0))
    assert back == start
    assert there.crest.from_rear - start.crest.from_rear == pytest.approx(4.0, abs=0.01)
    assert there.crest.y - start.crest.y == pytest.approx(-2.0, abs=0.01)
    assert there.rear_edge - start.rear_edge == pytest.approx(4.0, abs=0.5)
    assert there.shift == (4.0, -2.0)
    assert any("the same pad, 4 mm forward, 2 mm lateral" in text for text in there.reasons)


@pytest.mark.parametrize("forward", [3.0, -3.0])
def test_a_moved_pad_is_no_lower_where_no_rule_and_no_wish_asks_for_it(forward):
    """Against the sole it was moved off its gap changes faster: that takes nothing off it."""
    seat = seated(arch=18.0)
    start, there = made(seat, level=0.8), made(seat, level=0.8, shift=(forward, 0.0))
    least = min(start.crest.height, 0.8 * there.gap_at_crest.value)
    assert there.crest.height == pytest.approx(least, abs=0.3)
    assert not [text for text in there.binding if "no edge is felt" in text]
    cut = next(text for text in there.reasons if "the same pad" in text)
    end = "front" if forward > 0 else "rear"
    assert "cut back" not in cut or f"most at its {end} half" in cut


def test_a_turned_pad_keeps_its_crest_and_its_height():
    seat = seated(arch=12.0)
    start, there = made(seat), made(seat, turn=5.0)
    assert there.crest.from_rear == start.crest.from_rear
    assert there.crest.height == pytest.approx(start.crest.height, abs=0.6)


def test_a_moved_pad_still_keeps_the_rules():
    seat = seated(arch=14.0)
    pad = made(seat, shift=(12.0, 3.0), turn=10.0, level=1.0)
    x, y, top, _, _ = sampled(pad)
    thick = top > pad.edge + 0.05
    assert np.max((top - spots(seat, x, y))[thick]) < 0.5
    notes = plan_pad(seat, wish=SupportWish(shift=(12.0, 3.0)), limits=LIMITS).notes
    assert any(n.code == "pad-moved" and "12 mm forward, 3 mm medial" in n.text for n in notes)
    assert any(n.code == "crest-off-apex" for n in notes)


@pytest.mark.parametrize("shift", [0.0, -12.0])
def test_a_pad_lies_on_no_more_of_a_shim_than_a_millimetre(shift):
    """The heel shim tapers out under the pad's rear: pad and taper share 1 mm and no more."""
    seat = seated(arch=14.0)
    shim = sample_wedge(np.asarray(seat.base), WedgePlace.HEEL, 4.0)
    wish = SupportWish(level=1.0, shift=(shift, 0.0))
    found = plan_pad(seat, wish=wish, wedges=[shim], limits=LIMITS).pad
    free = plan_pad(seat, wish=wish, limits=LIMITS).pad
    x, y, _, _, _ = sampled(found)
    wide = np.ptp([y for _, y in shim.outline])
    ramp = shim.edge + wide * math.tan(math.radians(4.0))  # full height on the thick side
    ends = shim.full_to + shim.taper_front * (1.0 - (1.0 - shim.edge) / (ramp - shim.edge))
    assert found.rear_edge > ends > free.rear_edge + 2.0
    assert 0.5 < inside_height([shim], x, y).max() <= 1.0


@pytest.mark.parametrize("level", [0.6, 0.8, 1.0])
@pytest.mark.parametrize("arch", [8.0, 12.0, 16.0])
def test_the_crest_fills_what_was_wished(arch, level):
    """Within 3 points: neither the run-out at the heel nor the crest's window takes any of it."""
    pad = made(seated(arch=arch), level=level)
    filled = pad.crest.height / pad.gap_at_crest.value
    assert level - 0.03 <= filled <= level + 0.01


@pytest.mark.parametrize("depth", [None, 1.0, 2.0])
def test_a_tender_spot_gets_a_shallow_relief(depth):
    """As deep as wished over the spot, nothing far from it, no crater: a slope of at most 0.4."""
    seat = seated(arch=14.0)
    spot = (125.0, 12.0)
    plain, pad = made(seat), made(seat, tender=(spot,), relief=depth)
    x, y, top, _, _ = sampled(pad)
    _, _, before, _, _ = sampled(plain)
    assert len(top) == len(before)
    away = np.hypot(x - spot[0], y - spot[1])
    off = before - top
    full = (away < 7.0) & (before > 5.0)  # at a low place less is there to take
    assert full.sum() > 60
    wanted = 1.5 if depth is None else depth
    assert np.median(off[full]) == pytest.approx(wanted, abs=0.1)
    assert off.max() < wanted + 0.55  # beside it what rules take together
    assert np.abs(off[away > 32.0]).max() < 0.1
    assert off.min() > -0.05
    with pytest.raises(PlanError, match="lies off the foot"):
        plan_pad(seat, wish=SupportWish(tender=((150.0, 120.0),)), limits=LIMITS)


@pytest.mark.parametrize("depth", [0.3, 3.5, math.nan])
def test_a_relief_that_is_none_is_refused(depth):
    with pytest.raises(PlanError, match="relief cannot be"):
        plan_pad(seated(), wish=SupportWish(tender=((120.0, 10.0),), relief=depth), limits=LIMITS)


def test_a_flat_foot_gets_no_pad_and_the_reason():
    result = plan_pad(seated(arch=1.0), wish=SupportWish(), limits=LIMITS)
    assert result.pad is None
    assert "nothing to fill" in result.because


def test_an_arch_that_was_not_seen_gets_no_pad():
    seat = seated()
    marks = {k: v for k, v in seat.landmarks.items() if k != "arch_apex"}
    result = plan_pad(replace(seat, landmarks=marks), wish=SupportWish(), limits=LIMITS)
    assert result.pad is None
    assert "not seen from below" in result.because


def test_less_sure_landmarks_keep_the_front_further_back():
    sure, unsure = (made(seated(landmark_sd=sd)).front_edge for sd in (0.5, 5.0))
    assert unsure < sure
    binding = made(seated(arch=18.0, landmark_sd=5.0), level=1.0).binding
    assert any("9.8 mm for the landmarks' uncertainty" in text for text in binding)


@pytest.mark.parametrize(("arch", "arch_at"), [(22.0, 0.55), (24.0, 0.60)])
def test_a_pad_that_reaches_the_ball_ends_10_mm_and_its_band_behind_it(arch, arch_at):
    """The width stands here as well: on such an arch both the rule and its number decide."""
    seat = seated(arch=arch, arch_at=arch_at, landmark_sd=1.5)
    pad = made(seat, level=1.0)
    marks = {name: np.array(at[:2]) for name, at in seat.landmarks.items()}
    medial, lateral = marks["metatarsale_tibiale"], marks["metatarsale_fibulare"]
    medial[0], lateral[0] = min(medial[0], marks["mth1"][0]), min(lateral[0], marks["mth5"][0])
    line = shapely.LineString([lateral + 9 * (lateral - medial), medial + 9 * (medial - lateral)])
    away = shapely.distance(shapely.points(np.asarray(pad.outline)), line).min()
    assert 0.0 <= away - (10.0 + 1.96 * 1.5) < 1.0
    assert any(text.startswith("the front edge stays 12.9 mm behind") for text in pad.binding)


@pytest.mark.parametrize(
    ("load", "shoe", "wanted", "level"),
    [
        (Load.HALF, SHOE, None, 0.8),
        (Load.NONE, SHOE, None, 0.6),
        (Load.UNKNOWN, SHOE, None, 0.6),
        (Load.HALF, None, None, 0.6),
        (Load.HALF, None, 0.9, 0.6),
        (Load.HALF, None, 0.5, 0.5),
        (Load.NONE, SHOE, 0.9, 0.9),
    ],
)
def test_the_level_starts_lower_where_load_or_bed_is_unknown(load, shoe, wanted, level):
    assert levels.support_level(wanted, seated(shoe, load=load), LIMITS)[0] == level


def test_too_much_support_is_warned_refused_and_signed_for():
    seat = seated()
    assert [n.code for n in levels.support_level(1.05, seat, LIMITS)[1]] == ["level-presses"]
    with pytest.raises(RefusedError, match="above 110 %"):
        levels.support_level(1.2, seat, LIMITS)
    signed = Override(
        limit="support.refuse_above", who="A. Fitter", why="second trial", when="2026-05-01"
    )
    assert levels.support_level(1.2, seat, LIMITS, [signed])[0] == 1.2


@pytest.mark.parametrize(
    ("wish", "match"),
    [
        ({"level": 0.05}, "support level of 5 %"),
        ({"level": math.nan}, "support level"),
        ({"source": "shelf"}, "'scan' or 'kit'"),
        ({"shift": (50.0, 0.0)}, "moved 50 mm forward"),
        ({"turn": 90.0}, "turned by 90"),
    ],
)
def test_wishes_out_of_range_are_named(wish, match):
    with pytest.raises(PlanError, match=match):
        plan_pad(seated(), wish=SupportWish(**wish), limits=LIMITS)


def test_kit_pads_lie_on_the_grid():
    seat = seated(arch=16.0)
    for shift in ((0.0, 0.0), (-4.0, 1.0)):
        pad = made(seat, source="kit", shift=shift, level=1.0)
        _, medial = rings.edges_at(seat.base, pad.crest.from_rear)
        start = seat.station + 0.28 * 260.0
        assert (pad.turn / 5.0) % 1.0 == pytest.approx(0.0)
        # the crest of a turned or flat-topped pad is found to about 1 mm
        for along in (
            (pad.crest.from_rear - start) / 3.0,
            (float(medial[0]) - pad.crest.from_medial) / 3.0,
        ):
            assert abs(along - round(along)) * 3.0 < 1.0


def test_creases_are_not_copied():
    """A crease 2 mm deep and 3 mm wide in the sole leaves less than a fifth in the pad."""
    plain, creased = (seated(arch=10.0, spots=s) for s in ((), ((117.0, 8.0, 2.0, 1.5),)))
    tops = []
    for seat in (plain, creased):
        pad = made(seat, level=1.0)
        x, y, top, _, _ = sampled(pad)
        at = seat.foot_to_bed @ [117.0, 8.0, 0.0, 1.0]
        tops.append(float(top[np.hypot(x - at[0], y - at[1]) < 2.0].mean()))
    assert abs(tops[1] - tops[0]) < 0.45


@pytest.mark.parametrize(("wavelength", "passed"), [(15.0, 0.5), (60.0, 0.957), (5.0, 0.002)])
def test_low_pass_halves_the_cut_off_wavelength(wavelength, passed):
    """Transfer of a Gaussian filter: 2 to the power -(cut-off / wavelength)²."""
    assert 2.0 ** -((15.0 / wavelength) ** 2) == pytest.approx(passed, abs=0.001)
    x = np.arange(600.0)
    wave = np.cos(2 * np.pi * x / wavelength)[:, None] * np.ones(40)
    kept = np.abs(low_pass(wave, 15.0)[200:400, 20]).max() / np.abs(wave[200:400, 20]).max()
    assert kept == pytest.approx(passed, abs=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_the_lower_envelope_is_that_of_every_neighbour_in_every_round(seed):
    """Over the whole grid, each direction by itself: the very same numbers, whatever is deep."""
    rng = np.random.default_rng(seed)
    z = np.where(rng.random((44, 27)) < 0.5, FREE, rng.uniform(-4.0, 0.0, (44, 27)))
    z[tuple(rng.integers((44, 27)))] = -30.0  # reaches far, over the border of what fell before
    ways = [
        (i, j)
        for i in range(-6, 7)
        for j in range(-6, 7)
        if math.gcd(i, j) == 1 and i * i + j * j <= 36
    ]
    wanted, fell = z, np.inf
    while fell >= 1e-9:
        before, wide = wanted, np.pad(wanted, 6, mode="edge")
        risen = [wide[6 + i : 50 + i, 6 + j : 33 + j] + 0.4 * math.hypot(i, j) for i, j in ways]
        wanted = np.minimum.reduce([wanted, *risen])
        fell = float((before - wanted).max())
    np.testing.assert_array_equal(surface._cone_envelope(z, 0.4, 1.0), wanted)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_a_surface_stays_below_its_ceiling_and_in_order(seed):
    rng = np.random.default_rng(seed)
    ceiling = np.kron(rng.uniform(0.0, 14.0, (7, 5)), np.ones((10, 10)))
    gap = ndimage.gaussian_filter(rng.uniform(0.0, 40.0, ceiling.shape), 8.0)
    lower = follow(ceiling, gap, FEEL)
    assert np.all(lower <= ceiling + 1e-9)
    higher = follow(ceiling + rng.uniform(0.0, 3.0, ceiling.shape), gap, FEEL)
    assert np.all(higher >= lower - 1e-9)
    capped = lower_of(lower, np.full(lower.shape, 6.0))
    assert np.all(capped <= np.minimum(lower, 6.0) + 1e-12)
    assert np.all(lower_of(higher, np.full(lower.shape, 6.0)) >= capped - 1e-9)
    slope = np.hypot(*np.gradient(lower - gap))
    assert slope.max() <= FEEL.residual * 1.05  # central differences of a cone's ridge are lower


def test_a_followed_sole_is_not_flattened():
    """Under a share of the gap as its only ceiling, the top is that share, however steep."""
    x, y = np.meshgrid(np.arange(100.0), np.arange(60.0), indexing="ij")
    gap = 12.0 * np.exp(-(((x - 50) / 22) ** 2 + ((y - 30) / 14) ** 2))
    assert np.hypot(*np.gradient(gap)).max() > 0.5  # steeper than the old limit of 25 degrees
    top = follow(0.8 * gap, gap, FEEL)
    assert top == pytest.approx(0.8 * gap, abs=0.05)


def test_a_medial_side_that_runs_out_is_a_wish():
    """Where the shoe's wall stands off: thin there, the crest as before."""
    seat = seated(arch=14.0)
    stands, out, half = made(seat), made(seat, medial_edge=0.4), made(seat, medial_edge=6.0)
    assert stands.medial_height > 8.0
    assert out.medial_height <= 0.7
    assert half.medial_height == pytest.approx(6.0, abs=0.8)
    assert out.crest.height == pytest.approx(stands.crest.height, abs=0.8)
    notes = plan_pad(seat, wish=SupportWish(medial_edge=0.4), limits=LIMITS).notes
    assert not any(note.code == "medial-side" for note in notes)
    with pytest.raises(PlanError, match="cannot be 17 mm high"):
        plan_pad(seat, wish=SupportWish(medial_edge=17.0), limits=LIMITS)


def test_the_flange_limit_holds_the_side_and_not_the_crest():
    """A high arch: the side ends at the flange, the crest 20 mm further in may be higher."""
    pad = made(seated(arch=20.0), limits=LIMITS.changed(feel__flange=8.0))
    assert pad.medial_height <= 8.0
    assert pad.crest.height > 9.0


def test_words_of_a_move():
    assert move_words(3.0, -2.0) == "3 mm forward, 2 mm lateral"
    assert move_words(-1.5, 0.0, -5.0) == "1.5 mm rearward, turned 5° (front laterally)"
    assert move_words(0.0, 0.0) == "not moved"
