"""DXF and SVG for cutters: 1:1, in the right order, readable, told apart left from right."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from footscan.scan import Array, Side
from insole.errors import OutputError, PlanError
from insole.output.cut import checked, cutting, layers, lettering, written
from insole.output.cut.cutting import Face
from insole.output.cut.labels import _label_block, extent_of
from insole.output.cut.layers import seen
from insole.parts.build import all_parts
from insole.parts.facts import Engraved, Facts
from insole.parts.part import Mark, Part
from insole.readback.drawings import read_drawing
from tests.insole.test_printing import mirrored, prism, side_by_notch
from tests.plans import sample_plan

ezdxf: Any = pytest.importorskip("ezdxf", reason="ezdxf reads the drawings back")

FACES: tuple[Face, ...] = ("foot", "shoe")
SVG = "{http://www.w3.org/2000/svg}"


def circle(radius: float, n: int = 720) -> Array:
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return radius * np.column_stack([np.cos(t), np.sin(t)])


def disc(radius: float = 15.0, hole: float | None = None) -> Part:
    """Return a flat disc; only its outline matters here."""
    holes = () if hole is None else (circle(hole)[::-1],)
    return replace(prism(), outline=circle(radius), holes=holes, lines={}, marks=())


def rings_in(path: Path, layer: str = "CUT") -> list[Array]:
    """Return the lines of a layer in the order of the file, y up, arcs as short chords."""
    drawing = read_drawing(path)
    return [shape.points for shape in drawing.layers.get(layer, [])]


def write(path: Path, parts: list[Part], **how: Any) -> Path:
    (written.write_dxf if path.suffix == ".dxf" else written.write_svg)(path, parts, **how)
    return path


def read_back(path: Path, parts: list[Part], **how: Any) -> dict[str, float]:
    reader = checked.read_back_dxf if path.suffix == ".dxf" else checked.read_back_svg
    return reader(path, parts, **how)


@pytest.fixture(scope="module")
def parts() -> list[Part]:
    return all_parts(sample_plan(under=True))


@pytest.fixture(scope="module")
def right(parts: list[Part]) -> list[Part]:
    return [part for part in parts if part.side is Side.RIGHT]


both = pytest.mark.parametrize("suffix", [".dxf", ".svg"])


# ------------------------------------------------------------------ lengths


@both
def test_kerf_moves_the_path_out_by_half_its_width(tmp_path: Path, suffix: str) -> None:
    """A disc of 30 mm cut with a kerf of 0.2 mm: path radius 15.10 mm (15 + 0.2 / 2)."""
    path = write(tmp_path / f"x{suffix}", [disc()], kerf=0.2)
    (ring,) = rings_in(path)
    radius = np.linalg.norm(ring - (ring.min(axis=0) + ring.max(axis=0)) / 2, axis=1)
    np.testing.assert_allclose(radius, 15.10, atol=0.012)
    chords = np.linalg.norm(ring - np.roll(ring, -1, axis=0), axis=1)
    sagitta = 15.1 - np.sqrt(15.1**2 - (chords / 2) ** 2)
    assert sagitta.max() <= 0.03
    assert shapely.Polygon(ring).area == pytest.approx(np.pi * 15.1**2, rel=1e-3)


def test_kerf_moves_the_path_of_a_hole_in(tmp_path: Path) -> None:
    path = write(tmp_path / "x.dxf", [disc(hole=5.0)], kerf=0.2)
    hole, outline = rings_in(path)
    assert np.ptp(hole, axis=0) == pytest.approx([9.8, 9.8], abs=0.012)
    assert np.ptp(outline, axis=0) == pytest.approx([30.2, 30.2], abs=0.012)


def test_without_kerf_a_square_corner_is_exact(tmp_path: Path) -> None:
    (ring,) = rings_in(write(tmp_path / "x.dxf", [prism()]))
    assert len(ring) == 7
    assert shapely.Polygon(ring).area == 60 * 30 - 6
    with_kerf = rings_in(write(tmp_path / "y.dxf", [prism()], kerf=0.3))[0]
    assert np.ptp(with_kerf, axis=0) == pytest.approx([30.3, 60.3], abs=1e-4)


@pytest.mark.parametrize(("kerf", "message"), [(11.0, "closes a hole|cannot"), (-0.1, "cannot")])
def test_a_kerf_that_cannot_be_cut_is_refused(tmp_path: Path, kerf: float, message: str) -> None:
    with pytest.raises(PlanError, match=message):
        write(tmp_path / "x.dxf", [disc()], kerf=kerf)
    assert not list(tmp_path.iterdir())


def test_a_kerf_wider_than_a_hole_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"a kerf of 1\.2 mm closes a hole of right-arch-pad"):
        write(tmp_path / "x.dxf", [disc(hole=0.5)], kerf=1.2)


@both
@pytest.mark.parametrize("face", FACES)
def test_every_part_reads_back(tmp_path: Path, right: list[Part], suffix: str, face: Face) -> None:
    path = write(tmp_path / f"x{suffix}", right, face=face)
    found = read_back(path, right, face=face)
    for part in right:
        area = shapely.Polygon(part.outline, part.holes).area
        assert found[part.label] == pytest.approx(area, rel=1e-3)


def test_dxf_and_svg_hold_the_same_lines(tmp_path: Path, right: list[Part]) -> None:
    one, two = (write(tmp_path / f"x{suffix}", right, kerf=0.2) for suffix in (".dxf", ".svg"))
    for layer in layers.LAYERS:
        pairs = list(zip(rings_in(one, layer), rings_in(two, layer), strict=True))
        assert pairs or layer == "GRIND"
        for a, b in pairs:
            np.testing.assert_allclose(a, b, atol=2e-3)


def test_the_ruler_is_100_mm(tmp_path: Path, right: list[Part]) -> None:
    notes = rings_in(write(tmp_path / "x.dxf", right), "NOTE")
    assert 100.0 in [round(float(np.ptp(line[:, 0])), 6) for line in notes if len(line) == 2]


# ------------------------------------------------------------------ left and right, faces


@both
@pytest.mark.parametrize("face", FACES)
def test_a_file_tells_the_side_by_the_notch_alone(
    tmp_path: Path, parts: list[Part], suffix: str, face: Face
) -> None:
    """Seen from below, a right part looks like a left one seen from above."""
    for part in parts:
        if part.name == "arch-pad":
            path = write(tmp_path / f"{part.label}-{face}{suffix}", [part], face=face)
            seen = side_by_notch(shapely.Polygon(rings_in(path)[-1]))
            assert seen is (part.side if face == "foot" else part.side.other)


def test_toes_point_up(tmp_path: Path) -> None:
    """The prism is 60 mm long and 30 mm wide; its medial notch is on the left of a right part."""
    ring = rings_in(write(tmp_path / "x.dxf", [prism()]))[0]
    assert np.ptp(ring, axis=0) == pytest.approx([30.0, 60.0])
    notch = ring[np.argsort(np.abs(ring[:, 0] - (ring[:, 0].min() + 2.0)))[0]]
    assert notch[1] - ring[:, 1].min() == pytest.approx(20.0)


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("side", Side)
def test_no_text_is_mirrored(tmp_path: Path, face: Face, side: Side) -> None:
    """In an L the foot lies at the end of the stem, to the left of the way down."""
    mark = Mark(text="L", x=30.0, y=15.0 if side is Side.RIGHT else -15.0, size=8.0, face=face)
    for turn in (0.0, 90.0, -90.0, 35.0):
        part = replace(prism(side), marks=(replace(mark, turn=turn),))
        path = write(tmp_path / "x.dxf", [part], face=face)
        (letter,) = rings_in(path, "ENGRAVE")
        stem, foot = np.diff(letter, axis=0)
        assert stem[0] * foot[1] - stem[1] * foot[0] == pytest.approx(
            8.0 * 8.0 * 4 / 6,
            rel=1e-4,  # five decimals in the file
        )


def test_marks_stand_where_the_part_has_them(tmp_path: Path) -> None:
    """Seen from above +x is up and +y left; seen from below +y is right."""
    for face, sign in (("foot", -1.0), ("shoe", 1.0)):
        mark = Mark(text="O", x=45.0, y=10.0, size=6.0, face=face, turn=90.0)
        path = write(tmp_path / "x.dxf", [replace(prism(), marks=(mark,))], face=face)
        outline, letter = rings_in(path)[0], rings_in(path, "ENGRAVE")[0]
        zero = np.array([outline[:, 0].max() if sign < 0 else outline[:, 0].min(), 0.0])
        zero[1] = outline[:, 1].min()
        middle = (letter.min(axis=0) + letter.max(axis=0)) / 2 - zero
        assert middle == pytest.approx([sign * 10.0, 45.0], abs=1e-4)


def test_each_part_says_its_side_on_each_face(parts: list[Part]) -> None:
    """Engraved on the shoe face; a pen line on the foot face, where nothing may be cut in."""
    for part in parts:
        for face in FACES:
            texts = [m.text for m in part.marks if m.face == face]
            sheet = cutting.draw([part], face=face)
            pen = [stroke for stroke in sheet.strokes if stroke.layer == "PEN"]
            assert (part.side.value.upper() in texts) != bool(pen), (part.label, face)


def test_a_mark_that_did_not_fit_is_not_cut(tmp_path: Path) -> None:
    """On sheet too thin to engrave, the side is drawn with a pen instead."""
    mark = Mark(text="RIGHT", x=30.0, y=15.0, size=5.0)
    thin = replace(prism(), marks=(mark,), facts=Facts(engraved=Engraved(paper_only=("RIGHT",))))
    path = write(tmp_path / "x.dxf", [thin], face="shoe")
    assert not rings_in(path, "ENGRAVE")
    assert rings_in(path, "PEN")


def test_engraved_words_of_narrow_letters_do_not_run_over_the_edge(tmp_path: Path) -> None:
    """Single strokes keep their pitch: a case of narrow letters ran out over the heel's border."""
    narrow = sample_plan(case="K right 1111 i_il", sides=("left",))
    base = next(part for part in all_parts(narrow) if part.name == "base")
    assert "K RIGHT 1111 I_IL" in base.facts.engraved.texts
    drawn = [s for s in cutting.draw([base], face="shoe").strokes if s.layer == "ENGRAVE"]
    ring = next(s.points for s in cutting.draw([base], face="shoe").strokes if s.layer == "CUT")
    room = shapely.Polygon(ring).buffer(-0.6)
    assert drawn
    assert all(room.covers(shapely.LineString(stroke.points)) for stroke in drawn)


def test_labels_lie_on_their_part(parts: list[Part]) -> None:
    for part, face in itertools.product(parts, FACES):
        sheet = cutting.draw([part], face=face)
        rings = [s.points for s in sheet.strokes if s.layer == "CUT"]
        plan = shapely.Polygon(rings[-1], rings[:-1])
        texts = [s.points for s in sheet.strokes if s.layer in ("PEN", "GRIND")]
        texts += [s.points for s in sheet.strokes if s.layer == "ENGRAVE"]
        for line in texts:
            # the pad's outline is drawn on the base where it hangs over a trimmed edge as well
            assert plan.buffer(0.01).covers(shapely.LineString(line)) or part.name == "base"


def test_a_label_keeps_clear_of_where_the_pad_and_its_crest_are_drawn(
    parts: list[Part], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pad is glued by its line on the base's foot face: a label over it breaks the line."""
    real, labels = cutting.own_label, []

    def kept(*what: Any) -> list[Array]:
        labels.append(real(*what))
        return labels[-1]

    monkeypatch.setattr(cutting, "own_label", kept)
    cutting._drawn.cache_clear()
    cutting._drawn_once.cache_clear()
    held = set()
    for part in parts:
        lines = [
            seen(line, "foot") for word in ("pad", "crest") for line in part.lines.get(word, ())
        ]
        if lines:
            cutting.draw([part], face="foot")
            label = shapely.MultiLineString(labels.pop())
            assert label.distance(shapely.MultiLineString(lines)) > 0.9, part.label
            held.add(part.name)
    assert {"base", "arch-pad"} <= held


# ------------------------------------------------------------------ for the machine


def test_holes_come_before_the_outline_round_them(tmp_path: Path, right: list[Part]) -> None:
    path = write(tmp_path / "x.dxf", right)
    rings = [shapely.Polygon(ring) for ring in rings_in(path)]
    holes = 0
    for i, ring in enumerate(rings):
        inside = [k for k, other in enumerate(rings) if k != i and ring.contains(other)]
        holes += len(inside)
        assert all(k < i for k in inside)
    assert holes == sum(len(part.holes) for part in right) > 0


def test_everything_to_cut_comes_last(tmp_path: Path, right: list[Part]) -> None:
    space = ezdxf.readfile(write(tmp_path / "x.dxf", right)).modelspace()
    order = [list(layers.LAYERS).index(entity.dxf.layer) for entity in space]
    assert order == sorted(order)
    assert list(layers.LAYERS)[-1] == "CUT"


def test_nothing_is_drawn_twice_or_has_no_length(right: list[Part]) -> None:
    doubled = [replace(right[0], lines={k: v + v[::-1] for k, v in right[0].lines.items()})]
    lengths = [
        sum(np.hypot(*np.diff(s.points, axis=0).T).sum() for s in cutting.draw(p).strokes)
        for p in (doubled, right[:1])
    ]
    assert lengths[0] == pytest.approx(lengths[1], abs=3.0)  # ends beside a cut, in another order
    for stroke in cutting.draw(right).strokes:
        steps = np.linalg.norm(np.diff(stroke.points, axis=0), axis=1)
        assert steps.min() >= 0.0499
        assert steps.sum() >= cutting.SHORT


def test_parts_keep_clear_of_each_other(tmp_path: Path, parts: list[Part]) -> None:
    rings = rings_in(write(tmp_path / "x.dxf", parts))
    shapes = [shapely.Polygon(ring) for ring in rings]
    outer = [s for s in shapes if not any(o.contains(s) for o in shapes if o is not s)]
    assert len(outer) == len(parts)
    for a, b in itertools.combinations(outer, 2):
        assert a.distance(b) >= cutting.GAP - 1e-6


def test_grind_lines_carry_their_thickness(tmp_path: Path, right: list[Part]) -> None:
    (shim,) = [part for part in right if part.name == "forefoot-shim"]
    bare = replace(shim, facts=replace(shim.facts, levels={}))
    counts = [len(rings_in(write(tmp_path / "x.dxf", [p]), "GRIND")) for p in (shim, bare)]
    assert counts[0] > counts[1] >= len(shim.lines["grind"])


def test_colours_differ_in_lightness() -> None:
    """CIE L* from sRGB (IEC 61966-2-1 and CIE 15, formulas from memory)."""
    lightness = []
    for layer in layers.LAYERS.values():
        c = np.array(layer.rgb) / 255
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        lightness.append(116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16)
    assert np.diff(np.sort(lightness)).min() >= 15.0


@pytest.mark.parametrize("style", [written.PLAIN, written.Style(laser=True)])
def test_nothing_but_the_cut_has_the_colour_of_the_cut(
    tmp_path: Path, style: written.Style
) -> None:
    """A machine goes by colour alone: by number or by RGB, and red is cut by habit."""
    path = write(tmp_path / "x.dxf", [disc()], style=style)
    table = {entry.dxf.name: entry for entry in ezdxf.readfile(path).layers}
    cut = table["CUT"]
    others = {name: table[name] for name in ("NOTE", "PEN", "ENGRAVE", "GRIND")}
    assert {name: e.color for name, e in others.items() if e.color in (cut.color, 1)} == {}
    assert {name: e.rgb for name, e in others.items() if e.rgb in (cut.rgb, (255, 0, 0))} == {}
    if style.laser:
        assert (cut.color, cut.rgb) == (1, (255, 0, 0))


@both
def test_files_have_the_same_bytes_each_time(
    tmp_path: Path, right: list[Part], suffix: str
) -> None:
    one, two = (write(tmp_path / f"{k}{suffix}", right, note="demo") for k in "ab")
    assert one.read_bytes() == two.read_bytes()


@pytest.mark.long
def test_bytes_do_not_depend_on_the_order_of_sets(tmp_path: Path) -> None:
    """Each process orders its sets by another seed; the drawing library walks some."""
    code = (
        "import sys; from pathlib import Path\n"
        "from insole.output.cut import written\n"
        "from tests.insole.test_printing import prism\n"
        "written.write_dxf(Path(sys.argv[1]), [prism()])\n"
    )
    env = os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    found = set()
    for seed in "1234":
        path = tmp_path / f"{seed}.dxf"
        command = [sys.executable, "-c", code, str(path)]
        subprocess.run(command, check=True, env=env | {"PYTHONHASHSEED": seed})
        found.add(path.read_bytes())
    assert len(found) == 1


def test_the_clock_of_the_dxf_library_is_set_back(tmp_path: Path) -> None:
    before = ezdxf.options.write_fixed_meta_data_for_testing
    write(tmp_path / "x.dxf", [prism()])
    assert ezdxf.options.write_fixed_meta_data_for_testing is before


# ------------------------------------------------------------------ letters


def test_every_letter_stays_in_its_cell() -> None:
    for letter in lettering.GLYPHS:
        if letter != ">":
            points = np.concatenate(lettering.lettering(letter, 6.0, (0.0, 0.0), centred=False))
            assert points.min() >= 0, letter
            assert (points.max(axis=0) <= [4.0, 6.0]).all(), letter


def test_letters_are_as_high_as_asked_and_centred() -> None:
    points = np.concatenate(lettering.lettering("LEFT", 5.0, (10.0, 20.0)))
    assert np.ptp(points[:, 1]) == pytest.approx(5.0)
    assert (points.min(axis=0) + points.max(axis=0)) / 2 == pytest.approx([10.0, 20.0])


@pytest.mark.parametrize("form", ["above", "along", "beside"])
def test_the_arrow_of_a_label_stands_in_the_middle_of_its_words(form: str) -> None:
    lines = _label_block(["LEFT BASE", "I"], 5.0, form)
    arrow = len(lettering.lettering(">", 5.0, (0.0, 0.0)))
    words, head = extent_of(lines[:-arrow]), extent_of(lines[-arrow:])
    if form == "beside":
        assert (head[1] + head[3]) / 2 == pytest.approx((words[1] + words[3]) / 2, abs=0.3)
        assert head[2] < words[0] - 1.0
    else:
        assert (head[0] + head[2]) / 2 == pytest.approx((words[0] + words[2]) / 2, abs=0.3)
        assert head[1] > words[3] + 1.0


def test_no_two_letters_look_the_same() -> None:
    assert len(set(lettering.GLYPHS.values())) == len(lettering.GLYPHS)


def test_accents_are_dropped_and_unknown_letters_are_boxes() -> None:
    def flat(text: str) -> list[list[list[float]]]:
        return [line.tolist() for line in lettering.lettering(text, 6.0, (0.0, 0.0))]

    assert flat("é") == flat("E")
    assert flat("2°") != flat("20")
    assert flat("猫") == flat("犬") != flat("")


# ------------------------------------------------------------------ reading back


@both
def test_a_mirrored_file_is_refused(tmp_path: Path, right: list[Part], suffix: str) -> None:
    """The shims of a bed are nearly symmetric: the notch alone must give it away."""
    for part in right:
        path = write(tmp_path / f"x{suffix}", [mirrored(part)])
        with pytest.raises(OutputError, match=f"x{suffix}: {part.label} reads back .* mirrored"):
            read_back(path, [part])


@both
def test_a_scaled_or_missing_ring_is_refused(tmp_path: Path, suffix: str) -> None:
    path = write(tmp_path / f"x{suffix}", [disc(15.02)])
    with pytest.raises(OutputError, match="reads back with area"):
        read_back(path, [disc()])
    with pytest.raises(OutputError, match="without all rings of right-arch-pad"):
        read_back(path, [disc(15.02, hole=4.0)])
    path = write(tmp_path / f"y{suffix}", [disc(hole=4.0)])
    with pytest.raises(OutputError, match=r"belong to no part|reads back with area"):
        read_back(path, [disc(4.0)])


def _metres(doc: Any) -> None:
    doc.header["$INSUNITS"] = 6


def _open(doc: Any) -> None:
    doc.modelspace().query('LWPOLYLINE[layer=="CUT"]').first.closed = False


def _text(doc: Any) -> None:
    doc.modelspace().add_text("LEFT")


def _extra(doc: Any) -> None:
    doc.modelspace().add_lwpolyline(circle(3.0), close=True, dxfattribs={"layer": "CUT"})


SPOILT: list[tuple[Callable[[Any], None], str]] = [
    (_metres, "in another unit than millimetres"),
    (_open, "open line on the layer CUT"),
    (_text, "holds more than polylines"),
    (_extra, "rings that belong to no part"),
]


@pytest.mark.parametrize(("spoil", "message"), SPOILT)
def test_a_changed_dxf_is_refused(
    tmp_path: Path, spoil: Callable[[Any], None], message: str
) -> None:
    path = write(tmp_path / "x.dxf", [prism()])
    doc = ezdxf.readfile(path)
    spoil(doc)
    doc.saveas(path)
    with pytest.raises(OutputError, match=message):
        read_back(path, [prism()])


def test_a_dxf_that_is_none_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.dxf"
    path.write_text("this is no drawing\n", encoding="utf-8")
    with pytest.raises(OutputError, match=r"x\.dxf does not read back as DXF"):
        read_back(path, [prism()])


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("mm", "px", "not drawn 1:1"),
        (" Z", "", "open line in the group CUT"),
        ("</svg>", "", "does not read back as SVG"),
    ],
)
def test_a_changed_svg_is_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    path = write(tmp_path / "x.svg", [prism()])
    path.write_text(path.read_text("utf-8").replace(old, new), encoding="utf-8")
    with pytest.raises(OutputError, match=message):
        read_back(path, [prism()])


def test_parts_that_run_into_each_other_are_refused(tmp_path: Path) -> None:
    pair = [prism(), prism(name="base")]
    path = write(tmp_path / "x.dxf", pair)
    doc = ezdxf.readfile(path)
    lines = doc.modelspace().query('LWPOLYLINE[layer=="CUT"]')
    lines[1].set_points([(x - 5.0, y) for x, y in lines[0].get_points("xy")], format="xy")
    doc.saveas(path)
    with pytest.raises(OutputError, match="run into each other"):
        read_back(path, pair)
