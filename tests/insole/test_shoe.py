"""The shoe file: what it says is kept, what is wrong gets one sentence, the bed is smooth."""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from insole.errors import PlanError
from insole.record.planned_parts import WedgePlace
from insole.shoe import shoe as shoes

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
PLAIN = {
    "name": "plain",
    "inside": {"length": 280, "ball_width": 100, "heel_width": 66},
    "bed": {"drop": 8},
}
HEIGHTS = {
    "medial": [21.0, 22.0, 18.0, 12.0, 9.0],
    "midline": [16.0, 14.0, 11.0, 8.5, 6.0],
    "lateral": [19.0, 17.0, 13.0, 10.0, 7.0],
}
STATIONS = (shoes.HEEL_AT, 0.25, 0.45, 0.60, shoes.BALL_AT)


def changed(path: str, value: object) -> dict:
    """Return the plain shoe with one dotted key set."""
    data = copy.deepcopy(PLAIN)
    *tables, key = path.split(".")
    place = data
    for name in tables:
        place = place.setdefault(name, {})
    place[key] = value
    return data


def measured_bed(**bed: object) -> shoes.Shoe:
    return shoes.parse(changed("bed", {"heights": HEIGHTS, **bed}))


@pytest.mark.parametrize("name", ["shoe.toml", "shoe_wide.toml"])
def test_sample_files_load_and_their_record_is_json_that_reads_back(name):
    shoe = shoes.load(SAMPLES / name)
    record = json.loads(json.dumps(shoe.record()))
    again = shoes.parse(record)
    assert again.record() == shoe.record()
    assert again.slots == shoe.slots
    assert again.heights == shoe.heights
    assert (again.insole, again.stack, again.stiffness) == (shoe.insole, shoe.stack, shoe.stiffness)


def test_sample_outline_is_counter_clockwise_from_the_heel():
    ring = shoes.load(SAMPLES / "shoe.toml").outline
    x, y = ring.T
    assert float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) > 0
    assert x.min() == pytest.approx(0.0, abs=1e-9)


def test_what_is_not_said_is_unknown():
    shoe = shoes.parse(PLAIN)
    assert not shoe.bed_known
    assert (
        shoe.stack
        is shoe.ball_girth
        is shoe.instep_height
        is shoe.outline
        is shoe.stiffness
        is None
    )
    assert shoe.insole.thickness == {}
    assert shoe.ball_tilt is None


def test_bed_passes_through_every_measured_height():
    shoe = measured_bed()
    for line, y in (("medial", 1.0), ("midline", 0.0), ("lateral", -1.0)):
        expected = np.array(HEIGHTS[line]) - HEIGHTS["midline"][-1]
        assert shoe.bed_height(np.array(STATIONS), y) == pytest.approx(expected, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(st.lists(st.floats(0, 30), min_size=5, max_size=5), min_size=3, max_size=3))
def test_bed_never_overshoots_the_heights_that_were_measured(rows):
    """A monotone cubic stays between its neighbours: no invented ridge, no invented hole."""
    data = dict(zip(("medial", "midline", "lateral"), rows, strict=True))
    data["midline"] = [*rows[1][:4], min(rows[1][4], rows[1][0] + 10)]  # drop stays measurable
    shoe = shoes.parse(changed("bed", {"heights": data}))
    x, y = np.meshgrid(np.linspace(0, 1, 41), np.linspace(-1, 1, 21), indexing="ij")
    z = shoe.bed_height(x, y) + data["midline"][4]
    every = np.array(list(data.values()))
    assert z.min() >= every.min() - 1e-9
    assert z.max() <= every.max() + 1e-9


def test_bed_has_no_step():
    """Heights 0.1 mm apart along a 280 mm bed differ by less than the steepest slope allows."""
    shoe = measured_bed(toe_spring=4)
    x = np.linspace(0, 1, 2801)
    for y in (-1.0, -0.4, 0.0, 0.7, 1.0):
        assert np.abs(np.diff(shoe.bed_height(x, y))).max() < 0.06  # 31 degrees


def test_drop_alone_gives_a_level_ramp_from_the_drop_to_zero():
    shoe = shoes.parse(PLAIN)
    x = np.linspace(0, 1, 101)
    z = shoe.bed_height(x, 0.0)
    assert z[0] == 8.0
    assert shoe.bed_height(shoes.BALL_AT, 0.0) == pytest.approx(0.0)
    assert (np.diff(z[x <= shoes.BALL_AT]) <= 1e-12).all()
    assert np.array_equal(z, shoe.bed_height(x, 0.9))


def test_bed_takes_arrays_and_stays_at_its_edges():
    shoe = measured_bed()
    grid = shoe.bed_height(np.linspace(-0.2, 1.2, 7)[:, None], np.linspace(-1.5, 1.5, 5)[None, :])
    assert grid.shape == (7, 5)
    assert grid[0, 0] == pytest.approx(float(shoe.bed_height(0.0, -1.0)))
    assert grid[-1, -1] == pytest.approx(float(shoe.bed_height(1.0, 1.0)))


def test_drop_and_tilt_come_from_the_heights():
    shoe = measured_bed()
    assert shoe.drop == pytest.approx(10.0)
    assert shoe.ball_tilt == pytest.approx(math.degrees(math.atan(2 / 100)))


@pytest.mark.parametrize(("kept", "forefoot", "heel"), [(True, 2.5, -0.5), (False, 1.0, -1.0)])
def test_only_the_cant_that_stays_counts(kept, forefoot, heel):
    data = copy.deepcopy(PLAIN)
    data["shell"] = {"cant_forefoot": 1.0, "cant_heel": -1.0}
    data["stock_insole"] = {"kept": kept, "cant_forefoot": 1.5, "cant_heel": 0.5}
    shoe = shoes.parse(data)
    assert shoe.cant_kept(WedgePlace.FOREFOOT) == forefoot
    assert shoe.cant_kept(WedgePlace.HEEL) == heel
    assert shoe.cant_kept(WedgePlace.UNDER) == 0.0


@pytest.mark.parametrize(
    ("path", "value", "match"),
    [
        ("inside.length", 28.0, r"s: inside\.length is 28\.0, .* 150 to 380 mm; .* in cm\?"),
        ("inside.length", 11.0, r"inside\.length is 11\.0, .* in inches\?"),
        ("inside.length", "280", r"inside\.length is \"280\", .* without quotes"),
        ("inside.length", True, r"inside\.length is True"),
        ("inside.length", math.nan, r"inside\.length is nan"),
        ("inside.length", 10**400, r"inside\.length is 1000.*\.\.\., .* 150 to 380 mm$"),
        ("name", "two\nlines", r"name is .* on one line"),
        ("cleat.holes", [[10**400, 1]], r"cleat\.holes is .* pairs"),
        ("inside.length", None, r"inside\.length is None, .*150 to 380 mm"),
        ("inside.ball_width", 300, r"inside\.ball_width is 300, .* 50 to 140 mm"),
        ("inside.bal_girth", 250, r"inside\.bal_girth is not a key .* mean \"ball_girth\""),
        ("name", "", r"s: name is \"\", .* 1 to 80 characters"),
        ("bed.drop", 40, r"bed\.drop is 40, .* -10 to 30 mm"),
        ("shell.cant_forefoot", 15, r"shell\.cant_forefoot is 15, .* -10 to 10 degrees"),
        ("shell.stiffness", "hard", r"shell\.stiffness is \"hard\", .* \"rigid\", \"firm\""),
        ("shell", 3, r"s: shell must be a table"),
        ("stock_insole.kept", "yes", r"stock_insole\.kept is \"yes\", .* true or false"),
        ("stock_insole.cant_heel", 1, r"stock_insole\.kept is missing, .* true or false"),
        ("bike.seat_tube_angle", 40, r"bike\.seat_tube_angle is 40, .* 60 to 85 degrees"),
        ("cleat", {"front": 3, "rear": 5, "mark": "m"}, r"cleat\.rear is 5, .* not ahead of"),
        ("cleat", {"front": 3}, r"cleat\.rear is missing, .* together"),
        ("cleat", {"front": 3, "rear": -5}, r"cleat\.mark is missing, .* in words"),
        ("cleat.holes", [[1, 2, 3]], r"cleat\.holes is .* pairs \[x, y\]"),
        ("cleat.holes", [[1, math.inf]], r"cleat\.holes is .* pairs \[x, y\]"),
        ("bed.heights", {"medial": [1, 2, 3, 4, 5]}, r"bed\.heights\.midline is missing, .*five"),
        ("outline.file", "../a.csv", r"outline\.side is missing"),
        ("outline", {"side": "right"}, r"outline\.points is missing"),
        ("outline", {"points": [[0, 0]] * 9}, r"outline\.side is missing, .* \"left\" or"),
        ("outline", {"side": "right", "file": "../a.csv"}, r"outline\.file is .* plain name"),
        ("outline", {"side": "right", "file": "a.csv"}, r"outline\.file is .* no such file"),
    ],
)
def test_each_mistake_gets_one_sentence_with_file_key_and_range(path, value, match):
    with pytest.raises(PlanError, match=match) as caught:
        shoes.parse(changed(path, value), "s")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("s: ")


def test_stated_drop_must_agree_with_the_heights():
    with pytest.raises(PlanError, match=r"bed\.drop is 5, .* within 2 mm of the 10 mm"):
        measured_bed(drop=5)
    assert measured_bed(drop=11.5).drop == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"name = ", r"shoe\.toml is not a valid shoe file"),
        (b"name = 'a'\ninside = 27,8", r"shoe\.toml is not a valid shoe file"),
        (b"\xff\xfe\x00", r"shoe\.toml is not a text file in UTF-8"),
        (b"a = " + b"9" * 5000, r"shoe\.toml is not a valid shoe file"),
        (b"a = " + b"[" * 50_000, r"shoe\.toml is not a valid shoe file"),
        (b"#" * 1_000_001, r"shoe\.toml is over 1000 kB"),
    ],
)
def test_unreadable_files_say_so(tmp_path, content, match):
    path = tmp_path / "shoe.toml"
    path.write_bytes(content)
    with pytest.raises(PlanError, match=match):
        shoes.load(path)


def test_a_byte_order_mark_of_a_windows_editor_is_read_over(tmp_path):
    text = (SAMPLES / "shoe_wide.toml").read_bytes()
    path = tmp_path / "shoe.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace(b"\n", b"\r\n"))
    assert shoes.load(path).record() == shoes.load(SAMPLES / "shoe_wide.toml").record()


def test_missing_file_and_folder_say_so(tmp_path):
    with pytest.raises(PlanError, match="cannot be read: no such file"):
        shoes.load(tmp_path / "none.toml")
    with pytest.raises(PlanError, match="cannot be read"):
        shoes.load(tmp_path)


def lopsided(n: int = 90) -> np.ndarray:
    """Return an egg with its blunt side medial, 280 mm long, as a right bed from above."""
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    y = np.where(np.sin(t) > 0, 50 * np.sin(t), 40 * np.sin(t))
    return np.column_stack([140 - 140 * np.cos(t), y])


def with_outline(**table: object) -> dict:
    return changed("outline", table)


def test_left_and_right_traces_of_a_mirrored_pair_give_the_same_bed():
    right = shoes.parse(with_outline(side="right", points=lopsided().tolist())).outline
    mirrored = (lopsided() * [1, -1]).tolist()
    left = shoes.parse(with_outline(side="left", points=mirrored)).outline
    assert right[:, 1].max() > -right[:, 1].min()  # the blunt side is medial, +y
    as_set = {tuple(p) for p in np.round(left, 6)}
    assert as_set == {tuple(p) for p in np.round(right, 6)}


def test_outline_is_moved_into_the_bed_frame():
    here = shoes.parse(with_outline(side="right", points=lopsided().tolist())).outline
    moved = (lopsided() + np.array([500, -70])).tolist()
    there = shoes.parse(with_outline(side="right", points=moved)).outline
    assert there == pytest.approx(here, abs=1e-9)


@pytest.mark.parametrize(
    ("points", "match"),
    [
        (lopsided() / 10, r"28 mm long"),
        (lopsided()[:, ::-1], r"x from heel to toes"),
        (lopsided()[[0, 40, 20, 60, 10, 50, 30, 70, 5]], r"does not cross itself"),
    ],
)
def test_bad_outlines_are_refused(points, match):
    with pytest.raises(PlanError, match=match):
        shoes.parse(with_outline(side="right", points=points.tolist()))


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_outline_from_a_csv_beside_the_shoe(tmp_path, newline):
    rows = [f"{x:.3f};{y:.3f}" for x, y in lopsided()]
    path = tmp_path / "bed.csv"
    path.write_bytes(newline.join(["x mm;y mm", "# traced", *rows]).encode())
    shoe = shoes.parse(with_outline(side="right", file="bed.csv"), "s", tmp_path)
    inline = shoes.parse(with_outline(side="right", points=lopsided().tolist()))
    assert shoe.outline == pytest.approx(inline.outline, abs=2e-3)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("1,2\n3,4\noops\n", "line 3 is not"),
        ("0,5;1,5\n" * 9, "exactly two numbers"),
        ("", "pairs"),
    ],
)
def test_bad_csv_outlines_say_where(tmp_path, text, match):
    (tmp_path / "bed.csv").write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=match):
        shoes.parse(with_outline(side="right", file="bed.csv"), "s", tmp_path)


@pytest.mark.parametrize(("unit", "factor"), [(4, 1.0), (5, 0.1), (1, 1 / 25.4), (0, 1.0)])
def test_outline_from_a_drawing_in_any_unit(tmp_path, unit, factor):
    import ezdxf

    drawing = ezdxf.new("R2010", units=unit)
    space = drawing.modelspace()
    space.add_lwpolyline([(1, 1), (2, 1), (2, 2)], close=True)  # a mark, not the outline
    space.add_lwpolyline(lopsided() * factor, close=True)
    drawing.saveas(tmp_path / "bed.dxf")
    shoe = shoes.parse(with_outline(side="right", file="bed.dxf"), "s", tmp_path)
    assert np.ptp(shoe.outline, axis=0) == pytest.approx([280, np.ptp(lopsided()[:, 1])], abs=1e-3)


def test_a_drawing_without_an_outline_says_so(tmp_path):
    import ezdxf

    drawing = ezdxf.new("R2010", units=4)
    drawing.modelspace().add_line((0, 0), (280, 0))
    drawing.saveas(tmp_path / "bed.dxf")
    with pytest.raises(PlanError, match="one closed polyline or spline"):
        shoes.parse(with_outline(side="right", file="bed.dxf"), "s", tmp_path)
    (tmp_path / "bed.dxf").write_text("not a drawing", encoding="utf-8")
    with pytest.raises(PlanError, match="a readable DXF drawing"):
        shoes.parse(with_outline(side="right", file="bed.dxf"), "s", tmp_path)
