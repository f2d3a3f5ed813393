"""The metatarsal pad: behind heads 2 to 4, on the right side, as high as wished, on every paper."""

from __future__ import annotations

import json
import math
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh

from footscan.scan import Side
from insole.errors import PlanError
from insole.output.papers import bench, template
from insole.output.places import metatarsal_words
from insole.output.work import steps
from insole.parts import assembly, build
from insole.parts.pad import metatarsal_pad
from insole.parts.part import as_worn
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes, describe_change
from insole.planning.stack import Stack
from insole.planning.support import metatarsal
from insole.planning.support.tops import PadTop
from insole.record.limits import default_limits
from insole.record.plan import FootPlan, Plan, from_json, json_schema, to_json
from insole.shoe.shoe import parse
from tests import feet
from tests.insole.test_contour import SHOE

LIMITS = default_limits()
HEADS = ("mth2", "mth3", "mth4")


@lru_cache(maxsize=16)
def pair(**wish) -> Plan:
    feet_ = (feet.analytic(side=side, length=260.0, arch=13.0) for side in ("left", "right"))
    return planner.plan(*feet_, SHOE, PlanWishes(both=FootWish.of(**{"support_level": 0.8} | wish)))


def heads(foot: FootPlan) -> np.ndarray:
    return np.array([foot.landmarks[name][:2] for name in HEADS])


def behind_line(foot: FootPlan, points) -> np.ndarray:
    """Return how far places lie behind the line from head 4 to head 2, reckoned anew, mm."""
    second, _, fourth = heads(foot)
    along = (second - fourth) / np.linalg.norm(second - fourth)
    back = np.array([-along[1], along[0]])
    assert back[0] < 0  # towards the heel
    return (np.atleast_2d(points) - fourth) @ back


@pytest.mark.parametrize("behind", [5.0, None, 12.0])
@pytest.mark.parametrize("foot", [0, 1])
def test_crest_lies_behind_the_line_of_heads_on_both_feet(foot, behind):
    foot = pair(metatarsal=5.0, metatarsal_behind=behind, pad=behind != 12.0).feet[foot]
    dome = foot.metatarsal
    crest = [dome.crest.from_rear, dome.crest.y]
    # head 3 of this foot lies 1 mm behind the line from 4 to 2: the pad keeps clear of it too
    rear = max(0.0, float(behind_line(foot, foot.landmarks["mth3"][:2])[0]))
    assert behind_line(foot, crest)[0] - rear == pytest.approx(behind or 8.0, abs=0.03)
    assert dome.behind == (behind or 8.0)
    middle = heads(foot).mean(axis=0)
    second, _, fourth = heads(foot)
    along = (second - fourth) / np.linalg.norm(second - fourth)
    assert (np.array(crest) - middle) @ along == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("height", [4.0, 5.0, 6.0])
@pytest.mark.parametrize("behind", [5.0, 8.0])
def test_it_lies_under_no_head(height, behind):
    for foot in pair(metatarsal=height, metatarsal_behind=behind).feet:
        ring = np.array(foot.metatarsal.outline)
        clear = LIMITS.value("metatarsal.head_clear")
        assert behind_line(foot, ring).min() >= clear - 0.01
        for k in range(1, 6):
            head = shapely.Point(foot.landmarks[f"mth{k}"][:2])
            assert shapely.Polygon(ring).distance(head) >= clear - 0.01


@pytest.mark.parametrize("height", [4.0, 6.0])
def test_height_edge_and_slopes(height):
    foot = pair(metatarsal=height).feet[1]
    dome, top = foot.metatarsal, PadTop(foot.metatarsal)
    crest = np.array([dome.crest.from_rear]), np.array([dome.crest.y])
    assert float(top.at(*crest)[0]) == pytest.approx(height, abs=0.03)
    assert dome.crest.height == height
    rim = top.at(*np.array(dome.outline).T)
    assert rim.max() <= 0.5
    x, y = np.meshgrid(np.arange(130.0, 200.0, 0.5), np.arange(-40.0, 40.0, 0.5), indexing="ij")
    z = np.where(top.inside(x, y) > 0, top.at(x, y), np.nan)
    assert np.nanmax(z) <= height + 0.02
    slope = np.degrees(np.arctan(np.hypot(*np.gradient(z, 0.5))))
    rear = x < dome.crest.from_rear - 8.0  # behind the crest, across the whole of it
    assert np.nanmax(slope[rear]) <= LIMITS.value("feel.slope") + 1.0
    said = next(r for r in dome.reasons if "falls by up to" in r)
    steepest = float(said.split("up to ")[1].split("°")[0])
    assert np.nanmax(slope) == pytest.approx(steepest, abs=1.5)


def test_left_is_right_mirrored_and_the_part_says_which():
    plan = pair(metatarsal=5.0, pad=False)
    left, right = (as_worn(metatarsal_pad(foot, "case")) for foot in plan.feet)
    assert (left.name, left.side, right.side) == ("metatarsal-pad", Side.LEFT, Side.RIGHT)
    a, b = (np.round(part.outline, 3) for part in (left, right))
    assert {(x, -y) for x, y in a.tolist()} == {(x, y) for x, y in b.tolist()}
    # a right foot's big toe lies at +y, so does the notch and the side of head 2
    for part, sign, foot in ((left, -1.0, plan.feet[0]), (right, 1.0, plan.feet[1])):
        solid = trimesh.Trimesh(part.vertices, part.faces, process=False)
        assert solid.is_watertight
        crest = part.facts.crest.at
        assert sign * (part.facts.notch[1] - crest[1]) > 5.0
        front = part.outline[part.outline[:, 0].argmax()]
        assert sign * (front[1] - crest[1]) > 2.0  # head 2 lies further forward than head 4
        assert part.facts.engraved.texts == (">", foot.side.upper(), "META", "SHOE")
        assert {mark.face for mark in part.marks} == {"shoe"}
        assert build.check(part) == []
        assert part.facts.behind == 8.0


def test_what_has_no_room_to_be_cut_in_is_written_by_hand():
    parts = {p.label: p for p in build.all_parts(pair(metatarsal=5.0))}
    part = parts["right-metatarsal-pad"]
    missing = set(part.facts.engraved.paper_only)
    assert {">", "RIGHT", "META", "SHOE"} == missing | set(part.facts.engraved.texts)
    assert "RIGHT" in part.facts.engraved.texts
    assert all("write it on by hand" in s for s in build.check(part))


def test_step_solid_holds_the_same_volume():
    part = metatarsal_pad(pair(metatarsal=5.0).feet[1], "case")
    solid = part.solid()
    assert solid.isValid()
    assert solid.Volume() == pytest.approx(part.volume, rel=5e-3)


@pytest.mark.parametrize("wish", [{}, {"forefoot": 2.0}, {"heel": 1.0}, {"pad": False}])
def test_it_lies_clear_of_the_arch_pad_and_on_the_shim(wish):
    plan = pair(metatarsal=6.0, **wish)
    parts = build.all_parts(plan)
    assert assembly.clash(parts, plan) == []
    for foot in plan.feet:
        dome = shapely.Polygon(foot.metatarsal.outline)
        if foot.pad is not None:
            assert dome.distance(shapely.Polygon(foot.pad.outline)) >= 0.99
        on = [r for r in foot.metatarsal.reasons if "lies on the forefoot shim" in r]
        assert bool(on) == ("forefoot" in wish)
        assert shapely.Polygon(foot.base.outline).covers(dome)


def test_clash_sees_a_metatarsal_pad_in_an_arch_pad():
    plan = pair(metatarsal=5.0)
    foot = plan.feet[1]
    moved = foot.metatarsal.model_copy(
        update={
            "outline": [(x - 40.0, y + 10.0) for x, y in foot.metatarsal.outline],
            "top": foot.metatarsal.top.model_copy(
                update={"x0": foot.metatarsal.top.x0 - 40.0, "y0": foot.metatarsal.top.y0 + 10.0}
            ),
            "crest": foot.metatarsal.crest.model_copy(
                update={
                    "from_rear": foot.metatarsal.crest.from_rear - 40.0,
                    "y": foot.metatarsal.crest.y + 10.0,
                }
            ),
        }
    )
    wrong = plan.model_copy(update={"right": foot.model_copy(update={"metatarsal": moved})})
    (found,) = assembly.clash(build.all_parts(wrong), wrong)
    assert "right foot: arch pad and metatarsal pad would press into each other" in found
    assert "move the arch pad back" in found


def test_no_room_beside_the_arch_pad_is_refused():
    with pytest.raises(
        PlanError,
        match=r"metatarsal pad and arch pad want the same place.*"
        r"move the arch pad back by some 5 mm, place its crest nearer to the heads",
    ) as caught:
        pair(metatarsal=5.0, metatarsal_behind=12.0)
    assert caught.value.asks == ("shift_pad", "metatarsal_behind", "contoured")
    assert pair(metatarsal=5.0, metatarsal_behind=12.0, shift=(-5.0, 0.0)).right.metatarsal
    assert pair(metatarsal=5.0, metatarsal_behind=8.0).right.metatarsal


@pytest.mark.parametrize(
    ("wish", "match"),
    [
        ({"metatarsal": 3.9}, "metatarsal pad cannot be 3.9 mm; give 4 to 6 mm"),
        ({"metatarsal": 6.5}, "metatarsal pad cannot be 6.5 mm; give 4 to 6 mm"),
        ({"metatarsal": math.nan}, "metatarsal pad cannot be nan mm"),
        ({"metatarsal": 5.0, "metatarsal_behind": 4.0}, "4 mm behind the heads; give 5 to 12 mm"),
        ({"metatarsal": 5.0, "metatarsal_behind": 13.0}, "13 mm behind the heads; give 5 to 12 mm"),
        ({"metatarsal_behind": 8.0}, "no height; wish that as well"),
        ({"metatarsal": 5.0, "contoured": "three-quarter"}, "plan it full length"),
    ],
)
def test_wishes_out_of_range_are_refused_in_one_sentence(wish, match):
    with pytest.raises(PlanError, match=match) as caught:
        pair(**wish)
    assert str(caught.value).count(". ") == 0


def test_heads_that_are_not_known_are_named():
    marks = {name: np.array(p) for name, p in pair(metatarsal=5.0).feet[0].landmarks.items()}
    del marks["mth3"]
    with pytest.raises(PlanError, match=r"metatarsal head 3 is not known.*set them by hand"):
        metatarsal.drop_of(marks, 5.0, None, LIMITS)


def test_without_a_wish_there_is_none_and_older_plans_read_as_written():
    plan = pair()
    assert all(foot.metatarsal is None for foot in plan.feet)
    text = to_json(plan)
    assert "metatarsal" not in json.loads(text)["left"]
    assert to_json(from_json(text)) == text
    with_one = to_json(pair(metatarsal=5.0))
    assert from_json(with_one).left.metatarsal.height == 5.0
    assert to_json(from_json(with_one)) == with_one
    assert "MetatarsalPlan" in json_schema()["$defs"]


def test_pad_and_contoured_bed_share_one_dome():
    bed = pair(metatarsal=5.0, contoured="full")
    assert bed.right.metatarsal is None
    assert bed.right.contour.metatarsal == 5.0
    plain = pair(contoured="full")
    from insole.planning.support.tops import ContourShape

    dome = pair(metatarsal=5.0, pad=False).right.metatarsal
    ring = shapely.Polygon(dome.outline).buffer(-2.0)
    x, y = np.meshgrid(np.arange(140.0, 195.0, 1.0), np.arange(-25.0, 25.0, 1.0), indexing="ij")
    inside = shapely.contains_xy(ring, x, y)
    more = ContourShape(bed.right.contour).inside(x, y) - ContourShape(plain.right.contour).inside(
        x, y
    )
    # the contoured bed is smoothed by 0.7 mm and stored on a 2 mm grid
    assert np.abs(more - PadTop(dome).at(x, y))[inside].max() < 0.35


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ({"mth2": 1.0, "mth3": 3.0, "mth4": 2.0}, " to ± 6 mm only"),
        ({"mth2": 0.5, "mth4": 1.5}, " to ± 3 mm only"),
        ({"mth1": 4.0}, "heads only"),
    ],
)
def test_heads_are_as_sure_as_the_least_sure_of_them(known: dict[str, float], said: str):
    """95 % of the largest deviation of heads 2 to 4: 1.96 times 3 and 1.5."""
    dome = SimpleNamespace(front_slope=10.0, radius=40.0)
    (note, *_) = metatarsal.drop_notes(dome, known)
    assert said in note.text


def test_notes_say_how_sure_the_heads_are_and_never_promise():
    plan = pair(metatarsal=6.0, metatarsal_behind=6.0)
    codes = {note.code: note.text for note in plan.left.notes}
    assert f"± {1.96 * feet.LANDMARK_SD:.0f} mm" in codes["metatarsal-place"]
    assert "feel heads 2 to 4" in codes["metatarsal-place"]
    assert "takes it out" in codes["metatarsal-place"]
    assert "ridge" in codes["metatarsal-steep"]  # 6 mm over 5.5 mm of way
    gentle = {note.code for note in pair(metatarsal=4.0).left.notes}
    assert "metatarsal-steep" not in gentle


def test_thickness_names_it_and_counts_it_at_no_station():
    with_one, without = pair(metatarsal=5.0).left, pair().left
    assert [r.after for r in with_one.thickness] == [r.after for r in without.thickness]
    note = next(r.note for r in with_one.thickness if r.station == "ball")
    stack = LIMITS.value("base.thickness") + LIMITS.value("thickness.cover") + 5.0
    assert f"metatarsal pad 5 mm behind the heads not counted, {stack:.1f} mm in all" in note


def test_contact_presses_where_it_lies():
    case = {c.case: c for c in pair(metatarsal=5.0).right.contact.cases}["pedalling"]
    bare = {c.case: c for c in pair().right.contact.cases}["pedalling"]
    assert case.before == bare.before
    dome = shapely.Polygon(pair(metatarsal=5.0).right.metatarsal.outline)

    def load(found) -> float:
        kpa = np.array(found.kpa)
        x = found.x0 + found.step * np.arange(kpa.shape[0])
        y = found.y0 + found.step * np.arange(kpa.shape[1])
        gx, gy = np.meshgrid(x, y, indexing="ij")
        return float(kpa[shapely.contains_xy(dome, gx, gy)].sum() / kpa.sum())

    assert load(case.after_map) > 1.5 * load(bare.after_map)
    (said,) = [n for n in case.notes if "metatarsal pad carries" in n]
    share = float(said.split("carries ")[1].split(" %")[0])
    assert 100 * load(case.after_map) == pytest.approx(share, abs=2.0)


def test_changes_between_versions_in_words():
    none, five = pair(), pair(metatarsal=5.0)
    assert "left metatarsal pad: none before, 5 mm now" in describe_change(none, five)
    assert "right metatarsal pad: 5 mm before, none now" in describe_change(five, none)
    moved = describe_change(five, pair(metatarsal=5.0, metatarsal_behind=9.5))
    said = "crest of the metatarsal pad: 8 mm behind the heads before, 9.5 mm now"
    assert f"left {said}" in moved
    assert any("right metatarsal pad moved: " in w and "1.4 mm rearward" in w for w in moved)
    assert describe_change(five, five) == []


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("y", "words"), [(3.0, "3 mm medial"), (-2.5, "2.5 mm lateral")])
def test_a_crest_that_moved_across_is_said_by_its_way(side: str, y: float, words: str):
    """By the bed's own axis: the edge from which it is measured runs aslant."""
    plan = pair(metatarsal=5.0)
    foot = getattr(plan, side)
    for name, told in (("metatarsal", "metatarsal pad moved"), ("pad", "crest of the pad")):
        part = getattr(foot, name)
        at = part.crest.model_copy(
            update={"y": part.crest.y + y, "from_medial": part.crest.from_medial + 9.0}
        )
        moved = foot.model_copy(update={name: part.model_copy(update={"crest": at})})
        assert f"{side} {told}: {words}" in describe_change(
            plan, plan.model_copy(update={side: moved})
        )
        old = part.crest.model_copy(update={"y": None})  # of plans that did not keep it
        was = foot.model_copy(update={name: part.model_copy(update={"crest": old})})
        at = old.model_copy(update={"from_medial": old.from_medial - y})
        now = foot.model_copy(update={name: part.model_copy(update={"crest": at})})
        assert f"{side} {told}: {words}" in describe_change(
            plan.model_copy(update={side: was}), plan.model_copy(update={side: now})
        )


@pytest.mark.parametrize(("kept", "all_in"), [(True, "13.0 mm in all"), (False, "8.0 mm in all")])
def test_the_whole_stack_at_its_crest_holds_the_insole_that_is_kept(kept: bool, all_in: str):
    """Base 1.5, cover 1.5 and the dome 5 mm; on an insole of 5 mm when that stays in the shoe."""
    insole = {"kept": kept, "thickness": {"ball": 5.0}}
    at = SimpleNamespace(from_rear=180.0, y=5.0)
    stack = Stack(
        pad=None,
        wedges=(),
        shoe=parse(SHOE.record() | {"stock_insole": insole}),
        limits=default_limits(),
        contour=None,
        shape=None,
        metatarsal=SimpleNamespace(height=5.0, crest=at),
    )
    words = stack.words(stack.at("ball", 185.0, -45.0, 45.0))
    assert f"{all_in} at its crest" in words
    assert ("stock insole kept" in words) == kept


def test_papers_place_it_and_say_what_to_do(tmp_path: Path):
    pdf = pytest.importorskip("pypdfium2", reason="pypdfium2 reads the papers back")
    plan = pair(metatarsal=5.0, forefoot=1.0)
    parts = build.all_parts(plan)
    bench.write_bench_page(tmp_path / "bench.pdf", plan, parts)
    template.write_template(tmp_path / "template.pdf", plan, parts)
    text = {
        name: " ".join(
            " ".join(p.get_textpage().get_text_range().split())
            for p in pdf.PdfDocument(tmp_path / name)
        )
        for name in ("bench.pdf", "template.pdf")
    }
    dome = plan.left.metatarsal
    assert "Metatarsal pad: 5.0 mm high" in text["bench.pdf"]
    assert f"{dome.crest.from_medial:.1f} mm from big-toe edge" in text["bench.pdf"]
    assert "8 mm behind heads 2 to 4" in text["bench.pdf"]
    assert "Metatarsal pad, 5.0 mm high" in text["template.pdf"]
    assert f"crest {dome.crest.from_rear:.1f} mm from rear edge" in text["template.pdf"]
    done = dict(steps(plan))
    assert "metatarsal pad: behind the heads felt" in done["base and pad"]
    assert "metatarsal pad onto the shim" in done["wedge"]
    assert metatarsal_words(plan.right).endswith("front to the little toe")


def test_base_carries_its_placement_line():
    parts = {p.label: p for p in build.all_parts(pair(metatarsal=5.0))}
    for side, sign in (("left", -1.0), ("right", 1.0)):
        dome = getattr(pair(metatarsal=5.0), side).metatarsal
        lines = parts[f"{side}-base"].lines["pad"]
        ring = shapely.Polygon([(x, sign * y) for x, y in dome.outline])
        assert any(
            len(line) > 20 and shapely.Polygon(line).symmetric_difference(ring).area < 1.0
            for line in lines
        )


def test_options_read_the_wish_for_each_foot():
    import click

    from insole.cli.options.scans import scan_options
    from insole.cli.options.wishes import request_of, wish_options

    taken = []

    @click.command()
    @scan_options
    @wish_options
    def command(**given):
        taken.append(given)

    command.main(
        ["--metatarsal", "5", "--metatarsal", "left=4.5", "--metatarsal-behind", "right=9"],
        standalone_mode=False,
    )
    wishes = request_of([], taken[0], 1).wishes
    left, right = wishes.of(Side.LEFT), wishes.of(Side.RIGHT)
    assert (left.support.metatarsal, left.support.behind) == (4.5, None)
    assert (right.support.metatarsal, right.support.behind) == (5.0, 9.0)


def test_print_files_hold_it_on_the_right_side(tmp_path: Path):
    from insole.output.print import printing

    parts = {p.label: p for p in build.all_parts(pair(metatarsal=5.0, pad=False))}
    for side, sign in (("left", -1.0), ("right", 1.0)):
        part = parts[f"{side}-metatarsal-pad"]
        printing.write_stl(tmp_path / f"{side}.stl", part)
        mesh = trimesh.load_mesh(tmp_path / f"{side}.stl")
        assert mesh.is_watertight
        assert mesh.bounds[1][2] - mesh.bounds[0][2] == pytest.approx(5.0, abs=0.03)
        # the front end lies on the side of head 2: at +y on a right part
        v = mesh.vertices
        front, crest = v[v[:, 0].argmax()], v[v[:, 2].argmax()]
        assert sign * (front[1] - crest[1]) > 2.0
