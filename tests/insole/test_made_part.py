"""A made part held against its plan: what was done to it is found, other parts are refused.

Parts are changed by known amounts before they are scanned (tests/made_parts.py), so that the truth
is a formula. 0.15 mm is the noise of the scans: an averaged place must be found at least as well.
"""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from matplotlib import image

from footscan.errors import ScanReadError, UnitsError
from footscan.scan import Scan, Side, Unit
from insole import cli
from insole.errors import RefusedError
from insole.output.pictures.made_part import made_png
from insole.parts.build import all_parts
from insole.parts.made.check import MadeCheck, NotThisPartError, check_made
from insole.parts.made.datums import Held
from insole.parts.made.words import as_record, as_text
from insole.parts.part import Part
from insole.record.plan import Plan, to_json
from tests.made_parts import (
    Change,
    bump,
    made_scan,
    nothing,
    sample_rider,
    shifted,
    thicker,
    wanted,
)
from tests.plans import sample_plan

pytestmark = pytest.mark.long

FOUND_MM = 0.18
HEEL = (35.0, 0.0)
VIEWS: dict[str, dict[str, Any]] = {
    "points": {},
    "mesh": {"mesh": True},
    "on a table": {"table": True},
    "mesh with its table": {"mesh": True, "table": True},
    "from above": {"under": False},
}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return sample_rider()


@pytest.fixture(scope="module")
def parts(plan: Plan) -> dict[str, Part]:
    return {part.label: part for part in all_parts(plan)}


@pytest.fixture(scope="module")
def domes() -> dict[str, Part]:
    """Another rider's pads: domes that are nearly alike for both feet."""
    return {part.label: part for part in all_parts(sample_plan(wedges=False))}


def place(part: Part) -> tuple[float, float]:
    return part.facts.crest.at if part.facts.crest is not None else HEEL


def errors(check: MadeCheck, change: Change, margin: float = 0.0) -> tuple[Any, Any]:
    """Return measured and true deviations where the top was seen, `margin` mm inside its rim."""
    top = check.top
    true = wanted(check.placed.planned, change, top.x, top.y)
    inner = shapely.Polygon(check.placed.planned.rim).buffer(-margin)
    at = np.meshgrid(top.x, top.y, indexing="ij")
    seen = np.isfinite(top.deviation) & shapely.contains_xy(inner, *at)
    return top.deviation[seen], true[seen]


def near(check: MadeCheck, at: tuple[float, float]) -> float:
    """Return the mean deviation within a few millimetres of a place."""
    top = check.top
    inside = np.hypot((top.x[:, None] - at[0]) / 8, (top.y - at[1]) / 5) < 1
    return float(np.nanmean(top.deviation[inside]))


def held_well(check: MadeCheck, change: Change, margin: float = 0.0) -> None:
    """95 % of the top are measured right, and the whole neither too high nor too low."""
    measured, true = errors(check, change, margin)
    assert np.percentile(np.abs(measured - true), 95) < FOUND_MM
    assert abs((measured - true).mean()) < 0.05


@pytest.mark.long
@pytest.mark.parametrize(
    ("label", "view", "held"),
    [
        ("left-arch-pad", "points", Held.UNDER),
        ("right-arch-pad", "mesh", Held.UNDER),
        ("right-arch-pad", "on a table", Held.TABLE),
        ("left-arch-pad", "from above", Held.TOP),
        ("left-base", "mesh with its table", Held.TABLE),
        ("right-base", "points", Held.UNDER),
    ],
)
def test_half_a_millimetre_over_the_crest_is_found_and_not_shared_out(
    parts: dict[str, Part], label: str, view: str, held: Held
) -> None:
    part, at = parts[label], place(parts[label])
    change = bump(*at, 0.5)
    check = check_made(made_scan(part, change, seed=1, **VIEWS[view]), [part], tolerance=0.25)
    assert check.placed.held is held
    assert near(check, at) == pytest.approx(0.5, abs=FOUND_MM)
    held_well(check, change)
    assert not check.within
    assert check.patches[0].beyond
    assert check.patches[0].amount == pytest.approx(0.5, abs=FOUND_MM)


@pytest.mark.long
@pytest.mark.parametrize(
    ("label", "view"),
    [
        ("left-arch-pad", "points"),
        ("right-arch-pad", "mesh with its table"),
        ("left-base", "on a table"),
        ("right-base", "points"),
    ],
)
def test_a_part_too_thick_all_over_is_found(parts: dict[str, Part], label: str, view: str) -> None:
    check = check_made(made_scan(parts[label], thicker(0.3), seed=2, **VIEWS[view]), [parts[label]])
    held_well(check, thicker(0.3))
    assert check.mean == pytest.approx(0.3, abs=0.05)
    assert check.within  # 0.3 of 0.5 mm


@pytest.mark.long
@pytest.mark.parametrize(
    ("label", "view", "along", "across"),
    [
        ("left-arch-pad", "points", 3.0, 0.0),
        ("right-arch-pad", "on a table", -3.0, 0.0),
        ("right-arch-pad", "mesh", 0.0, 3.0),
    ],
)
def test_a_top_shifted_on_its_outline_is_found(
    parts: dict[str, Part], label: str, view: str, along: float, across: float
) -> None:
    part = parts[label]
    change = shifted(part, along, across)
    check = check_made(made_scan(part, change, seed=3, **VIEWS[view]), [part])
    held_well(check, change, margin=4.0)  # nearer to the rim the shifted top ends in a step
    # where the shifted top leaves the outline nothing is made: it reads up to a sixth less
    assert check.placed.shift == pytest.approx((along, across), abs=0.6)
    medial = across if part.side is Side.RIGHT else -across
    assert as_record(check)["top_shift_mm"]["medial"] == pytest.approx(medial, abs=0.6)
    way = "forward" if along > 0 else "back" if along < 0 else "medially"
    assert f"mm {way} of where its rim has it" in as_text(check)


@pytest.mark.long
@pytest.mark.parametrize("view", list(VIEWS))
def test_a_part_made_as_planned_is_within(parts: dict[str, Part], view: str) -> None:
    part = parts["right-arch-pad"]
    check = check_made(made_scan(part, seed=4, **VIEWS[view]), [part], tolerance=0.3)
    assert check.within
    assert check.side_told
    assert check.unseen < 0.02
    assert not check.placed.shift
    held_well(check, nothing)


@pytest.mark.long
def test_noise_of_the_scan_is_told(parts: dict[str, Part]) -> None:
    """Along a normal the noise of a point is that of one of its coordinates."""
    part = parts["left-arch-pad"]
    for noise in (0.1, 0.2):
        check = check_made(made_scan(part, noise=noise), [part])
        assert check.top.noise == pytest.approx(noise, rel=0.2)


@pytest.mark.parametrize(
    ("label", "view"),
    [
        ("left-arch-pad", "points"),
        ("right-arch-pad", "from above"),
        ("left-base", "on a table"),
        ("right-base", "points"),
        ("right-forefoot-shim", "on a table"),
    ],
)
def test_the_other_foots_part_is_refused(parts: dict[str, Part], label: str, view: str) -> None:
    side, name = label.split("-", 1)
    asked = parts[f"{Side(side).other}-{name}"]
    with pytest.raises(RefusedError, match=r"^this is the other foot's part: .* do not fit it"):
        check_made(made_scan(parts[label], seed=5, **VIEWS[view]), [asked])


def test_a_ground_part_of_the_other_foot_is_still_refused(parts: dict[str, Part]) -> None:
    part = parts["left-arch-pad"]
    scan = made_scan(part, bump(*place(part), 0.8), table=True)
    with pytest.raises(RefusedError, match="the other foot's part"):
        check_made(scan, [parts["right-arch-pad"]])


def test_another_part_is_refused(parts: dict[str, Part], domes: dict[str, Part]) -> None:
    dome = made_scan(domes["left-arch-pad"])
    with pytest.raises(NotThisPartError, match=r"does not show the left-arch-pad: it is off by"):
        check_made(dome, [parts["left-arch-pad"]])
    for other in ("left-base", "left-forefoot-shim"):
        with pytest.raises(
            UnitsError, match=r"in no unit is the scan as long .* check which"
        ) as no:
            check_made(dome, [parts[other]])
        assert no.value.asks == ("part", "unit")


@pytest.mark.long
def test_without_a_side_the_part_that_fits_is_taken(parts: dict[str, Part]) -> None:
    pair = [parts["right-arch-pad"], parts["left-arch-pad"]]
    check = check_made(made_scan(parts["left-arch-pad"]), pair)
    assert check.part == "left-arch-pad"
    assert "It is the left part: the other one does not fit." in check.notes


def test_a_part_alike_for_both_feet_says_that_its_side_cannot_be_told() -> None:
    mesh = trimesh.creation.box((90.0, 40.0, 6.0))
    mesh.apply_translation((45.0, 0.0, 3.0))
    ring = np.array([[0.0, -20], [90, -20], [90, 20], [0, 20]])
    part = Part(
        name="block",
        side=Side.LEFT,
        worn=True,
        vertices=np.array(mesh.vertices),
        faces=np.array(mesh.faces, dtype=np.int64),
        outline=ring,
        volume=90 * 40 * 6.0,
        material="base-pp",
    )
    scan = made_scan(part, table=True)
    check = check_made(scan, [part])
    assert not check.side_told
    assert any(note.startswith("The side cannot be told from this scan") for note in check.notes)
    with pytest.raises(
        NotThisPartError, match="so the side cannot be told from it; state it"
    ) as no:
        check_made(scan, [part, replace(part, side=Side.RIGHT)])
    assert no.value.asks == ("side",)


@pytest.mark.long
@pytest.mark.parametrize("unit", list(Unit))
@pytest.mark.parametrize("table", [False, True])
def test_the_unit_is_told_from_the_planned_size(
    parts: dict[str, Part], unit: Unit, table: bool
) -> None:
    part = parts["left-arch-pad"]
    check = check_made(made_scan(part, unit=unit, table=table), [part])
    assert check.unit.startswith(f"{unit}, told from the plan: 7")
    assert check.within


def test_a_stated_unit_is_held_against_the_plan(parts: dict[str, Part]) -> None:
    part = parts["left-arch-pad"]
    scan = made_scan(part, unit=Unit.CM)
    assert "stated" in check_made(scan, [part], unit=Unit.CM).unit
    assert "10 mm per file unit, stated" in check_made(scan, [part], scale=10.0).unit
    with pytest.raises(UnitsError, match=r"in the stated unit .* 1\d\d mm long"):
        check_made(scan, [part], unit=Unit.INCH)


@pytest.mark.long
def test_what_was_not_seen_is_said_with_its_share(parts: dict[str, Part]) -> None:
    part = parts["right-base"]
    scan = made_scan(part, table=True, seed=6)
    whole = check_made(scan, [part])
    # a round hole of 25 mm in the file, found by the pose that the whole scan has
    points, top = whole.placed.points, whole.top
    hole = np.hypot(points[:, 0] - 120, points[:, 1]) < 25
    holed = Scan(vertices=points[~hole], faces=scan.faces, files=scan.files)
    check = check_made(holed, [part])
    cells = top.on_top & (np.hypot(top.x[:, None] - 120, top.y) < 25)
    assert hole.sum() > 1000
    assert check.unseen == pytest.approx(cells.sum() / top.on_top.sum(), abs=0.015)
    assert "as far as it was seen" in as_text(check)
    assert f"{100 * check.unseen:.0f} % of it not seen" in as_text(check)


@pytest.mark.long
def test_without_underside_and_table_the_thickness_is_said_to_be_open(
    parts: dict[str, Part],
) -> None:
    part = parts["left-arch-pad"]
    check = check_made(made_scan(part, thicker(0.4), under=False), [part])
    assert any("with a calliper" in note for note in check.notes)


@pytest.mark.long
def test_a_deep_hollow_in_a_thin_sheet_is_not_taken_for_its_underside(
    parts: dict[str, Part],
) -> None:
    """0.9 mm of 1.5 mm: the ground place is nearer to the underside than to the top."""
    part = parts["right-base"]
    for view in ("points", "on a table"):
        change = bump(120.0, 0.0, -0.9, 40.0, 24.0)
        check = check_made(made_scan(part, change, seed=7, **VIEWS[view]), [part])
        assert near(check, (120.0, 0.0)) == pytest.approx(-0.9, abs=FOUND_MM)


@pytest.mark.long
@pytest.mark.parametrize("side", ["left", "right"])
def test_places_are_measured_from_the_rear_and_from_the_medial_edge(
    parts: dict[str, Part], side: str
) -> None:
    part = parts[f"{side}-arch-pad"]
    outline = part.outline
    x, y = place(part)[0] - 8.0, place(part)[1] + 2.0
    check = check_made(made_scan(part, bump(x, y, 0.8, 24.0, 14.0), table=True), [part])
    patch = check.patches[0]
    across = outline[np.abs(outline[:, 0] - x) < 2.5, 1]
    medial = across.max() - y if side == "right" else y - across.min()
    assert patch.from_rear == pytest.approx(x - outline[:, 0].min(), abs=1.5)
    assert patch.from_medial == pytest.approx(medial, abs=1.5)
    # the bump is above 0.5 mm over 79 % of its axes: cos = 1/4 at 0.79
    assert patch.length == pytest.approx(0.79 * 24, abs=3)
    assert patch.width == pytest.approx(0.79 * 14, abs=3)
    assert re.search(r"take off 0\.[89] ± 0\.1 mm over", as_text(check))
    short = check_made(made_scan(part, bump(x, y, -0.8, 24.0, 14.0), table=True), [part])
    assert re.search(r"0\.[789] ± 0\.1 mm short over", as_text(short))


@pytest.mark.long
def test_the_same_scan_gives_the_same_answer_in_any_pose(parts: dict[str, Part]) -> None:
    part = parts["left-arch-pad"]
    scan = made_scan(part, bump(*place(part), 0.7), table=True)
    first, again = check_made(scan, [part]), check_made(scan, [part])
    assert as_text(first) == as_text(again)
    turned = Scan(
        vertices=scan.vertices @ np.array([[0.0, 0, 1], [1, 0, 0], [0, 1, 0]]) + 500,
        faces=scan.faces,
    )
    assert check_made(turned, [part]).rms == pytest.approx(first.rms, abs=0.03)


def test_bad_scans_end_in_one_sentence(parts: dict[str, Part]) -> None:
    part = parts["left-arch-pad"]
    scan = made_scan(part, spacing=5.0)
    with pytest.raises(ScanReadError, match=r"only \d+ points .* scan it more finely"):
        check_made(scan, [part])
    flat = Scan(vertices=np.zeros((500, 3)), faces=np.zeros((0, 3), dtype=np.int64))
    with pytest.raises(UnitsError, match="in no unit"):
        check_made(flat, [part])
    with pytest.raises(ValueError, match="wants parts and a tolerance"):
        check_made(scan, [])


def test_two_parts_in_one_scan_are_refused(parts: dict[str, Part]) -> None:
    pair = [parts[f"{side}-arch-pad"] for side in ("left", "right")]
    meshes = [trimesh.Trimesh(one.vertices, one.faces, process=False) for one in pair]
    meshes[1].apply_translation((0.0, 120.0, 0.0))
    one = trimesh.util.concatenate(meshes)
    scan = Scan(vertices=np.array(one.vertices), faces=np.array(one.faces, dtype=np.int64))
    with pytest.raises(ScanReadError, match="scan one part at a time, in one piece"):
        check_made(scan, [parts["left-arch-pad"]])


def test_a_part_scanned_upside_down_does_not_show_its_top(parts: dict[str, Part]) -> None:
    part = parts["left-arch-pad"]
    scan = made_scan(part, noise=0.1)
    points = check_made(scan, [part]).placed.points
    under = points[points[:, 2] < 0.35]
    with pytest.raises(NotThisPartError, match=r"that side up|scan the whole part"):
        check_made(Scan(vertices=under, faces=scan.faces), [part])


@pytest.mark.long
def test_the_picture_shows_too_much_in_orange_and_too_little_in_purple(
    parts: dict[str, Part],
) -> None:
    part = parts["left-arch-pad"]
    share = {}
    for amount in (-0.8, 0.0, 0.8):
        check = check_made(made_scan(part, bump(*place(part), amount), table=True), [part])
        drawn = image.imread(io.BytesIO(made_png(check)), format="png")[..., :3]
        page = drawn[: int(0.7 * drawn.shape[0]), : int(0.72 * drawn.shape[1])]  # beside the key
        red, blue = page[..., 0] - page[..., 2] > 0.35, page[..., 2] - page[..., 1] > 0.15
        share[amount] = red.mean(), blue.mean()
    assert share[0.8][0] > 0.01 > share[0.0][0]
    assert share[-0.8][1] > 0.01 > share[0.0][1]
    assert share[0.8][1] < 0.01
    assert share[-0.8][0] < 0.01


# ---- the command -----------------------------------------------------------------------------


def written(path: Path, scan: Scan) -> Path:
    """Write a scan as a scanner does."""
    if len(scan.faces):
        trimesh.Trimesh(scan.vertices, scan.faces, process=False).export(path)
    else:
        trimesh.PointCloud(scan.vertices).export(path)
    return path


def test_the_command_tells_good_from_bad_and_left_from_right(
    plan: Plan, parts: dict[str, Part], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = tmp_path / "plan.json"
    record.write_text(to_json(plan), encoding="utf-8")
    part = parts["left-arch-pad"]
    good = written(tmp_path / "good.ply", made_scan(part, table=True, unit=Unit.INCH))
    bad = written(tmp_path / "bad.stl", made_scan(part, bump(*place(part), 0.9), mesh=True))
    asked = ["--plan", str(record), "--part", "arch-pad"]

    assert cli.main(["compare", str(good), *asked, "--side", "left"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("left-arch-pad: within 0.5 mm of the plan")
    assert "unit: inch, told from the plan" in said
    assert "noise of the scan: 0.1" in said

    target = tmp_path / "bad.png"
    told_by = ["--json", "--picture", str(target)]
    assert cli.main(["compare", str(bad), *asked, "--side", "left", *told_by]) == 10
    told = json.loads(capsys.readouterr().out)
    assert told["within_tolerance"] is False
    assert told["places"][0]["deviation_mm"] == pytest.approx(0.9, abs=FOUND_MM)
    assert target.read_bytes().startswith(b"\x89PNG")
    assert cli.main(["compare", str(bad), *asked, "--tolerance", "1.2", "--quiet"]) == 0
    assert "It is the left part: the other one does not fit." in capsys.readouterr().out

    assert cli.main(["compare", str(good), *asked, "--side", "right"]) == 4
    assert "this is the other foot's part" in capsys.readouterr().err
    other = ["compare", str(good), "--plan", str(record), "--side", "left", "--part"]
    assert cli.main([*other, "base"]) == 3
    assert "in no unit" in capsys.readouterr().err
    assert cli.main([*other, "sole"]) == 3
    assert "no sole for the left foot; its parts are left-base" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (["a.ply", "--plan", "p.json"], "wants both --plan PLAN and --part NAME"),
        (["a.ply", "--part", "base"], "wants both --plan PLAN and --part NAME"),
        (["a.ply", "--tolerance", "1"], "wants both --plan PLAN and --part NAME"),
        (["a.ply", "b.ply", "--plan", "p.json", "--part", "base"], "the scan of one made part"),
        (["a.ply", "--plan", "p.json", "--part", "base", "--load", "half"], "--load says"),
        (["a.ply", "--plan", "p.json", "--part", "base", "--tolerance", "0"], "--tolerance"),
        (["a.ply", "--plan", "p.json", "--part", "base", "--picture", "a.pdf"], "ends in .png"),
    ],
)
def test_wrong_use_is_said(
    options: list[str], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["compare", *options]) == 2
    assert why in capsys.readouterr().err
