"""Figures of parts: one said otherwise on one paper, or a record that is not the mesh's."""

from __future__ import annotations

import json

import pytest

from insole import readback
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
    ("key", "value", "sentence"),
    [
        ("height", 4.0, "says that left-arch-pad is 4.0 mm high, by the plan it is"),
        ("volume_cm3", 1.0, "takes 1.0 cm³, by the plan it is"),
    ],
)
def test_a_record_of_what_has_no_mesh_is_held_against_the_plan(
    made_copy: Bench, key: str, value: object, sentence: str
) -> None:
    """A workshop with a knife only has no STL of what it cuts."""
    made_copy.kept()
    path = made_copy.place / "manifest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    readback.check(made_copy.place, of=("print",))
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
