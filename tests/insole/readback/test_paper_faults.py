"""Faults on papers: which foot, which face, which number; each is refused with its own sentence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from insole.errors import OutputError
from insole.output import contents, folder, ink
from insole.output.cut import cutting, labels
from insole.output.papers import bench, gauges, template, template_lines, tiles
from insole.parts.part import Part
from insole.record.plan import Plan
from tests.insole.readback.conftest import SETTINGS, Bench

Edited = Callable[..., Plan]
TEMPLATE, GAUGES = "paper/template-a4*.pdf", "paper/section-gauges*.pdf"
BENCH, REPORT, PLAN = "paper/bench-page*.pdf", "paper/report*.pdf", "paper/plan-*.pdf"


@pytest.fixture
def only(made_copy: Bench) -> Callable[[str], Bench]:
    """Return the folder with one paper in it."""

    def keep(pattern: str) -> Bench:
        made_copy.kept("paper")
        wanted = made_copy.file(pattern)
        for path in made_copy.place.glob("paper/*"):
            if path != wanted:
                path.unlink()
        return made_copy

    return keep


def reworded(
    monkeypatch: pytest.MonkeyPatch, module: Any, change: Callable[[str], str], **sizes: Any
) -> None:
    """Have words on a drawn page written otherwise."""
    real = ink.write

    def write(canvas: Any, x: float, y: float, words: str, size: float, **how: Any) -> None:
        real(canvas, x, y, change(words), size, **how)

    monkeypatch.setattr(module, "write", write)


def swapped(one: str, two: str) -> Callable[[str], str]:
    return lambda text: text.replace(one, "\0").replace(two, one).replace("\0", two)


# ------------------------------------------------------------------ template


@pytest.mark.parametrize("module", [template, template_lines])
def test_a_template_that_names_the_other_foot(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch, module: Any
) -> None:
    made = only(TEMPLATE)
    reworded(monkeypatch, module, swapped("LEFT", "RIGHT"))
    made.write(TEMPLATE)
    made.refused("template-a4.*page 1 names LEFT and RIGHT")


def test_a_template_that_names_the_other_foot_everywhere(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(TEMPLATE)
    for module in (template, template_lines):
        reworded(monkeypatch, module, swapped("LEFT", "RIGHT"))
    made.write(TEMPLATE)
    made.refused("page 1: the outline of the right base is the mirror image of the plan's|not at")


@pytest.mark.parametrize(
    ("one", "two", "sentence"),
    [
        ("SEEN FROM ABOVE", "SEEN FROM BELOW", "page 1 does not say from which side it is seen"),
        ("foot side up", "shoe side up", "page 1 does not say from which side it is seen"),
    ],
)
def test_a_template_seen_from_the_wrong_side(
    only: Callable[[str], Bench],
    monkeypatch: pytest.MonkeyPatch,
    one: str,
    two: str,
    sentence: str,
) -> None:
    made = only(TEMPLATE)
    for module in (template, template_lines):
        reworded(monkeypatch, module, swapped(one, two))
    made.write(TEMPLATE)
    made.refused(sentence)


def test_faces_of_a_template_exchanged_altogether(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(TEMPLATE)
    faces = {"above": tiles.FACES["below"], "below": tiles.FACES["above"]}
    monkeypatch.setattr(template, "FACES", faces)
    monkeypatch.setattr(template_lines, "FACES", faces)
    made.write(TEMPLATE)
    made.refused("the outline of the left base is the mirror image of the plan's")


def test_a_template_drawn_mirrored(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(TEMPLATE)
    real = template.sheets

    def sheets(drawing: Any, face: str, width: float, height: float) -> Any:
        return [replace(s, across=-s.across) for s in real(drawing, face, width, height)]

    monkeypatch.setattr(template, "sheets", sheets)
    made.write(TEMPLATE)
    made.refused("page 1: the outline of the left base is the mirror image of the plan's")


@pytest.mark.parametrize("factor", [1.02, 0.98])
@pytest.mark.parametrize("what", ["ruler", "page"])
def test_a_template_of_another_size(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch, factor: float, what: str
) -> None:
    made = only(TEMPLATE)
    if what == "ruler":
        monkeypatch.setattr(template_lines, "RULER", 100.0 * factor)
    else:
        monkeypatch.setattr(template, "MM", ink.MM * factor)
    made.write(TEMPLATE)
    made.refused("no ruler of 100 mm with a tick each 10 mm across the page")


def test_ruler_ticks_off_while_its_length_is_right(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(TEMPLATE)
    real = template.draw_rulers

    class Ticks:
        def __init__(self, canvas: Any) -> None:
            self._canvas = canvas

        def __getattr__(self, name: str) -> Any:
            return getattr(self._canvas, name)

        def line(self, x0: float, y0: float, x1: float, y1: float) -> None:
            factor = 0.98 if x0 == x1 and 0 < x0 < 100 else 1.0
            self._canvas.line(x0 * factor, y0, x1 * factor if x0 == x1 else x1, y1)

    monkeypatch.setattr(template, "draw_rulers", lambda canvas, sheet: real(Ticks(canvas), sheet))
    made.write(TEMPLATE)
    made.refused("no ruler of 100 mm with a tick each 10 mm across the page")


def test_thick_edge_on_the_thin_side_of_a_template(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(TEMPLATE)
    real = template.draw_thick_edge

    def draw(canvas: Any, drawing: Any, wedge: Any, *rest: Any) -> None:
        wrong = wedge.model_copy(
            update={
                "net": -wedge.net,
                "thick_side": "little-toe side" if wedge.net > 0 else "big-toe side",
            }
        )
        real(canvas, drawing, wrong, *rest)

    monkeypatch.setattr(template, "draw_thick_edge", draw)
    made.write(TEMPLATE)
    made.refused(r"THICK EDGE 2.9 mm stands on the thin side")


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        (
            {"left__pad__crest__from_medial": 69.0},
            "crest of the left pad is not where the plan has it",
        ),
        ({"right__pad__crest__from_rear": 131.0}, "crest of the right pad is not where the plan"),
        ({"left__pad__crest__height": 12.0}, r"LEFT foot is said 12.0 mm high, the plan says 9.0"),
        ({"left__wedges__0__net": 3.0}, r"LEFT inside heel is said 3° varus, the plan says 2°"),
        ({"left__wedges__0__net": -2.0}, r"LEFT inside heel is said 2° valgus"),
        ({"right__wedges__0__thick_edge": 4.8}, r"said 4.8 mm thick|no shim of the right foot"),
        ({"right__wedges__1__thick_side": "big-toe side"}, r"THICK EDGE 3.1 mm stands on the thin"),
        ({"right__landmarks__mth1": [180.0, 33.0, 4.0]}, r"the ball line of the right foot is not"),
        ({"left__landmarks__mth5": [199.0, -37.0, 4.0]}, r"the ball line of the left foot is not"),
    ],
)
def test_figures_on_a_template_that_are_not_the_plans(
    only: Callable[[str], Bench], edited: Edited, values: dict[str, Any], sentence: str
) -> None:
    plan = edited(**values)
    made = only(TEMPLATE)
    made.write(TEMPLATE, plan=plan)
    made.refused(sentence)


def test_a_template_of_another_case(only: Callable[[str], Bench], edited: Edited) -> None:
    plan = edited(case="demo-0002")
    made = only(TEMPLATE)
    template.write_template(made.file(TEMPLATE), plan, made.parts)
    made.refused("page 1 does not name the case demo-0001")


def test_a_template_without_one_foot(only: Callable[[str], Bench]) -> None:
    made = only(TEMPLATE)
    plan = made.plan.model_copy(update={"left": None})
    template.write_template(made.file(TEMPLATE), plan, made.parts)
    made.refused("has no page for the left foot seen from above")


# ------------------------------------------------------------------ gauges


def test_gauges_that_name_the_other_foot(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(GAUGES)
    reworded(monkeypatch, gauges, swapped("LEFT", "RIGHT"))
    made.write(GAUGES)
    made.refused("seen from behind, big toe and little toe are exchanged")


def test_gauges_with_the_toes_exchanged(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(GAUGES)
    reworded(monkeypatch, gauges, swapped("big-toe", "little-toe"))
    made.write(GAUGES)
    made.refused("page 1: seen from behind, big toe and little toe are exchanged")


def test_one_title_of_a_gauge_names_the_other_foot(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(GAUGES)
    reworded(monkeypatch, gauges, lambda t: t.replace("LEFT at the crest", "RIGHT at the crest"))
    made.write(GAUGES)
    made.refused("page 1 names LEFT and RIGHT")


def test_gauges_cut_at_another_station(only: Callable[[str], Bench], edited: Edited) -> None:
    plan = edited(right__pad__crest__from_rear=140.0)
    made = only(GAUGES)
    made.write(GAUGES, plan=plan)
    made.refused("page 2 does not cut at the crest, 128 mm")


def test_a_gauges_ruler_that_is_off(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(GAUGES)
    monkeypatch.setattr(gauges, "RULER", 98.0)
    made.write(GAUGES)
    made.refused("page 1: no ruler of 100 mm")


# ------------------------------------------------------------------ bench, plan, report


def feet_exchanged(plan: Plan) -> Plan:
    """Return the plan with what is said of the feet exchanged, sides kept."""
    assert plan.left is not None
    assert plan.right is not None
    return plan.model_copy(
        update={
            "left": plan.right.model_copy(update={"side": "left"}),
            "right": plan.left.model_copy(update={"side": "right"}),
        }
    )


@pytest.mark.parametrize("paper", [BENCH, PLAN, REPORT])
def test_what_is_said_of_the_feet_exchanged(only: Callable[[str], Bench], paper: str) -> None:
    made = only(paper)
    made.write(paper, plan=feet_exchanged(made.plan))
    made.refused(
        r"(LEFT|RIGHT) foot is said|gives the (LEFT|RIGHT) foot a wedge|does not say"
        r"|puts a shim under the shoe into the LEFT shoe"
    )


@pytest.mark.parametrize("paper", [BENCH, PLAN])
@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({"left__pad__crest__from_medial": 69.4}, r"LEFT foot is said 69.4 mm from the medial"),
        ({"right__pad__crest__from_rear": 118.0}, r"RIGHT foot is said 118.0 mm from the rear"),
        ({"left__wedges__0__net": -2.0}, r"LEFT [Ii]nside heel is said 2° valgus, the plan says"),
        ({"left__wedges__0__thick_side": "little-toe side"}, r"said thick on the little-toe side"),
        ({"right__wedges__1__net": -2.0}, r"RIGHT under the shoe is said 2° valgus|Under the shoe"),
        ({"right__cleat__from_ball_mark": 20.0}, r"RIGHT cleat is said 20.0 mm ahead of MTH1"),
        ({"left__cleat__from_ball_mark": 4.0}, r"LEFT cleat is said 4.0 mm ahead of MTH1, the"),
        ({"right__pad": None}, r"does not say where the crest of the RIGHT foot is"),
        ({"left__wedges": []}, r"does not say angle and thick side of the LEFT inside heel"),
    ],
)
def test_figures_on_bench_and_plan_page_that_are_not_the_plans(
    only: Callable[[str], Bench], edited: Edited, paper: str, values: dict[str, Any], sentence: str
) -> None:
    plan = edited(**values)
    made = only(paper)
    parts = [p for p in made.parts if p.name not in ("heel-shim", "arch-pad")]
    made.write(paper, plan=plan, parts=parts if None in values.values() else ())
    made.refused(sentence)


@pytest.mark.parametrize(("row", "station"), [(0, "heel"), (1, "arch"), (2, "ball"), (3, "toes")])
def test_thickness_at_another_station(
    only: Callable[[str], Bench], edited: Edited, row: int, station: str
) -> None:
    plan = edited(**{f"left__thickness__{row}__after": 7.7})
    made = only(BENCH)
    made.write(BENCH, plan=plan)
    made.refused(f"thickness of the LEFT {station} is said 7.7 mm after, the plan says")


def test_the_bench_pages_heads_exchanged(
    only: Callable[[str], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = only(BENCH)
    real = bench.paragraph
    exchange = swapped("<b>LEFT</b>", "<b>RIGHT</b>")
    monkeypatch.setattr(bench, "paragraph", lambda text, *a, **k: real(exchange(text), *a, **k))
    made.write(BENCH)
    made.refused("page 1: RIGHT stands left of LEFT")


@pytest.mark.parametrize("paper", [BENCH, REPORT, PLAN])
def test_a_paper_of_another_case(only: Callable[[str], Bench], edited: Edited, paper: str) -> None:
    plan = edited(case="other-0002")
    made = only(paper)
    name = made.file(paper).name
    for item in contents.items(plan, made.parts, SETTINGS):
        if Path(item.path).name.replace("other-0002", "demo-0001") == name:
            item.write(made.file(paper))
    made.refused("does not name the case demo-0001")


# ------------------------------------------------------------------ in the writing of a folder


def test_a_fault_leaves_nothing_behind(
    made: tuple[Plan, list[Part], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan, parts, _ = made
    wanted = [part for part in parts if part.side.value == "left"]
    one = plan.model_copy(update={"right": None})
    real = labels._face_words
    monkeypatch.setattr(
        labels, "_face_words", lambda part, face: real(part, "shoe" if face == "foot" else "foot")
    )
    cutting._drawn_once.cache_clear()
    with pytest.raises(OutputError, match="does not say FOOT SIDE UP"):
        folder.write(one, wanted, tmp_path / "out", settings=SETTINGS)
    assert not list(tmp_path.iterdir())
