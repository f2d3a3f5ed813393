"""Things drawn or said at another place of a template, bench page or gauge: each is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from insole.errors import OutputError
from insole.output.papers import gauges, template, template_lines
from insole.output.settings import folder_name
from insole.readback import full_size
from insole.readback.told import Told
from insole.record.plan import Plan, to_json
from tests.insole.readback.conftest import Bench
from tests.plans import sample_plan

TEMPLATE, GAUGES = "paper/template-*.pdf", "paper/section-gauges-*.pdf"


def written(
    monkeypatch: pytest.MonkeyPatch, module: Any, change: Callable[[str, dict[str, Any]], str]
) -> None:
    """Have words come out otherwise: `change` gets text and keywords."""
    real = module.write

    def other(canvas: Any, x: float, y: float, text: str, *more: Any, **how: Any) -> Any:
        return real(canvas, x, y, change(text, how), *more, **how)

    monkeypatch.setattr(module, "write", other)


@pytest.mark.parametrize("ring", ["arch-pad", "heel-shim", "forefoot-shim", "under-shoe-shim"])
def test_a_part_drawn_at_another_place_of_the_base(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, ring: str
) -> None:
    """A centimetre further forward a pad lies under the ball."""
    made_copy.kept("paper")
    real = template.drawing_of

    def moved(*what: Any) -> Any:
        drawing = real(*what)
        rings = {k: v + np.array([4.0, 0.0]) if k == ring else v for k, v in drawing.rings.items()}
        return replace(drawing, rings=rings)

    monkeypatch.setattr(template, "drawing_of", moved)
    made_copy.write(TEMPLATE)
    made_copy.refused(f"-{ring} is not drawn where the plan places it")


@pytest.mark.parametrize("way", [(6.0, 0.0), (0.0, -5.0)])
def test_a_crest_marked_at_another_place(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, way: tuple[float, float]
) -> None:
    made_copy.kept("paper")
    real = template_lines.crest_point
    monkeypatch.setattr(template_lines, "crest_point", lambda foot: real(foot) + np.array(way))
    made_copy.write(TEMPLATE)
    made_copy.refused("the crest of the left pad is not where the plan has it")


def test_a_crest_measured_from_the_little_toe_edge(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("paper")
    real = template_lines.crest_point
    monkeypatch.setattr(template_lines, "crest_point", lambda foot: real(foot) * [1.0, -1.0])
    made_copy.write(TEMPLATE)
    made_copy.refused("the crest of the left pad is not where the plan has it")


def test_the_lines_of_full_height_at_other_stations(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("paper")
    real = template_lines.wedge_lines

    def shifted(wedge: Any) -> Any:
        full, band = real(wedge)
        return [line + np.array([3.0, 0.0]) for line in full], band

    monkeypatch.setattr(template_lines, "wedge_lines", shifted)
    made_copy.write(TEMPLATE)
    made_copy.refused("the line at .* mm to which .*-shim is full is not where the plan has it")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda text, how: str(6 - int(text)), "metatarsal head . is numbered"),
        (lambda text, how: {"HEEL": "TOES", "TOES": "HEEL"}[text], "HEEL stands ahead of TOES"),
        (lambda text, how: "TOES", "1: the ends of the arrow are not called HEEL and TOES"),
        (lambda text, how: str(int(text) + 10), "stands at another station of the centreline"),
    ],
)
def test_heads_arrow_and_scale(
    made_copy: Bench,
    monkeypatch: pytest.MonkeyPatch,
    change: Callable[[str, dict[str, Any]], str],
    sentence: str,
) -> None:
    made_copy.kept("paper")

    def only(text: str, how: dict[str, Any]) -> str:
        heads = "numbered" in sentence and len(text) == 1 and text.isdigit()
        arrow = " TOES" in sentence and text in ("HEEL", "TOES")
        scale = "station" in sentence and text.isdigit() and int(text) >= 50 and "align" not in how
        return change(text, how) if heads or arrow or scale else text

    written(monkeypatch, template_lines, only)
    made_copy.write(TEMPLATE)
    made_copy.refused(sentence)


def test_the_arrow_on_the_underside(made_copy: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut out, that page alone says which way a base lies."""
    made_copy.kept("paper")
    real = template_lines.write
    faces = {"face": ""}

    def page(canvas: Any, drawing: Any, sheet: Any) -> None:
        faces["face"] = sheet.face
        draw(canvas, drawing, sheet)

    def other(canvas: Any, x: float, y: float, text: str, *more: Any, **how: Any) -> None:
        text = (
            {"HEEL": "TOES", "TOES": "HEEL"}.get(text, text) if faces["face"] == "below" else text
        )
        real(canvas, x, y, text, *more, **how)

    draw = template._draw_page
    monkeypatch.setattr(template, "_draw_page", page)
    monkeypatch.setattr(template_lines, "write", other)
    made_copy.write(TEMPLATE)
    made_copy.refused("page 2: HEEL stands ahead of TOES at the arrow")


# ------------------------------------------------------------------ dowels and tender spots


def _drilled(tmp_path: Path, draw: Callable[[Path, Plan], None]) -> None:
    """Write and read the template of a right base with holes for dowels and a tender spot."""
    plan = sample_plan(sides=("right",))
    spots = [(117.0, 9.0), (141.0, 9.0), (123.0, -18.0)]
    base = plan.right.base.model_copy(update={"dowels": spots, "thickness": 2.4})
    foot = plan.right.model_copy(update={"base": base})
    wishes = {**plan.wishes, "right": {"tender": [[110.0, -12.0]]}}
    plan = plan.model_copy(update={"right": foot, "wishes": wishes})
    path = tmp_path / "template.pdf"
    draw(path, plan)
    full_size.check_template(path, Told.of(json.loads(to_json(plan)), folder_name(plan), {}))


def _template(path: Path, plan: Plan) -> None:
    template.write_template(path, plan, ())


def test_holes_and_tender_spots_as_planned_are_read_without_a_word(tmp_path: Path) -> None:
    _drilled(tmp_path, _template)


@pytest.mark.parametrize("what", ["circle", "cross", "number"])
def test_holes_for_dowels_elsewhere_on_the_template(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """Drilled on the other side of the line a pad goes on turned, or not at all."""
    real = template_lines.draw_dowels

    class Turned:
        """A canvas whose circles lie on the other side of the centreline."""

        def __init__(self, canvas: Any, axis: float) -> None:
            self.canvas, self.axis = canvas, axis

        def circle(self, x: float, *more: Any, **how: Any) -> None:
            self.canvas.circle(2 * self.axis - x, *more, **how)

        def __getattr__(self, name: str) -> Any:
            return getattr(self.canvas, name)

    def dowels(canvas: Any, drawing: Any, sheet: Any) -> None:
        if what == "circle":
            canvas = Turned(canvas, sheet.axis)
        if what == "cross":
            base = drawing.foot.base
            moved = base.model_copy(update={"dowels": [(x, -y) for x, y in base.dowels]})
            foot = drawing.foot.model_copy(update={"base": moved})
            drawing = replace(drawing, foot=foot)
        real(canvas, drawing, sheet)

    if what == "number":
        write = template_lines.write
        monkeypatch.setattr(
            template_lines,
            "write",
            lambda c, x, y, text, size, **how: write(
                c, x, y, {"1": "2", "2": "1"}.get(text, text) if size == 2.5 else text, size, **how
            ),
        )
    monkeypatch.setattr(template, "draw_dowels", dowels)
    sentence = "does not carry its number" if what == "number" else "drilled where the plan has"
    with pytest.raises(OutputError, match=sentence):
        _drilled(tmp_path, _template)


@pytest.mark.parametrize(
    ("one", "two", "sentence"),
    [
        ("to big toe", "to little toe", "dowels are drilled at 1: 117 from rear, 9 to little"),
        (
            "2: 141 from",
            "2: 144 from",
            "dowels are drilled at 1: 117 from rear, 9 to big toe, 2: 1",
        ),
        (
            "1: 117 from rear, 9 to big toe, 2: 141",
            "1: 141 from rear, 9 to big toe, 2: 117",
            "RIGHT foot's dowels are drilled at 1: 141",
        ),
        ("towards the little", "towards the big", "no tender spot 12 mm towards the big at 110 mm"),
        ("110 mm from rear edge", "112 mm from rear edge", "no tender spot .* at 112 mm"),
    ],
)
def test_holes_and_tender_spots_otherwise_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, one: str, two: str, sentence: str
) -> None:
    real = template._callouts
    before: list[str] = []

    def said(drawing: Any, sheet: Any) -> Any:
        found = real(drawing, sheet)
        before.extend(words for _, _, words in found)
        return [(at, title, words.replace(one, two)) for at, title, words in found]

    monkeypatch.setattr(template, "_callouts", said)
    with pytest.raises(OutputError, match=sentence):
        _drilled(tmp_path, _template)
    assert any(one in words for words in before)


@pytest.mark.parametrize(
    ("pattern", "values", "sentence"),
    [
        ("paper/bench-page-*", {"right__wedges__0__full_to": 229.0}, "no shim of the RIGHT foot"),
        ("paper/bench-page-*", {"left__wedges__0__full_to": 88.0}, "no shim of the LEFT foot"),
        ("paper/bench-page-*", {"right__wedges__0__remainder": -0.5}, "0.5° valgus of the RIGHT"),
        (TEMPLATE, {"left__wedges__0__full_to": 88.0}, "no shim of the LEFT foot is full"),
        ("paper/bench-page-*", {"left__pad__rear_edge": 60.0}, "the LEFT pad is said to end at"),
        (TEMPLATE, {"left__pad__front_edge": 99.0}, "the front edge of the LEFT pad is said at 99"),
        (TEMPLATE, {"right__pad__rear_edge": 31.0}, "the rear edge of the RIGHT pad is said at 31"),
    ],
)
def test_other_stations_in_words(
    made_copy: Bench,
    edited: Callable[..., Plan],
    pattern: str,
    values: dict[str, float],
    sentence: str,
) -> None:
    made_copy.kept("paper")
    plan = edited(**values)
    made_copy.write(pattern, plan=plan)
    made_copy.refused(f"{sentence}|is full is not where the plan has it")


# ------------------------------------------------------------------ gauges


def test_figures_on_a_gauge_a_millimetre_off(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("paper")

    def more(text: str, how: dict[str, Any]) -> str:
        return f"{float(text) + 1:.1f}" if text.replace(".", "", 1).isdigit() else text

    written(monkeypatch, gauges, more)
    made_copy.write(GAUGES)
    made_copy.refused("the card at .* mm says .* mm where it is")


@pytest.mark.parametrize("change", [lambda z: 0.85 * z, lambda z: z[::-1], lambda z: z + 1.0])
def test_a_gauge_cut_to_other_heights(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, change: Callable[[Any], Any]
) -> None:
    made_copy.kept("paper")
    real = gauges.gauges_of
    monkeypatch.setattr(
        gauges, "gauges_of", lambda foot: [replace(g, z=change(g.z)) for g in real(foot)]
    )
    made_copy.write(GAUGES)
    made_copy.refused("the card at .* mm is .* mm off the part's height")


def test_a_gauge_named_for_another_station(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("paper")
    real = gauges.gauges_of

    def renamed(foot: Any) -> Any:
        first, *rest = real(foot)
        return [replace(first, station=first.station + 25.0), *rest]

    monkeypatch.setattr(gauges, "gauges_of", renamed)
    made_copy.write(GAUGES)
    made_copy.refused(
        "the card at .* mm is (not as wide|.* mm off)|its stations do not run from the"
    )


def test_two_gauges_of_one_station(made_copy: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rear half would go unmeasured."""
    made_copy.kept("paper")
    real = gauges.gauges_of

    def twice(foot: Any) -> Any:
        first, *rest = real(foot)
        return [replace(rest[-1], name=first.name), *rest]

    monkeypatch.setattr(gauges, "gauges_of", twice)
    made_copy.write(GAUGES)
    made_copy.refused("its stations do not run from the heel to the toes")
