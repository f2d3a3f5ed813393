"""Outlines in photographs: what is found, which side, how large, and what is refused with why."""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import replace

import numpy as np
import pytest
import shapely
from outlines import PEN, PIXELS, photo, saved, sheet
from PIL import Image

from footscan.outline import asked, closed, edges, line, marks, search, trace, traced
from footscan.outline import contour as contours
from footscan.outline import photo as photos
from footscan.outline import sheet as sheets
from footscan.outline.errors import OutlineError
from footscan.outline.paper import PAPERS, homography, tell
from footscan.outline.trace import Asked
from footscan.outline.typed import Typed, contradictions
from footscan.results import Measure, Verdict
from footscan.scan import Load, Side
from footscan.specimen import camera, drawn, floors
from footscan.specimen.camera import Shot

STATED = Asked(barrel=PEN.barrel, load=Load.HALF)


@pytest.fixture(scope="module")
def ring(right_specimen):
    return drawn.silhouette(right_specimen)


@pytest.fixture(scope="module")
def right(ring):
    return trace.trace_photo(photo(sheet(ring), k1=0.03), STATED)


@pytest.fixture(scope="module")
def left(ring):
    """A left foot on Letter in uneven light, the sheet the other way up, a gap in the line."""
    pen = replace(PEN, gaps=((0.3, 9.0),), dark=0.5)
    made = sheet(ring * 0.94, Side.LEFT, pen, paper="letter", turn_deg=-4.0)
    shadow = (120.0, 150.0, 40.0, 30.0, 0.6)
    return trace.trace_photo(
        photo(made, roll_deg=262.0, floor="tile", light=(0.3, -0.2), shadow=shadow), STATED
    )


def flat_of(made):
    """Return the sheet of a photograph, flattened."""
    shown = photo(made)
    return line.flatten(shown, sheets.find(shown))


def refused(code, *arguments):
    """Return the sentence of a refusal with this code."""
    with pytest.raises(OutlineError) as caught:
        trace.trace_photo(*arguments)
    assert caught.value.code == code, str(caught.value)
    assert "\n" not in str(caught.value)
    return str(caught.value)


# ------------------------------------------------------------- what is found


def test_a_right_foot_on_a4_has_its_length_breadth_and_side(right, right_specimen):
    true, found = right_specimen.truth.measures, right.traced.measures
    assert right.traced.side is Side.RIGHT
    assert right.sheet.paper.key == "a4"
    for name in ("foot_length", "foot_breadth", "heel_breadth", "heel_breadth_max"):
        assert found[name].value == pytest.approx(true[name], abs=0.7), name
        assert found[name].unit == "mm"
    assert found["heel_to_ball_length"].value == pytest.approx(true["heel_to_ball_length"], abs=3)
    assert right.sheet.bend < -0.005  # a lens that magnifies its rim is drawn together


def test_a_left_foot_on_letter_keeps_its_big_toe_medial(left, right_specimen):
    true, found = right_specimen.truth.measures, left.traced.measures
    assert left.traced.side is Side.LEFT
    assert left.sheet.paper.key == "letter"
    assert found["foot_length"].value == pytest.approx(0.94 * true["foot_length"], abs=1.2)
    assert found["foot_breadth"].value == pytest.approx(0.94 * true["foot_breadth"], abs=1.5)
    points = left.marks.points
    assert points["metatarsale_tibiale"][1] > 25 > -25 > points["metatarsale_fibulare"][1]
    assert points["metatarsale_tibiale"][0] > points["metatarsale_fibulare"][0] + 15
    assert np.linalg.det(left.marks.to_sheet) < 0 < np.linalg.det(np.eye(3))  # mirrored once
    assert any(f.code == "gap-bridged" for f in left.traced.report.findings)


def test_what_the_outline_does_not_show_has_a_reason_and_no_value(right):
    for name in ("arch_apex_height", "instep_height", "ball_girth", "forefoot_angle"):
        measure = right.traced.measures[name]
        assert measure.value is None
        assert "outline" in measure.reason
    assert right.traced.report.verdict is Verdict.MEASURING
    assert right.traced.report.findings[0].code == "from-an-outline"


def test_the_sheets_tolerance_and_the_pen_are_in_the_deviation(right):
    length = right.traced.measures["foot_length"]
    paper = PAPERS["a4"].off / np.sqrt(3) / 297.0 * length.value
    assert paper == pytest.approx(1.05, abs=0.02)  # ±2 mm on 297 mm, value from memory
    pen = 2 * asked.LEAN_SD_MM
    assert length.sd >= np.hypot(paper, pen)
    wider = Asked().allowance_sd
    assert wider > STATED.allowance_sd


def test_the_drawn_line_is_found_to_a_tenth_of_a_millimetre(right, ring):
    import shapely

    line = shapely.LinearRing(sheet(ring).line)
    ways = (right.contour.ring, np.array([210.0, 297.0]) - right.contour.ring)
    off = min(shapely.distance(line, shapely.points(way)).mean() for way in ways)
    assert off < 0.12


# ------------------------------------------------------------- side


def test_a_mirrored_ring_is_the_other_foot(ring):
    told = marks.find_side(marks.forward(ring, "x"))
    mirrored = marks.find_side(marks.forward((ring * [1, -1])[::-1], "x"))
    assert (told.side, mirrored.side) == (Side.RIGHT, Side.LEFT)
    assert told.weight == pytest.approx(-mirrored.weight, abs=0.2)
    assert "left side" in told.evidence
    assert "right side" in mirrored.evidence


def test_an_outline_alike_on_both_sides_is_asked_about(ring):
    both = marks.forward(ring, "x")
    (x, upper), (_, lower) = marks.edges(both)
    half = (upper - lower) / 2
    alike = np.concatenate([np.stack([x, -half], 1), np.stack([x, half], 1)[::-1]])
    assert marks.find_side(alike).side is None


def test_a_stated_side_against_the_shape_is_refused(right, ring):
    told = marks.find_side(marks.forward(ring, "x"))
    words = r"stated as the left foot.*that of a right foot"
    with pytest.raises(OutlineError, match=words) as caught:
        trace.side_of(right.photo, told, Side.LEFT)
    assert caught.value.code == "side-contradicted"


def test_the_front_camera_may_mirror(right, ring):
    front, told = replace(right.photo, front=True), marks.find_side(marks.forward(ring, "x"))
    with pytest.raises(OutlineError, match="state the side") as caught:
        trace.side_of(front, told, None)
    assert caught.value.code == "side-unclear"
    assert trace.side_of(front, told, Side.RIGHT)[0] is Side.RIGHT
    assert trace.side_of(right.photo, told, None)[0] is Side.RIGHT


# ------------------------------------------------------------- paper


def test_the_paper_is_told_by_the_cameras_geometry():
    made = drawn.DrawnSheet(
        paper="a4", size=(210.0, 297.0), ink=None, line=None, foot=None, side=Side.LEFT
    )
    for paper, size in (("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))):
        for aside in ((0.0, 0.0), (120.0, -60.0), (-40.0, 160.0)):
            shot = Shot(pixels=PIXELS, aside=aside, roll_deg=17.0)
            at = camera.corners(replace(made, size=size), shot)
            straight = (at - (np.array(PIXELS) - 1) / 2) / (np.hypot(*PIXELS) / 2)
            found, order, _ = tell(straight, None, None, "x")
            assert found.key == paper
            assert order == [0, 1, 2, 3]


def test_another_paper_than_stated_is_noticed(right, left):
    words = refused("wrong-paper", right.photo, replace(STATED, paper="letter"))
    assert "said to be Letter" in words
    assert "like A4" in words
    assert "like Letter" in refused("wrong-paper", left.photo, replace(STATED, paper="a4"))


def test_a_homography_takes_its_own_corners():
    rng = np.random.default_rng(2)
    mm, there = PAPERS["a4"].ring, PAPERS["a4"].ring * 3 + rng.uniform(-20, 20, (4, 2))
    h = np.column_stack([mm, np.ones(4)]) @ homography(mm, there).T
    assert h[:, :2] / h[:, 2:] == pytest.approx(there)


# ------------------------------------------------------------- refusals


def test_a_floor_without_a_sheet(ring):
    words = refused("no-sheet", photo(sheet(ring), no_sheet=True, floor="tile"), STATED)
    assert "no sheet of paper" in words


def test_a_sheet_cut_off(ring):
    shot = {"aim": (130.0, 0.0), "aside": (130.0, 0.0), "roll_deg": 0.0}
    assert "all four corners" in refused("sheet-cut-off", photo(sheet(ring), **shot), STATED)


def test_a_blurred_photo(ring):
    assert "hold the telephone still" in refused("blurred", photo(sheet(ring), blur=6.0), STATED)


def test_a_photo_from_too_far(ring):
    words = refused("too-small", photo(sheet(ring), above=1100.0), STATED)
    assert "go nearer" in words


def test_a_foot_still_on_the_sheet(ring):
    made = sheet(ring)
    foot, leg = floors.standing_foot(made.foot)
    skin = ((foot, (0.7, 0.5, 0.4)), (leg, (0.65, 0.45, 0.36)))
    assert "step off" in refused("foot-on-sheet", photo(made, objects=skin), STATED)


def test_an_outline_over_the_edge(ring):
    made = sheet(ring, shift=(0.0, 22.0))
    words = refused("touches-edge", photo(made), STATED)
    assert "for a longer foot tape two sheets" in words


def ruler_across(ring, at):
    """Return a photograph of an A4 sheet with a ruler of the floor's grey all across it."""
    across = ((floors.ruler((105.0, at), 0.0), (0.45, 0.46, 0.47)),)
    return photo(sheet(ring * 0.8, shift=(0.0, -30.0)), objects=across)


def test_a_ruler_that_parts_the_sheet(ring, right_specimen):
    """At the right place it would make a Letter sheet of A4, and the foot 7 mm longer."""
    assert "something lies across" in refused("covered", ruler_across(ring, 270.0), STATED)
    found = trace.trace_photo(ruler_across(ring, 262.0), STATED)  # edges on both of its sides
    assert found.sheet.paper.key == "a4"
    true = 0.8 * right_specimen.truth.measures["foot_length"]
    assert found.traced.measures["foot_length"].value == pytest.approx(true, abs=1.0)


@pytest.mark.parametrize(
    ("pen", "second", "code", "words"),
    [
        (PEN, (28.0, 0.0), "two-outlines", "draw each foot"),
        (replace(PEN, gaps=((0.1, 70.0),)), None, "open-outline", "draw the missing part"),
        (replace(PEN, dark=0.0), None, "no-outline", "no outline is seen"),
    ],
)
def test_a_line_that_cannot_be_used(ring, pen, second, code, words):
    assert words in refused(code, photo(sheet(ring, pen=pen, second=second)), STATED)


def test_an_even_sheet_and_an_even_ring_end_in_a_sentence():
    """Pictures without any noise: nothing is divided by what is not there."""
    blank = np.full((800, 1000, 3), 40, dtype=np.uint8)
    blank[150:650, 150:850] = 235
    refused("no-outline", photos.of_pixels(blank), STATED)
    y, x = np.mgrid[:800, :1000]
    away = np.hypot((x - 500) / 300, (y - 400) / 110)
    blank[(away > 0.99) & (away < 1.01)] = 20
    assert "does not look like a foot" in refused("not-a-foot", photos.of_pixels(blank), STATED)


def test_tiles_are_no_sheet():
    shot = Shot(pixels=(400, 300), floor="tile", floor_light=0.6, no_sheet=True)
    made = drawn.DrawnSheet(
        paper="a4", size=(210.0, 297.0), ink=np.zeros((8, 8)), line=None, foot=None, side=Side.LEFT
    )
    seen = camera.photograph(made, shot, np.random.default_rng(1))
    assert all(one.score < search.LEAST for one in search.rough(seen / 255.0))


# ------------------------------------------------------------- reading


def not_read(code, path):
    with pytest.raises(OutlineError) as caught:
        photos.read(path)
    assert caught.value.code == code, str(caught.value)
    return str(caught.value)


@pytest.fixture
def plain():
    return np.full((720, 900, 3), 200, dtype=np.uint8)


def test_files_that_are_no_photo(tmp_path, plain):
    text = tmp_path / "notes.jpg"
    text.write_text("length 270", encoding="utf-8")
    assert "no JPEG" in not_read("not-a-photo", text)
    assert "is empty" in not_read("cut-short", _bytes(tmp_path / "empty.jpg", b""))
    assert "check the path" in not_read("not-a-photo", tmp_path / "none.jpg")
    whole = saved(tmp_path / "whole.jpg", plain).read_bytes()
    assert "cut short" in not_read("cut-short", _bytes(tmp_path / "half.jpg", whole[:-900]))
    assert "preview" in not_read("too-small", saved(tmp_path / "small.jpg", plain[:300]))
    assert "no JPEG" in not_read("not-a-photo", saved(tmp_path / "moving.gif", plain))


def test_a_moving_picture(tmp_path, plain):
    frames = [Image.fromarray(plain), Image.fromarray(255 - plain)]
    path = tmp_path / "moving.webp"
    frames[0].save(path, save_all=True, append_images=frames[1:])
    assert "one still photo" in not_read("animated", path)


def test_a_bomb_is_refused_by_its_header(tmp_path):
    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"0" * 99))
    assert "more" in not_read("too-large", _bytes(tmp_path / "bomb.png", data))


def _bytes(path, data):
    path.write_bytes(data)
    return path


def test_orientation_is_honoured_and_the_place_forgotten(tmp_path):
    upright = np.zeros((800, 1000, 3), dtype=np.uint8)
    upright[:200, :300] = 255  # the upper left corner is white
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was turned: rotate by 90 degrees to the right to show
    exif[0x010F] = "MADE-UP MAKER"
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (51.0, 28.0, 38.0)
    exif.get_ifd(0x8769)[0xA405] = 26
    turned = np.rot90(upright)  # as the sensor saw it
    path = saved(tmp_path / "turned.jpg", np.ascontiguousarray(turned), exif=exif)
    found = photos.read(path)
    assert found.rgb.shape == (800, 1000, 3)
    assert found.rgb[50, 50].min() > 240
    assert found.rgb[750, 950].max() < 15
    assert found.focal == pytest.approx(26 / 43.27 * np.hypot(1000, 800), rel=1e-3)
    assert set(photos.Photo.__dataclass_fields__) == {"name", "sha256", "rgb", "focal", "front"}


# ------------------------------------------------------------- typed values and the record


def lengths(length=270.0, breadth=100.0):
    values = {"foot_length": (length, 1.5), "foot_breadth": (breadth, 1.2)}
    return {name: Measure(value=value, sd=sd) for name, (value, sd) in values.items()}


@pytest.mark.parametrize(
    ("typed", "code", "words"),
    [
        ({"ball_girth": 180.0}, "girth-impossible", "at least twice"),
        ({"ball_girth": 296.0}, "girth-against-breadth", "2.31 to 2.63"),
        ({"foot_length": 255.0}, "length-contradicts", "15 mm apart"),
        ({"arch_height": 18.0, "arch_at": 230.0}, "arch-place", "30 to 65 %"),
        ({"age": 12.0}, "growing", "may still grow"),
    ],
)
def test_what_was_typed_is_held_against_the_outline(typed, code, words):
    found = {f.code: f for f in contradictions(Typed(**typed), lengths())}
    assert words in found[code].text


def test_what_agrees_is_no_finding():
    typed = Typed(
        ball_girth=248.0,
        instep_girth=250.0,
        foot_length=271.0,
        arch_height=16.0,
        arch_at=120.0,
        age=40.0,
    )
    assert contradictions(typed, lengths()) == []


@pytest.mark.parametrize(
    "typed",
    [
        {"ball_girth": 25.0},
        {"arch_height": 12.0},
        {"age": float("nan")},
        {"forefoot_tilt": 60.0},
    ],
)
def test_what_cannot_be_is_not_taken(typed):
    with pytest.raises(OutlineError):
        Typed(**typed)


def test_a_record_is_read_back_the_same(right, tmp_path):
    data = traced.as_json(right.traced, "0")
    path = tmp_path / "a.outline.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    assert traced.as_json(traced.read(path), "0") == data
    data["measures"]["foot_length"]["value"] += 5
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(OutlineError, match="not that of its own outline"):
        traced.read(path)
    del data["side"]
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(OutlineError, match="no record of an outline"):
        traced.read(path)


# ------------------------------------------------------------- what riders' photos are like


def test_a_gap_goes_on_as_both_ends_bend():
    """A heel of 30 mm radius: a chord over 14 mm would be 0.8 mm short, a bulge too long."""
    turn = np.arange(0, 2 * np.pi, 1 / 60)
    ring = 30.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    seen = np.ones(len(ring), dtype=bool)
    seen[40:68] = False
    drawn_out = ring.copy()
    drawn_out[~seen] *= 1.08
    mended = closed.bridged(drawn_out, seen)
    assert np.linalg.norm(mended, axis=1) == pytest.approx(30.0, abs=0.12)
    assert mended[seen][:30] == pytest.approx(ring[seen][:30])


def test_four_lines_and_the_lens_are_fitted_from_a_poor_start():
    rng = np.random.default_rng(3)
    true = np.array([(-0.62, -0.4), (0.58, -0.44), (0.6, 0.39), (-0.55, 0.42)])
    t = np.linspace(0.07, 0.93, 130)[:, None]
    points = np.concatenate([true[k] + t * (true[(k + 1) % 4] - true[k]) for k in range(4)])
    points = edges.bent(points, -0.018) + rng.normal(0, 2e-5, points.shape)
    points[5:20] += 0.02  # tape across an edge
    start = true + rng.uniform(-0.012, 0.012, true.shape)
    lines, bend, stray = edges._fitted(points, np.repeat(np.arange(4), 130), start)
    assert bend == pytest.approx(-0.018, abs=5e-4)
    assert stray < 1e-4
    found = np.array([edges._crossing(lines[k - 1], lines[k]) for k in range(4)])
    assert found == pytest.approx(true, abs=4e-4)


def test_a_single_level_does_not_misplace_a_corner():
    corners = np.array([(0.0, 0.0), (100.0, 0.0), (100.0, 70.0), (0.0, 70.0)])
    off = corners.copy()
    off[1] += [11.0, 0.0]
    other = corners * 2.0  # of another thing
    ways = [off, np.roll(corners, 1, axis=0), corners[::-1] + 0.5, other]
    assert sheets._agreed(off, ways) == pytest.approx(corners, abs=0.6)


def test_folds_through_the_outline_are_no_lines(ring, right_specimen):
    folds = ((0, 108.0, 0.06), (1, 101.0, -0.06), (1, 200.0, -0.06))
    pen = replace(PEN, gaps=((0.62, 6.0),), dark=0.45)
    found = trace.trace_photo(photo(sheet(ring * 0.95, pen=pen), folds=folds), STATED)
    true = right_specimen.truth.measures
    for name in ("foot_length", "foot_breadth"):
        assert found.traced.measures[name].value == pytest.approx(0.95 * true[name], abs=1.2), name
    assert sorted(round(at / 5) for at in found.flat.creases) in ([19, 39], [20, 40])


def test_a_letter_beside_the_line_does_not_dent_the_outline(ring):
    pen = replace(PEN, gaps=((0.3, 12.0), (0.62, 12.0)))
    plain, noted = (sheet(ring, pen=pen, notes=notes) for notes in ((), ((72.0, 165.0, 9.0, 1),)))
    lengths = [contours.contour(flat_of(made), "x").ring for made in (plain, noted)]
    areas = [float(shapely.Polygon(one).area) for one in lengths]
    assert areas[0] == pytest.approx(areas[1], rel=0.004)


def test_tape_over_the_heel_is_refused_and_beside_it_is_not(ring):
    made = sheet(ring)
    heel = made.line[np.argmin(made.line[:, 1])]
    over = ((floors.ruler(tuple(heel), 90.0, 45.0, 20.0), (0.30, 0.45, 0.70)),)
    assert "lies on the outline" in refused("covered", photo(made, objects=over), STATED)
    u, v = made.size
    corners = tuple(
        (floors.ruler((x, y), way, 45.0, 19.0), (0.84, 0.78, 0.62))
        for x, y, way in ((0, 0, 135.0), (u, 0, 45.0), (u, v, 135.0), (0, v, 45.0))
    )
    assert trace.trace_photo(photo(made, objects=corners), STATED).sheet.paper.key == "a4"


def test_two_taped_sheets_that_nobody_stated_are_asked_about(ring):
    """Two A4 have the proportions of one: the foot would be read 30 % too short."""
    made = sheet(ring * 1.08, paper="a4-pair")
    shot = photo(made, pixels=(1400, 1050), above=520.0, folds=((1, 210.0, 0.05),))
    words = refused("paper-unclear", shot, STATED)
    assert "two A4 sheets taped" in words
    found = trace.trace_photo(shot, replace(STATED, paper="a4-pair"))
    assert found.traced.measures["foot_length"].value > 275.0
    known = replace(STATED, typed=Typed(foot_length=285.0))
    codes = [f.code for f in trace.trace_photo(shot, known).traced.report.findings]
    assert "length-contradicts" in codes
