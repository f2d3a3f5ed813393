"""Lines as people draw them: two strokes, gaps by their place, shadows, lines over the edge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from outlines import PEN, photo, sheet

from footscan.outline import closed, gaps, line, over_edge, straight, strokes, toes, trace
from footscan.outline import contour as contours
from footscan.outline.errors import OutlineError
from footscan.outline.trace import Asked
from footscan.scan import Load
from footscan.specimen import drawn

STATED = Asked(barrel=PEN.barrel, load=Load.HALF)
STEP = 0.5


@pytest.fixture(scope="module")
def ring(right_specimen):
    return drawn.silhouette(right_specimen)


# ------------------------------------------------------------- over the edge

SIZE = (120.0, 160.0)
CELLS = (int(SIZE[1] * line.PER_MM), int(SIZE[0] * line.PER_MM))


def even(points):
    """Return a closed ring with a point every half millimetre."""
    around = shapely.LinearRing(points)
    at = np.linspace(0, around.length, int(around.length / STEP), endpoint=False)
    return shapely.get_coordinates(shapely.line_interpolate_point(around, at))


def flat_with(*ways):
    """Return an empty sheet and crests along some ways, mm."""
    empty = np.zeros(CELLS, dtype=np.float32)
    flat = line.Flat(
        size=SIZE,
        grey=empty,
        dark=empty,
        ridge=empty,
        solid=empty > 1,
        noise=0.001,
        picture=np.zeros((2, 2, 3), np.uint8),
    )
    crest = empty > 1
    for way in ways:
        rows, columns = (np.round(a).astype(int) for a in flat.to_cells(np.asarray(way, float)))
        keep = (rows >= 0) & (rows < CELLS[0]) & (columns >= 0) & (columns < CELLS[1])
        crest[rows[keep], columns[keep]] = True
    return flat, crest


def straight_way(start, end):
    count = int(8 * np.hypot(*np.subtract(end, start)))
    return np.linspace(start, end, count)


def open_at_the_top(gap):
    """Return an oval whose upper end was only bridged, over some mm, and where it was seen."""
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    oval = even(np.stack([60 + 30 * np.cos(turn), 95 + 50 * np.sin(turn)], axis=1))
    top = np.abs(oval[:, 0] - 60) < gap / 2
    return oval, ~(top & (oval[:, 1] > 95))


def ends_of(oval, seen):
    (first, length), *_ = closed.runs(~seen)
    return oval[first - 1], oval[(first + length) % len(oval)]


def test_lines_that_run_from_both_ends_of_a_gap_to_the_edge_go_over_it():
    oval, seen = open_at_the_top(24.0)
    ends = ends_of(oval, seen)
    toes = [straight_way(end, (end[0] + np.sign(end[0] - 60) * 2, SIZE[1])) for end in ends]
    flat, crest = flat_with(oval[seen], *toes)
    assert over_edge.goes_over(flat, crest, oval, seen, STEP)


def test_a_gap_with_one_line_to_the_edge_or_none_is_only_a_gap():
    oval, seen = open_at_the_top(24.0)
    end, _ = ends_of(oval, seen)
    one = straight_way(end, (end[0], SIZE[1]))
    for ways in ((), (one,)):
        flat, crest = flat_with(oval[seen], *ways)
        assert not over_edge.goes_over(flat, crest, oval, seen, STEP)
    note = straight_way((5.0, 0.0), (5.0, 40.0))  # runs to the edge, far from the gap
    flat, crest = flat_with(oval[seen], note, np.add(note, (110.0, 0.0)))
    assert not over_edge.goes_over(flat, crest, oval, seen, STEP)


def test_a_pens_lift_between_lines_to_the_edge_is_no_gap():
    """Below 8 mm nothing of a foot fits between both ends."""
    oval, seen = open_at_the_top(6.0)
    ways = [straight_way(end, (end[0], SIZE[1])) for end in ends_of(oval, seen)]
    flat, crest = flat_with(oval[seen], *ways)
    assert not over_edge.goes_over(flat, crest, oval, seen, STEP)
    whole = np.ones(len(oval), dtype=bool)
    assert not over_edge.goes_over(flat, crest, oval, whole, STEP)


# ------------------------------------------------------------- gaps by their place


def drawn_foot(ring, place, length):
    """Return a line around a foot along +x with a gap whose middle lies at a share of its length.

    The lateral border, so that neither toes nor heel are near; 0 and 1 are heel and toe tip.
    """
    foot = ring - [ring[:, 0].min(), 0.0]
    around = even(shapely.get_coordinates(shapely.Polygon(foot).buffer(3.5).exterior))
    share = around[:, 0] / np.ptp(foot[:, 0])
    if place in (0.0, 1.0):
        middle = int(np.argmin(share) if place == 0.0 else np.argmax(share))
    else:
        near = np.where(around[:, 1] < 0, np.abs(share - place), np.inf)
        middle = int(np.argmin(near))
    seen = np.ones(len(around), dtype=bool)
    half = int(length / STEP / 2)
    seen[np.arange(middle - half, middle + half) % len(seen)] = False
    made = contours.Contour(
        ring=around,
        seen=seen,
        strokes_apart=np.zeros(len(seen)),
        inner_taken=np.zeros(len(seen), dtype=bool),
        longest_gap=length,
        width=0.7,
        contrast=0.5,
    )
    return made, foot


@pytest.mark.parametrize(
    ("place", "bearable", "beyond", "words"),
    [
        (1.0, 16.0, 20.0, "foremost toes, where the length"),
        (0.0, 30.0, 34.0, "around the heel, where the length"),
        (0.68, 30.0, 34.0, "beside the ball and the toes, where the breadth"),
        (0.40, 42.0, 46.0, "between heel and ball"),
    ],
)
def test_how_long_a_gap_may_be_depends_on_what_is_read_there(ring, place, bearable, beyond, words):
    made, foot = drawn_foot(ring, place, bearable)
    gaps.bearable(made, foot, foot, "x.jpg")
    made, foot = drawn_foot(ring, place, beyond)
    with pytest.raises(OutlineError, match=words) as caught:
        gaps.bearable(made, foot, foot, "x.jpg")
    assert caught.value.code == "open-outline"
    assert f"open over {beyond:.0f} mm" in str(caught.value)


def test_a_dash_in_a_long_gap_is_found_again(ring):
    """Two gaps of 15 mm with a dash of 8 between: closed at once, the region sags past the dash."""
    length = shapely.Polygon(ring).buffer(3.5).exterior.length
    pen = replace(PEN, gaps=((0.30, 15.0), (0.30 + 23.0 / length, 15.0)))
    found = trace.trace_photo(photo(sheet(ring, pen=pen)), STATED)
    assert found.contour.longest_gap == pytest.approx(15.0, abs=2.5)


# ------------------------------------------------------------- two strokes


def with_second(monkeypatch, ring, second):
    """Return a photograph of an outline and a second stroke made of the first."""
    raster = drawn._raster

    def both(drawn_strokes, *rest):
        return raster([*drawn_strokes, [second(drawn_strokes[0][0])]], *rest)

    monkeypatch.setattr(drawn, "_raster", both)
    made = sheet(ring)
    monkeypatch.undo()
    return trace.trace_photo(photo(made), STATED).traced


def test_of_strokes_one_outside_the_other_the_inner_one_is_taken(monkeypatch, ring, right_specimen):
    """3.5 mm outside all the way: their middle would make the foot 3.5 mm too long and broad."""
    outside = with_second(
        monkeypatch,
        ring,
        lambda one: shapely.get_coordinates(shapely.Polygon(one).buffer(3.5).exterior),
    )
    for name in ("foot_length", "foot_breadth"):
        found, true = outside.measures[name], right_specimen.truth.measures[name]
        assert found.value == pytest.approx(true, abs=0.8), name
        # were the outer one right, the foot would be 7 mm larger: that is not ruled out
        assert 1.96 * found.sd > 6.5, name
    (said,) = (f for f in outside.report.findings if f.code == "double-stroke")
    assert "the inner one, nearer to the foot, was taken" in said.text


def test_of_an_outline_drawn_again_after_the_foot_moved_the_middle_is_taken(
    monkeypatch, ring, right_specimen
):
    """3.5 mm aside: taken inside all around, the foot would be 3.5 mm too narrow."""
    moved = with_second(monkeypatch, ring, lambda one: np.add(one, (3.5, 0.0)))
    found, true = moved.measures["foot_breadth"], right_specimen.truth.measures["foot_breadth"]
    assert found.value == pytest.approx(true, abs=0.8)
    (said,) = (f for f in moved.report.findings if f.code == "double-stroke")
    assert "their middle was taken" in said.text


def test_a_crossing_stroke_is_no_second_one():
    offsets = np.arange(-7, 7.01, 0.25)
    crest = np.exp(-((offsets[None, :] / 0.5) ** 2)) * np.ones((400, 1))
    for k in range(6):  # 3 mm of a letter's stroke beside the line
        crest[100 + k] += np.exp(-(((offsets - 2.5) / 0.5) ** 2))
    around = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    outward = np.stack([np.cos(around), np.sin(around)], axis=1)
    place, apart, inner = strokes.two_strokes(crest, np.zeros(400), 1.0, offsets, outward, STEP)
    assert not apart.any()
    assert not inner.any()
    assert place == pytest.approx(np.zeros(400))


# ------------------------------------------------------------- shadows


def test_the_border_of_a_shadow_is_no_line(ring):
    """A hard shadow across an empty sheet is no outline, nor a part of a drawn one."""
    hard = (105.0, 148.0, 35.0, 3.0, 0.45)
    with pytest.raises(OutlineError) as caught:
        trace.trace_photo(photo(sheet(ring, pen=replace(PEN, dark=0.0)), shadow=hard), STATED)
    assert caught.value.code == "no-outline"
    pen = replace(PEN, dark=0.36, width=0.6)
    found = trace.trace_photo(photo(sheet(ring, pen=pen), shadow=hard), STATED)
    assert found.contour.longest_gap < 8.0


def lit(corners, shape=(260, 360), inside=0.8, outside=0.3):
    from PIL import Image, ImageDraw

    image = Image.new("L", shape[::-1], round(255 * outside))
    ImageDraw.Draw(image).polygon([tuple(c) for c in corners], fill=round(255 * inside))
    return np.asarray(image, dtype=float) / 255.0


def nearest(found, corners):
    """Return the least distance, pixels, of a found region's corners from these."""
    ways = [
        np.abs(np.roll(way, k, axis=0) - corners).max()
        for one in found
        for way in (one, one[::-1])
        for k in range(4)
    ]
    return min(ways, default=np.inf)


def test_a_sheet_half_in_shadow_is_one_sheet():
    corners = np.array([(60.0, 50.0), (300.0, 40.0), (310.0, 205.0), (50.0, 215.0)])
    light = lit(corners)
    light[:, 180:] *= 0.4  # the sheet there is as bright as the floor in the light
    assert nearest(straight.quads(light, (4.0, 9.0), 0.04), corners) < 2.0


def test_a_frame_is_no_sheet():
    """Dark lines on a bright floor, as a tile's joints: as bright beyond them as within."""
    light = np.full((260, 360), 0.7)
    light[50:53, 60:300] = light[200:203, 60:300] = 0.4
    light[50:203, 60:63] = light[50:203, 297:300] = 0.4
    assert straight.quads(light, (4.0, 9.0), 0.04) == []


def test_readings_of_a_worse_score_do_not_move_a_corner():
    """Two readings along a shadow's border drew a corner 15 pixels inside the sheet."""
    from footscan.outline import search, sheet

    right = np.array([(60.0, 50.0), (300.0, 40.0), (310.0, 205.0), (50.0, 215.0)])
    wrong = right.copy()
    wrong[2] -= (30.0, 5.0)
    found = [search.Rough(right, 1.0, True)] * 2 + [search.Rough(wrong, 0.42, True)] * 3
    from footscan.outline.photo import of_pixels

    picture = of_pixels(np.zeros((260, 360, 3), dtype=np.uint8))
    best = sheet._likeliest(found, (260, 360), picture)
    assert best.corners == pytest.approx(right)


def test_a_part_of_a_sheet_gives_way_to_the_whole_and_a_patch_of_sun_does_not():
    from footscan.outline.search import is_part

    whole = np.array([(60.0, 50.0), (300.0, 50.0), (300.0, 220.0), (60.0, 220.0)])
    lit = whole.copy()
    lit[1:3, 0] = 190.0
    assert is_part(lit, whole)
    inside = np.array([(100.0, 80.0), (260.0, 80.0), (260.0, 190.0), (100.0, 190.0)])
    assert not is_part(inside, whole)
    assert not is_part(whole, lit)


@pytest.mark.parametrize(
    ("share", "covered", "taken"),
    [
        (0.55, 0.0, "whole"),  # half of the sheet in a shadow
        (0.55, 0.2, "part"),  # a carpet's stripe runs beside the sheet
        (0.2, 0.35, "whole"),  # a leg over the sheet leaves scraps of it
    ],
)
def test_a_whole_is_bare_paper_or_what_is_left_of_it_is_a_scrap(share, covered, taken):
    from footscan.outline import search, sheet
    from footscan.outline.photo import of_pixels

    whole = np.array([(60.0, 40.0), (300.0, 40.0), (300.0, 209.7), (60.0, 209.7)])
    part = whole.copy()
    part[1:3, 0] = 60.0 + 240.0 * share
    found = [search.Rough(part, 1.0, True), search.Rough(whole, 0.5, True, covered)]
    picture = of_pixels(np.zeros((260, 360, 3), dtype=np.uint8))
    best = sheet._likeliest(found, (260, 360), picture)
    assert best.corners == pytest.approx({"whole": whole, "part": part}[taken])


# ------------------------------------------------------------- toes beside a slit


def loop(points, shape=(200, 200)):
    from PIL import Image, ImageDraw

    image = Image.new("L", shape[::-1])
    ImageDraw.Draw(image).line([tuple(p) for p in points], fill=1, width=2)
    return np.asarray(image) > 0


def test_a_toe_whose_line_is_open_at_its_side_belongs_to_the_region():
    """The line of the toe ends 14 cells before the next one: joined, it closes around the toe."""
    region = np.zeros((200, 200), dtype=bool)
    region[80:180, 40:160] = True
    toe = [(70.0, 80.0), (70.0, 50.0), (80.0, 40.0), (92.0, 44.0)]
    rest = [(104.0, 52.0), (110.0, 80.0)]
    lines = loop(toe) | loop(rest)
    whole = toes.with_toes(region, lines, 8.0)
    assert whole[60, 88]
    assert whole[region].all()
    assert not toes.with_toes(region, lines, 3.0)[60, 88]  # so short a reach did not close it


def test_what_two_strokes_enclose_is_no_toe():
    region = np.zeros((200, 200), dtype=bool)
    region[80:180, 40:160] = True
    band = [(60.0, 80.0), (60.0, 72.0), (140.0, 72.0), (140.0, 80.0)]  # 4 mm outside
    assert not toes.with_toes(region, loop(band), 8.0)[75, 100]
