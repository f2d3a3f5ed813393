"""Figures of parts: one said otherwise on one paper, or a record that is not the mesh's."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from footscan.scan import Side
from insole import readback
from insole.errors import OutputError
from insole.output.papers import plan_measures, report_measures, traveller
from insole.readback.workshop import check_layers
from tests.insole.readback.conftest import Bench

README = "READ-ME-FIRST.txt"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            r"left-arch-pad: trial-eva,",
            "left-arch-pad: final-eva,",
            "does not say that left-arch-pad is made of trial-eva",
        ),
        (r"(right-base: .*?)(\d+) cm", r"\1 99 cm", "volume or mass of right-base is not the"),
        (r"(left-base: .*?about) \d+ g", r"\1 7 g", "volume or mass of left-base is not the"),
        (
            r"(left-arch-pad: trial-eva, )[\d.]+( mm high at the\s+crest)",
            r"\g<1>3.3\2",
            "left-arch-pad is .* at its crest and the paper does not say so",
        ),
        (r"(left-arch-pad: trial-eva, )", r"\1 4 layers glued, ", "made of 0 layers"),
        (r"density 0.12 to 0.2 g", "density 0.5 to 0.6 g", "is not its volume times its density"),
    ],
)
def test_a_figure_of_the_first_page(made_copy: Bench, old: str, new: str, sentence: str) -> None:
    made_copy.kept()
    made_copy.edit(README, old, new, count=1)
    made_copy.refused(sentence)


@pytest.mark.parametrize(
    ("key", "value", "sentence"),
    [
        ("height", 4.0, "says that left-arch-pad is 4.0 mm high, its mesh is"),
        ("crest", 2.0, "gives left-arch-pad another crest than the plan's"),
        ("volume_cm3", 1.0, "takes 1.0 cm³, its mesh"),
        ("how", "by magic", "does not say how left-arch-pad is made"),
    ],
)
def test_a_record_that_is_not_the_mesh(
    made_copy: Bench, key: str, value: object, sentence: str
) -> None:
    made_copy.kept("print")
    path = made_copy.place / "manifest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["parts"]["left-arch-pad"][key] = value
    path.write_text(json.dumps(record), encoding="utf-8")
    made_copy.refused(sentence)


@pytest.mark.parametrize(
    ("paper", "sentence"),
    [
        ("plan", r"plan-.* does not say that \w+-base is made of final-eva"),
        ("report", r"report-.* does not say that \w+-base is made of final-eva"),
        ("bench-page", r"bench-page-.* does not list \w+ base \(final-eva\)"),
    ],
)
def test_a_paper_that_names_another_material(made_copy: Bench, paper: str, sentence: str) -> None:
    """The record and the first page say one thing, the paper another."""
    made_copy.kept("paper")
    for path in made_copy.place.glob("paper/*"):
        if not path.name.startswith(f"{paper}-"):
            path.unlink()
    path = made_copy.place / "manifest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    text = (made_copy.place / README).read_text(encoding="utf-8")
    text = text.replace("-base: base-pp,", "-base: final-eva,")
    text = text.replace("  base-pp: ", "  final-eva: ")
    for label in ("left-base", "right-base"):
        record["parts"][label]["material"] = "final-eva"
    path.write_text(json.dumps(record), encoding="utf-8")
    (made_copy.place / README).write_text(text, encoding="utf-8")
    made_copy.refused(sentence)


# ------------------------------------------------------------------ cards of the parts


def _left_is_medial(part: Any) -> float:
    medial = -1.0 if part.side is Side.LEFT else 1.0
    return medial if part.facts.thick_side == "big-toe side" else -medial


def _on_shims(real: Callable[[Any], float]) -> Callable[[Any], float]:
    return lambda part: real(part) if hasattr(part.facts, "thick_side") else 0.0


@pytest.mark.parametrize(
    ("name", "other", "sentence"),
    [
        (
            "_thick_side",
            _on_shims(_left_is_medial),
            r"(left-heel|right-[\w-]+)-shim has its thick edge marked on the thin side",
        ),
        (
            "_faces",
            lambda part: ("shoe side", "foot side"),
            r"left-[\w-]+ is drawn with its shoe side left, not its foot side",
        ),
        (
            "_faces",
            lambda part: ("foot side", "shoe side"),
            "right-under-shoe-shim is drawn with its foot side left, not its shoe side",
        ),
    ],
)
def test_a_card_with_faces_or_thick_edge_exchanged(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, name: str, other: Any, sentence: str
) -> None:
    made_copy.kept("paper")
    monkeypatch.setattr(traveller, name, other)
    made_copy.write("paper/report-*")
    made_copy.refused(f"report-.*: {sentence}")


@pytest.mark.parametrize(
    ("one", "two", "sentence"),
    [
        ("Lettered face to the shoe, the other one to the foot", "foot shoe", "lays left-"),
        ("Lettered face to the cleat, the other one to the shoe", "shoe cleat", "lays right-under"),
        ("The face drawn left to the foot, the other one to the shoe", "shoe foot", "lays left-"),
    ],
)
def test_a_card_that_lays_a_part_in_upside_down(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, one: str, two: str, sentence: str
) -> None:
    made_copy.kept("paper")
    real, first, then = traveller._said, *two.split()
    start = one.partition(" to the ")[0]

    def said(*what: Any) -> list[str]:
        turned = f"{start} to the {first}, the other one to the {then}"
        if start.startswith("The face") and what[1].name == "base":  # no letters on it
            return [*(line for line in real(*what) if "Lettered" not in line), turned]
        return [turned if line == one else line for line in real(*what)]

    monkeypatch.setattr(traveller, "_said", said)
    made_copy.write("paper/report-*")
    made_copy.refused(f"report-.* {sentence}.* the wrong way: {first} to the {then}")


@pytest.mark.parametrize("pattern", ["paper/report-*", "paper/plan-*"])
def test_measures_in_the_other_foots_column(made_copy: Bench, pattern: str) -> None:
    made_copy.kept("paper")
    feet = {foot.side: foot for foot in made_copy.plan.feet}
    exchanged = {
        side: feet[side].model_copy(update={"measures": feet[other].measures})
        for side, other in (("left", "right"), ("right", "left"))
    }
    made_copy.write(pattern, plan=made_copy.plan.model_copy(update=exchanged))
    made_copy.refused("is no measure of the (LEFT|RIGHT) foot|is said to be")


def test_measures_headed_for_the_other_foot(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("paper")
    real = report_measures.paragraph
    swap = {"<b>LEFT</b>": "<b>RIGHT</b>", "<b>RIGHT</b>": "<b>LEFT</b>"}
    monkeypatch.setattr(
        report_measures,
        "paragraph",
        lambda text, *size, **how: real(swap.get(text, text), *size, **how),
    )
    made_copy.write("paper/report-*")
    made_copy.refused("report-.*: the columns of measures are headed RIGHT LEFT")


def test_what_a_shoe_leaves_said_with_the_other_sign(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("paper")
    real = plan_measures.signed
    monkeypatch.setattr(plan_measures, "signed", lambda value, places: real(-value, places))
    made_copy.write("paper/plan-*")
    made_copy.refused(r"plan-.*: 278.0 mm less 268.0 mm is said to be .10.0 mm")


RECORD = {"left-arch-pad": {"how": "layers", "material": "trial-eva", "sheets": [3.0, 2.0]}}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("LEFT arch pad layer 1 3 mm trial-eva, 1 of 2 from below", ""),
        ("LEFT arch pad layer 1 3 mm trial-eva, 1 of 2 from above", "2 from above; it is 3 mm"),
        ("LEFT arch pad layer 1 6 mm trial-eva, 1 of 2 from below", "said 6 mm trial-eva, 1 of 2"),
        ("LEFT arch pad layer 1 2 mm trial-eva, 1 of 2 from below", "it is 3 mm trial-eva, 1 of 2"),
        ("LEFT arch pad layer 2 2 mm trial-eva, 1 of 2 from below", "it is 2 mm trial-eva, 2 of 2"),
        ("LEFT arch pad layer 2 2 mm final-eva, 2 of 2 from below", "it is 2 mm trial-eva, 2 of 2"),
        ("LEFT arch pad layer 3 2 mm trial-eva, 3 of 3 from below", "layer 3 of left-arch-pad is"),
    ],
)
def test_captions_of_layers(text: str, sentence: str) -> None:
    if not sentence:
        check_layers("pieces", text, RECORD)
        return
    with pytest.raises(OutputError, match=sentence):
        check_layers("pieces", text, RECORD)


@pytest.mark.parametrize("said", ["pad, none into the base", "base, none into the pad"])
def test_dowels_are_glued_into_the_pad(made_copy: Bench, said: str) -> None:
    made_copy.kept()
    path = made_copy.place / README
    text = path.read_text(encoding="utf-8")
    text = text.replace(
        "Compare side", f"glue a dowel into each socket of the {said}. Compare side"
    )
    path.write_text(text, encoding="utf-8")
    if said.startswith("pad"):
        readback.check(made_copy.place)
    else:
        made_copy.refused("does not glue the dowels into the pad")
