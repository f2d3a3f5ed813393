"""Faults in cut files, one at a time: each is refused, and the sentence says what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from footscan.measuring.pose import mirror, mirror_ring
from footscan.scan import Side
from insole import readback
from insole.errors import OutputError
from insole.output.cut import cutting, labels, lettering
from insole.parts.part import Part
from insole.readback.letters import Shape
from insole.readback.lines import Lines, check_lines
from insole.readback.told import Piece
from tests.insole.readback.conftest import Bench

EXCHANGED = {"LEFT": "RIGHT", "RIGHT": "LEFT", "FOOT": "SHOE", "SHOE": "FOOT"}


def exchanged(text: str, *words: str) -> str:
    return " ".join(
        EXCHANGED[w] if (w := word.upper()) in words else word for word in text.split(" ")
    )


def lettered(monkeypatch: pytest.MonkeyPatch, change: Callable[..., dict[str, Any]]) -> None:
    """Have every text or arrow drawn otherwise: `change` gets text and keywords."""
    real = cutting.lettering

    def drawn(text: str, size: float, at: tuple[float, float], **how: Any) -> Any:
        new = {"text": text, "size": size, "at": at, **how} | change(text, **how)
        return real(new.pop("text"), new.pop("size"), new.pop("at"), **new)

    for module in (cutting, labels):
        monkeypatch.setattr(module, "lettering", drawn)


def changed(bench: Bench, label: str, **values: Any) -> list[Part]:
    assert any(part.label == label for part in bench.parts)
    return [replace(p, **values) if p.label == label else p for p in bench.parts]


def part_of(bench: Bench, label: str) -> Part:
    return next(part for part in bench.parts if part.label == label)


def facts(bench: Bench, label: str, **values: Any) -> list[Part]:
    return changed(bench, label, facts=replace(part_of(bench, label).facts, **values))


def test_the_folder_as_it_was_made_is_read_without_a_word(made_copy: Bench) -> None:
    readback.check(made_copy.place)


def test_lines_engraved_along_the_cut(made_copy: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The edge breaks along them, and it is no longer plain which line is cut."""
    made_copy.kept("cut")
    monkeypatch.setattr(cutting, "BESIDE_CUT", 1e-9)
    made_copy.write("cut/left-foot*.dxf")
    made_copy.refused("left-foot-side-up.*: left-[a-z-]+ is engraved beside a line that is cut")


# ------------------------------------------------------------------ words


@pytest.mark.parametrize("pattern", ["cut/left-*.dxf", "cut/right-*.dxf", "cut/parts/*.dxf"])
def test_left_and_right_exchanged_in_label_and_title(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, pattern: str
) -> None:
    made_copy.kept("cut")
    lettered(monkeypatch, lambda text, **how: {"text": exchanged(text, "LEFT", "RIGHT")})
    made_copy.write(pattern)
    made_copy.refused(r"(holds a part for the|the title in it names the) (left|right)")


@pytest.mark.parametrize("side", ["left", "right"])
def test_left_and_right_exchanged_in_the_label_alone(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, side: str
) -> None:
    made_copy.kept("cut")
    real = labels._label_rows

    def rows(part: Part, face: Any) -> Any:
        other = Side.RIGHT if part.side is Side.LEFT else Side.LEFT
        return real(replace(part, side=other), face)

    monkeypatch.setattr(labels, "_label_rows", rows)
    made_copy.write(f"cut/{side}-foot*.dxf")
    other = "RIGHT" if side == "left" else "LEFT"
    made_copy.refused(rf"says {other[0]}({other[1:]})?, it is for the {side} foot")


def test_left_and_right_exchanged_in_the_title_alone(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("cut")
    real = cutting.title_lines

    def title(part: Part, outline: Any, face: Any) -> Any:
        return real(replace(part, side=Side.RIGHT), outline, face)

    monkeypatch.setattr(cutting, "title_lines", title)
    made_copy.write("cut/left-shoe*.dxf")
    made_copy.refused("left-shoe-side-up.* holds a part for the right foot: right-")


@pytest.mark.parametrize("view", ["left-foot", "left-shoe", "right-foot", "right-shoe"])
def test_foot_side_and_shoe_side_exchanged(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, view: str
) -> None:
    made_copy.kept("cut")
    lettered(monkeypatch, lambda text, **how: {"text": exchanged(text, "FOOT", "SHOE")})
    made_copy.write(f"cut/{view}*.dxf")
    face = view.partition("-")[2]
    made_copy.refused(f"{view}-side-up.*does not say that it shows the {face} side up")


def test_foot_side_and_shoe_side_exchanged_on_the_parts(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("cut")
    real = labels._face_words
    monkeypatch.setattr(
        labels, "_face_words", lambda part, face: real(part, "shoe" if face == "foot" else "foot")
    )
    made_copy.write("cut/left-foot*.dxf")
    made_copy.refused("does not say FOOT SIDE UP")


def test_the_face_exchanged_in_the_engraved_words_alone(made_copy: Bench) -> None:
    made_copy.kept("cut")
    marks = tuple(
        replace(m, text="FOOT SIDE") if m.text == "SHOE SIDE" else m
        for m in part_of(made_copy, "left-base").marks
    )
    made_copy.write("cut/left-shoe*.dxf", parts=changed(made_copy, "left-base", marks=marks))
    made_copy.refused("left-base says FOOT SIDE where its shoe side is up")


def test_an_under_shoe_shim_that_says_shoe_side_for_cleat_side(made_copy: Bench) -> None:
    made_copy.kept("cut")
    label = "right-under-shoe-shim"
    marks = tuple(
        replace(m, text="SHOE SIDE") if m.text == "CLEAT SIDE" else m
        for m in part_of(made_copy, label).marks
    )
    made_copy.write("cut/right-shoe*.dxf", parts=changed(made_copy, label, marks=marks))
    made_copy.refused("right-under-shoe-shim says SHOE SIDE where its cleat side is up")


@pytest.mark.parametrize(
    ("label", "old", "new"),
    [
        ("left-arch-pad", "ARCH PAD", "HEEL SHIM"),
        ("left-base", "LEFT", "RIGHT"),
        ("right-base", "RIGHT", "LEFT"),
        ("left-heel-shim", "2° VARUS", "2° VALGUS"),
        ("left-heel-shim", "2° VARUS", "3° VARUS"),
        ("right-forefoot-shim", "RIGHT", "LEFT"),
        ("right-under-shoe-shim", "1° VALGUS", "1° VARUS"),
        ("right-arch-pad", "RIGHT", "LEFT"),
        ("left-heel-shim", "DEMO-0001", "DEMO-0002"),
    ],
)
def test_a_wrong_word_engraved(made_copy: Bench, label: str, old: str, new: str) -> None:
    made_copy.kept("cut")
    marks = part_of(made_copy, label).marks
    assert any(mark.text == old for mark in marks)
    wrong = tuple(replace(m, text=new) if m.text == old else m for m in marks)
    side = label.partition("-")[0]
    made_copy.write(f"cut/{side}-shoe*.dxf", parts=changed(made_copy, label, marks=wrong))
    made_copy.refused(rf"{side}-shoe-side-up.*{label} (says|does not say)")


@pytest.mark.parametrize(
    ("label", "old", "new", "sentence"),
    [
        ("left-heel-shim", "varus", "valgus", "2° VARUS"),
        ("left-heel-shim", "2°", "4°", "2° VARUS"),
        ("left-heel-shim", "big-toe side", "little-toe side", "thick on the big-toe side"),
        ("right-under-shoe-shim", "little-toe side", "big-toe side", "thick on the little-toe"),
    ],
)
def test_a_wrong_word_in_the_title(
    made_copy: Bench, label: str, old: str, new: str, sentence: str
) -> None:
    made_copy.kept("cut")
    words = str(part_of(made_copy, label).facts.words).replace(old, new)
    side = label.partition("-")[0]
    made_copy.write(f"cut/{side}-foot*.dxf", parts=facts(made_copy, label, words=words))
    made_copy.refused(f"the title of {label} does not say .*{sentence}")


def test_a_wrong_thick_edge_in_the_title(made_copy: Bench) -> None:
    made_copy.kept("cut")
    made_copy.write(
        "cut/right-foot*.dxf", parts=facts(made_copy, "right-forefoot-shim", thick_edge=4.9)
    )
    made_copy.refused(r"right-forefoot-shim does not say a thick edge of 3\.\d mm")


def test_a_wrong_thickness_in_the_title_of_a_base(made_copy: Bench) -> None:
    made_copy.kept("cut")
    made_copy.write("cut/left-foot*.dxf", parts=facts(made_copy, "left-base", thickness=2.5))
    made_copy.refused(r"the title of left-base does not say 1.5 mm")


@pytest.mark.parametrize("old", ["DEMO-0001-V1", "demo-0001-v1"])
def test_another_case_or_version_in_the_title(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch, old: str
) -> None:
    made_copy.kept("cut")
    lettered(
        monkeypatch,
        lambda text, **how: {"text": text.replace("demo-0001-v1", "demo-0001-v2")},
    )
    made_copy.write("cut/left-foot*.dxf")
    made_copy.refused("not the case and version demo-0001-v1")


def test_letters_seen_in_a_looking_glass(made_copy: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    made_copy.kept("cut")
    glyphs = {
        letter: " ".join(
            "".join(f"{4 - int(s[k])}{s[k + 1]}" for k in range(0, len(s), 2)) for s in code.split()
        )
        for letter, code in lettering.GLYPHS.items()
    }
    monkeypatch.setattr(lettering, "GLYPHS", glyphs)
    made_copy.write("cut/left-shoe*.dxf")
    made_copy.refused("left-shoe-side-up")


def test_a_sheet_of_stock_that_names_the_other_foot(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("cut")
    real = labels._label_rows

    def rows(part: Part, face: Any) -> Any:
        other = Side.RIGHT if part.side is Side.LEFT else Side.LEFT
        return real(replace(part, side=other), face)

    monkeypatch.setattr(labels, "_label_rows", rows)
    made_copy.write("cut/sheet-trial-eva*.dxf")
    made_copy.refused("sheet-trial-eva.*(mirror image|is not the plan's|turned round)")


# ------------------------------------------------------------------ files


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("left-foot-side-up", "left-shoe-side-up"),
        ("right-foot-side-up", "right-shoe-side-up"),
        ("left-foot-side-up", "right-foot-side-up"),
        ("left-shoe-side-up", "right-shoe-side-up"),
        ("parts/left-base", "parts/right-base"),
        ("parts/left-arch-pad", "parts/right-arch-pad"),
        ("parts/left-base", "parts/left-arch-pad"),
    ],
)
def test_file_names_exchanged(made_copy: Bench, one: str, two: str) -> None:
    made_copy.kept("cut")
    for suffix in ("dxf", "svg"):
        if (made_copy.place / f"cut/{one}-demo-0001-v1.{suffix}").is_file():
            made_copy.swap(f"cut/{one}-demo-0001-v1.{suffix}", f"cut/{two}-demo-0001-v1.{suffix}")
    made_copy.refused("does not say that it shows|holds a part for the|the title in it names")


def test_a_view_without_one_of_its_parts(made_copy: Bench) -> None:
    made_copy.kept("cut")
    made_copy.write(
        "cut/left-foot*.dxf", parts=[p for p in made_copy.parts if p.name != "heel-shim"]
    )
    made_copy.refused("left-foot-side-up.* does not show left-heel-shim")


def test_a_view_that_is_missing(made_copy: Bench) -> None:
    made_copy.kept("cut")
    for path in made_copy.place.glob("cut/left-shoe*"):
        path.unlink()
    made_copy.refused("cut has no left-shoe-side-up-demo-0001-v1.dxf")


@pytest.mark.parametrize(
    ("pattern", "old", "new", "sentence"),
    [
        ("cut/left-foot*.dxf", r"(\$INSUNITS\s+70\s+)4", r"\g<1>1", "not in millimetres"),
        ("cut/left-foot*.svg", r'd="M (\d)', r'd="M 1\1', "does not show the same as"),
        ("cut/left-foot*.svg", r'id="ENGRAVE"', 'id="CUT"', "does not show the same as"),
        ("cut/left-foot*.svg", r'<g id="CUT"', '<g id="CUT" transform="scale(-1,1)"', "moves or"),
        ("cut/right-foot*.svg", r'(width="[\d.]+)mm', r"\1in", "not drawn 1:1 in millimetres"),
    ],
)
def test_an_edited_file(made_copy: Bench, pattern: str, old: str, new: str, sentence: str) -> None:
    made_copy.kept("cut")
    made_copy.edit(pattern, old, new, count=1)
    made_copy.refused(sentence)


# ------------------------------------------------------------------ arrows, lines, marks


@pytest.mark.parametrize("view", ["left-foot", "left-shoe", "right-foot", "right-shoe"])
def test_arrows_turned_round(made_copy: Bench, monkeypatch: pytest.MonkeyPatch, view: str) -> None:
    made_copy.kept("cut")
    lettered(
        monkeypatch,
        lambda text, turn=0.0, **how: {"turn": turn + 180.0 if text == ">" else turn},
    )
    made_copy.write(f"cut/{view}*.dxf")
    made_copy.refused("the arrow on .* does not point to the toes")


def test_an_arrow_turned_round_on_a_sheet_of_stock(
    made_copy: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_copy.kept("cut")
    lettered(
        monkeypatch,
        lambda text, turn=0.0, **how: {"turn": turn + 180.0 if text == ">" else turn},
    )
    made_copy.write("cut/sheet-base*.dxf")
    made_copy.refused("base is turned round: its arrow should point up|mirror image")


@pytest.mark.parametrize(
    "label", ["left-arch-pad", "left-heel-shim", "right-forefoot-shim", "right-arch-pad"]
)
def test_grind_heights_in_reverse_order(made_copy: Bench, label: str) -> None:
    made_copy.kept("cut")
    levels = part_of(made_copy, label).facts.levels["grind"]
    side = label.partition("-")[0]
    made_copy.write(
        f"cut/{side}-foot*.dxf", parts=facts(made_copy, label, levels={"grind": levels[::-1]})
    )
    made_copy.refused(rf"{label} says [\d.]+ mm where it is [\d.]+ mm high in the plan")


@pytest.mark.parametrize("label", ["left-arch-pad", "left-heel-shim", "right-forefoot-shim"])
def test_grind_lines_not_mirrored(made_copy: Bench, label: str) -> None:
    made_copy.kept("cut")
    part = part_of(made_copy, label)
    wrong = dict(part.lines) | {"grind": tuple(mirror(line) for line in part.lines["grind"])}
    side = label.partition("-")[0]
    made_copy.write(f"cut/{side}-foot*.dxf", parts=changed(made_copy, label, lines=wrong))
    made_copy.refused(f"a line of equal height on {label} runs from|{label} says")


@pytest.mark.parametrize("word", ["pad", "crest"])
@pytest.mark.parametrize("side", ["left", "right"])
def test_placement_lines_not_mirrored(made_copy: Bench, word: str, side: str) -> None:
    made_copy.kept("cut")
    part = part_of(made_copy, f"{side}-base")
    wrong = dict(part.lines) | {word: tuple(mirror(line) for line in part.lines[word])}
    made_copy.write(f"cut/{side}-foot*.dxf", parts=changed(made_copy, part.label, lines=wrong))
    made_copy.refused(f"{side}-base")


def test_the_crest_marked_three_millimetres_off(made_copy: Bench) -> None:
    made_copy.kept("cut")
    part = part_of(made_copy, "left-base")
    wrong = dict(part.lines) | {
        "crest": tuple(line + np.array([3.0, 0.0]) for line in part.lines["crest"])
    }
    made_copy.write("cut/left-foot*.dxf", parts=changed(made_copy, part.label, lines=wrong))
    made_copy.refused("the crest of the arch pad is not on left-base|marks nothing")


@pytest.mark.parametrize("shift", [15.0, -15.0])
def test_station_numbers_at_another_line(made_copy: Bench, shift: float) -> None:
    made_copy.kept("cut")
    part = part_of(made_copy, "right-base")
    marks = tuple(
        replace(m, text=f"{float(m.text) + shift:g}") if m.face == "foot" else m for m in part.marks
    )
    made_copy.write("cut/right-foot*.dxf", parts=changed(made_copy, part.label, marks=marks))
    made_copy.refused(r"right-base says \d+ at a station of \d+ mm")


def test_station_numbers_not_mirrored(made_copy: Bench) -> None:
    made_copy.kept("cut")
    part = part_of(made_copy, "left-base")
    marks = tuple(replace(m, y=-m.y) if m.face == "foot" else m for m in part.marks)
    made_copy.write("cut/left-foot*.dxf", parts=changed(made_copy, part.label, marks=marks))
    made_copy.refused("on left-base is not at the little-toe edge|left-base says")


@pytest.mark.parametrize("label", ["left-heel-shim", "right-forefoot-shim"])
def test_thick_edge_on_the_thin_side(made_copy: Bench, label: str) -> None:
    made_copy.kept("cut")
    part = part_of(made_copy, label)
    middle = float(part.outline[:, 1].min() + part.outline[:, 1].max())
    marks = tuple(
        replace(m, y=middle - m.y, turn=-m.turn) if m.text == "THICK EDGE" else m
        for m in part.marks
    )
    side = label.partition("-")[0]
    made_copy.write(f"cut/{side}-shoe*.dxf", parts=changed(made_copy, label, marks=marks))
    made_copy.refused(f"THICK EDGE stands on the thin side of {label}")


def test_marks_of_a_left_part_not_mirrored(made_copy: Bench) -> None:
    made_copy.kept("cut")
    part = part_of(made_copy, "left-heel-shim")
    marks = tuple(replace(mark, y=-mark.y, turn=-mark.turn) for mark in part.marks)
    made_copy.write("cut/left-shoe*.dxf", parts=changed(made_copy, part.label, marks=marks))
    made_copy.refused("THICK EDGE stands on the thin side of left-heel-shim")


# ------------------------------------------------------------------ outlines, holes, rulers


@pytest.mark.parametrize("label", ["left-base", "right-heel", "left-arch-pad", "right-arch-pad"])
def test_the_other_foots_outline_under_this_foots_name(made_copy: Bench, label: str) -> None:
    made_copy.kept("cut")
    label = "right-forefoot-shim" if label == "right-heel" else label
    part = part_of(made_copy, label)
    ring, side = mirror_ring(part.outline), label.partition("-")[0]
    made_copy.write(f"cut/{side}-foot*.dxf", parts=changed(made_copy, label, outline=ring))
    made_copy.refused(f"{label} is the mirror image of|the notch of {label}|of {label} is not the")


@pytest.mark.parametrize("factor", [1.02, 0.98, 1 / 25.4])
def test_an_outline_of_another_size(made_copy: Bench, factor: float) -> None:
    made_copy.kept("cut")
    part = part_of(made_copy, "left-arch-pad")
    parts = changed(made_copy, part.label, outline=part.outline * factor, lines={}, marks=())
    made_copy.write("cut/left-shoe*.dxf", parts=parts)
    made_copy.refused("left-arch-pad")


def test_the_notch_on_the_little_toe_side(made_copy: Bench) -> None:
    made_copy.kept("cut")
    import shapely

    part = part_of(made_copy, "right-base")
    foot = made_copy.plan.right
    assert foot is not None
    whole = shapely.Polygon(foot.base.outline)
    low = whole.intersection(shapely.LineString([(100.0, -200.0), (100.0, 200.0)])).bounds[1]
    ring = np.array(whole.difference(shapely.box(98.0, low - 1, 103.0, low + 2.5)).exterior.coords)
    made_copy.write("cut/right-foot*.dxf", parts=changed(made_copy, part.label, outline=ring[:-1]))
    made_copy.refused("the notch of right-base is not on the big-toe side")


def test_bolt_slots_turned_round(made_copy: Bench) -> None:
    made_copy.kept("cut")
    label = "right-under-shoe-shim"
    part = part_of(made_copy, label)
    middle = (part.outline.min(axis=0) + part.outline.max(axis=0)) / 2
    holes = tuple((2 * middle - hole) for hole in part.holes)
    made_copy.write("cut/right-foot*.dxf", parts=changed(made_copy, label, holes=holes))
    made_copy.refused("the holes of right-under-shoe-shim are not where the shoe has them")


@pytest.mark.parametrize("fault", ["long", "short", "ticks", "one tick"])
def test_a_ruler_that_is_off(made_copy: Bench, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    made_copy.kept("cut")
    real = cutting.ruler

    def ruler(x0: float, y: float) -> Any:
        lines = real(x0, y)
        factor = {"long": 1.02, "short": 0.98}.get(fault, 1.0)
        lines = [(line - [x0, 0.0]) * [factor, 1.0] + [x0, 0.0] for line in lines]
        if fault == "ticks":
            lines[1:] = [(line - [x0, 0.0]) * [0.98, 1.0] + [x0, 0.0] for line in lines[1:]]
        if fault == "one tick":
            lines[4] = lines[4] + np.array([0.5, 0.0])
        return lines

    monkeypatch.setattr(cutting, "ruler", ruler)
    made_copy.write("cut/left-foot*.dxf")
    made_copy.refused("the ruler or its ticks are not 100 mm long")


def test_the_reader_shares_no_letter_with_the_writer() -> None:
    room = Path(readback.__file__).parent
    for path in room.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert "insole.output" not in text.replace("insole.output`", "")
        assert "insole.parts" not in text
        assert "insole.planning" not in text


def test_a_crest_broken_by_a_tick_is_still_there() -> None:
    """Its line lies on a tick 1.1 mm beside a station: pieces of 7.9, 2.4 and 5.6 mm."""
    cross = shapely.MultiLineString([[(110.9, 12), (126.9, 12)], [(118.9, 4), (118.9, 20)]])
    piece = Piece(
        side="right",
        name="base",
        outline=[(0, -40), (280, -40), (280, 40), (0, 40)],
        marks={"the crest of the arch pad": cross},
    )

    def drawn(*lines: tuple[tuple[float, float], tuple[float, float]]) -> Lines:
        return Lines([], [Shape(np.array(line, dtype=float), False) for line in lines], [])

    across = ((118.9, 4.0), (118.9, 20.0))
    along = (((110.9, 12), (118.8, 12)), ((118.8, 12), (121.2, 12)), ((121.2, 12), (126.9, 12)))
    check_lines("base.dxf", piece, "foot", drawn(across, *along))
    with pytest.raises(OutputError, match="the crest of the arch pad is not on right-base"):
        check_lines("base.dxf", piece, "foot", drawn(across, along[1]))
