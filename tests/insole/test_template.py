"""The placement template, read back from the PDF with another library.

Lengths are compared as drawn: vector paths in points, the rulers also in a raster, as a steel
rule would see them.
"""

from __future__ import annotations

import ctypes
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely import LinearRing, LineString, Point, Polygon, box

from footscan.scan import Side
from insole.errors import OutputError
from insole.output import ink, places
from insole.output.papers import pages, template, tiles
from insole.parts.part import Part
from insole.record.plan import Plan
from insole.record.planned_parts import WedgePlace
from tests import on_trial
from tests.plans import bed_ring, sample_plan, sample_wedge

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 reads the PDFs back")

MM = 25.4 / 72.0
DRAWN_MM = 0.02  # six decimals in the file; pdfium keeps single precision
PER_MM = 20  # raster pixels in a millimetre: a hairline covers three


def written(tmp_path: Path, plan: Plan, parts: Any = (), paper: str = "a4") -> Any:
    path = tmp_path / f"template-{paper}.pdf"
    template.write_template(path, plan, list(parts), paper=paper)
    return pdfium.PdfDocument(path.read_bytes())


def paths(page: Any) -> list[np.ndarray]:
    """Return the points of every drawn path, page mm from the lower left corner."""
    raw, found = pdfium.raw, []
    for item in page.get_objects(filter=[raw.FPDF_PAGEOBJ_PATH]):
        a, b, c, d, e, f = item.get_matrix().get()
        points = []
        for k in range(raw.FPDFPath_CountSegments(item)):
            segment = raw.FPDFPath_GetPathSegment(item, k)
            x, y = ctypes.c_float(), ctypes.c_float()
            raw.FPDFPathSegment_GetPoint(segment, x, y)
            points.append((a * x.value + c * y.value + e, b * x.value + d * y.value + f))
        found.append(np.array(points) * MM)
    return found


def matching(page: Any, ring: np.ndarray) -> np.ndarray | None:
    """Return where `ring` (page directions, mm) is drawn on the page, or None."""
    wanted = ring - ring.min(axis=0)
    for path in paths(page):
        if len(path) >= len(ring):
            drawn = path[: len(ring)] - path[: len(ring)].min(axis=0)
            if np.abs(drawn - wanted).max() < DRAWN_MM:
                return path[: len(ring)]
    return None


def on_page(ring: Any, side: str, face: str) -> np.ndarray:
    """Return what a foot seen from a face looks like, toes up, by the rider's own eyes.

    A right foot has its big toe at the left when seen from above; the left foot and the view
    from below each turn that round.
    """
    ring = np.asarray(ring, dtype=float)
    across = (-1.0 if side == "right" else 1.0) * (1.0 if face == "above" else -1.0)
    return np.column_stack([across * ring[:, 1], ring[:, 0]])


def test_base_is_drawn_at_full_size_and_on_its_own_side(tmp_path: Path) -> None:
    plan = sample_plan()
    document = written(tmp_path, plan)
    views = [(foot, face) for foot in plan.feet for face in ("above", "below")]
    assert len(document) == len(views)
    for page, (foot, face) in zip(document, views, strict=True):
        drawn = matching(page, on_page(foot.base.outline, foot.side, face))
        assert drawn is not None, (foot.side, face)
        assert Polygon(drawn).area == pytest.approx(Polygon(foot.base.outline).area, rel=1e-4)
        other = "above" if face == "below" else "below"
        assert matching(page, on_page(foot.base.outline, foot.side, other)) is None
        text = page.get_textpage().get_text_bounded()
        assert foot.side.upper() in text
        assert ("SEEN FROM ABOVE" in text) == (face == "above")
        assert ("foot side up" in text) == (face == "above")


def test_pad_lies_on_the_base_where_the_plan_says(tmp_path: Path) -> None:
    plan = sample_plan()
    document = written(tmp_path, plan)
    for number, foot in enumerate(plan.feet):
        page = document[2 * number]
        both = [on_page(ring, foot.side, "above") for ring in (foot.base.outline, foot.pad.outline)]
        base, pad = (matching(page, ring) for ring in both)
        assert base is not None
        assert pad is not None
        shift = pad.min(axis=0) - base.min(axis=0)
        assert shift == pytest.approx(both[1].min(axis=0) - both[0].min(axis=0), abs=DRAWN_MM)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_rulers_measure_100_mm_on_every_page(tmp_path: Path, paper: str) -> None:
    """In the raster, between the middles of the end ticks; 0.1 mm is what a steel rule tells."""
    document = written(tmp_path, sample_plan(sides=("right",), under=True), paper=paper)
    for page in document:
        raster = page.render(scale=PER_MM * MM, grayscale=True).to_numpy()
        ink = 255.0 - raster.reshape(raster.shape[:2]).astype(float)
        # between the 3 mm ticks and the numerals only the end ticks cross
        row = ink[-round((tiles.MARGIN + 2.0 + 3.3) * PER_MM)]
        across = centres(row)[-2:]
        along = centres(ink[:, round((tiles.MARGIN + 2.0 + 3.3) * PER_MM)])
        assert across[1] - across[0] == pytest.approx(100.0, abs=0.1)
        assert len(along) == 2
        assert along[1] - along[0] == pytest.approx(100.0, abs=0.1)


def centres(line: np.ndarray) -> list[float]:
    """Return the middles of the dark runs along a line of pixels, mm."""
    dark = line > 40.0
    starts = np.flatnonzero(dark & ~np.roll(dark, 1))
    ends = np.flatnonzero(dark & ~np.roll(dark, -1))
    spans = [np.arange(a, b + 1) for a, b in zip(starts, ends, strict=True)]
    return [float((span * line[span]).sum() / line[span].sum()) / PER_MM for span in spans]


def test_a_long_foot_runs_over_tiles_that_join(tmp_path: Path) -> None:
    """Both tiles carry the join line at one station of the foot, 10 mm of it twice."""
    plan = sample_plan(sides=("left",))
    foot = plan.left
    long = bed_ring(320.0)
    ring = [(float(x), float(y)) for x, y in long]
    base = foot.base.model_copy(update={"outline": ring})
    plan = plan.model_copy(update={"left": foot.model_copy(update={"base": base})})
    document = written(tmp_path, plan)
    assert len(document) == 4
    for pair in (0, 2):
        face = "above" if pair == 0 else "below"
        stations = []
        for page in (document[pair], document[pair + 1]):
            drawn = matching(page, on_page(long, "left", face))
            assert drawn is not None
            joins = [
                p
                for p in paths(page)
                if len(p) == 2 and abs(np.ptp(p[:, 1])) < 1e-3 and np.ptp(p[:, 0]) > 120.0
            ]
            stations.append({round(float(p[0, 1] - drawn[:, 1].min()), 2) for p in joins})
            text = page.get_textpage().get_text_bounded()
            assert "of 2" in text
            assert "cross on cross" in text
        shared = [(a, b) for a in stations[0] for b in stations[1] if abs(a - b) < 0.03]
        assert len(shared) == 1  # the join; the ends of the two drawings are 10 mm apart
        assert max(stations[0]) - min(stations[1]) == pytest.approx(tiles.OVERLAP, abs=0.05)


def with_base(plan: Plan, side: str, ring: np.ndarray) -> Plan:
    """Return the plan with another base outline for one foot."""
    foot = getattr(plan, side)
    outline = [(float(x), float(y)) for x, y in ring]
    base = foot.base.model_copy(update={"outline": outline})
    return plan.model_copy(update={side: foot.model_copy(update={"base": base})})


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_long_and_broad_bed_still_needs_one_sheet_of_a4(tmp_path: Path, side: str) -> None:
    """283 x 107 mm on 198 x 285 mm of paper, beside both rulers, which a steel rule still finds."""
    ring = bed_ring(283.0) * (1.0, 1.12)
    plan = with_base(sample_plan(sides=(side,)), side, ring)
    path = tmp_path / "t.pdf"
    template.write_template(path, plan, [])
    document = pdfium.PdfDocument(path.read_bytes())
    assert len(document) == 2
    for page, face in zip(document, ("above", "below"), strict=True):
        drawn = matching(page, on_page(ring, side, face))
        assert drawn is not None
        assert drawn.min() > tiles.LINE_MARGIN - 0.5
        rulers = box(tiles.MARGIN, 17.0, 17.0, 117.0)
        assert not Polygon(drawn).intersects(rulers)
    pages.read_back(path, rulers=True)


def test_tender_spot_is_ringed_at_its_radius_on_its_own_foot(tmp_path: Path) -> None:
    """10 mm around the spot: the free radius of the limits; only where parts are placed by."""
    plan = sample_plan().model_copy(update={"wishes": {"left": {"tender": [[135.0, 15.0]]}}})
    document = written(tmp_path, plan)
    angle = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    ring = np.array([135.0, 15.0]) + 10.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    for number, face in enumerate(("above",)):
        page = document[number]
        base = matching(page, on_page(plan.left.base.outline, "left", face))
        drawn = matching(page, on_page(ring, "left", face))
        assert base is not None
        assert drawn is not None
        both = [on_page(points, "left", face) for points in (plan.left.base.outline, ring)]
        wanted = both[1].min(axis=0) - both[0].min(axis=0)
        assert drawn.min(axis=0) - base.min(axis=0) == pytest.approx(wanted, abs=DRAWN_MM)
        text = " ".join(page.get_textpage().get_text_bounded().split())
        assert "Tender spot 135 mm from rear edge, 15 mm towards the big toe" in text
    assert matching(document[1], on_page(ring, "left", "below")) is None
    assert "tender" not in document[2].get_textpage().get_text_bounded()


def white_patches(page: Any) -> list[Polygon]:
    """Return the areas that are cleared behind words, page mm."""
    raw, found = pdfium.raw, []
    for item, points in zip(
        page.get_objects(filter=[raw.FPDF_PAGEOBJ_PATH]), paths(page), strict=True
    ):
        shades = [ctypes.c_uint() for _ in range(4)]
        raw.FPDFPageObj_GetFillColor(item, *shades)
        mode, stroke = ctypes.c_int(), ctypes.c_int()
        raw.FPDFPath_GetDrawMode(item, mode, stroke)
        if mode.value and not stroke.value and [shade.value for shade in shades[:3]] == [255] * 3:
            found.append(box(*points.min(axis=0), *points.max(axis=0)))
    return found


@pytest.mark.parametrize("lean", [0.0, 40.0, -40.0])
def test_words_inside_the_outline_wipe_out_no_line(tmp_path: Path, lean: float) -> None:
    """Whatever way the toes lean, no white patch meets base, pad or shim."""
    ring = bed_ring()
    ahead = np.clip(ring[:, 0] - 230.0, 0.0, None) / 48.0
    leaning = np.column_stack([ring[:, 0], ring[:, 1] * (1.0 - 0.6 * ahead) + lean * ahead])
    plan = with_base(sample_plan(sides=("right",), under=True), "right", leaning)
    for page, face in zip(written(tmp_path, plan), ("above", "below"), strict=True):
        patches = white_patches(page)
        assert len(patches) >= 6  # HEEL, TOES, two lines of each name
        foot = plan.right
        placed = (foot.pad.outline, *(w.outline for w in foot.wedges))
        for outline in (foot.base.outline, *(placed if face == "above" else ())):
            drawn = matching(page, on_page(outline, "right", face))
            assert drawn is not None
            assert not any(LinearRing(drawn).intersects(patch) for patch in patches)


def test_no_leader_runs_through_the_thick_edge(tmp_path: Path) -> None:
    """The words lie along the band; lines of two points that end in the column pass beside them."""
    page = written(tmp_path, sample_plan(sides=("left",)))[0]  # thick edge towards the column
    text = page.get_textpage()
    start = text.get_text_range().index("THICK EDGE")
    boxes = np.array([text.get_charbox(k) for k in range(start, start + 16)]) * MM
    words = box(*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0))
    leaders = [
        LineString(path) for path in paths(page) if len(path) == 3 and np.ptp(path[:, 0]) > 20
    ]
    assert leaders
    assert not any(line.intersects(words) for line in leaders)


def test_a_base_without_a_pad_has_no_grid(tmp_path: Path) -> None:
    with_pad, without = (
        written(tmp_path, sample_plan(sides=("left",), pad_height=height))[0]
        for height in (10.0, None)
    )
    assert "placement grid" in with_pad.get_textpage().get_text_bounded()
    assert "placement grid" not in without.get_textpage().get_text_bounded()
    assert len(paths(with_pad)) - len(paths(without)) > 40


def test_words_say_only_what_holds_on_the_page(tmp_path: Path) -> None:
    above, below = (
        " ".join(page.get_textpage().get_text_bounded().split())
        for page in written(tmp_path, sample_plan(sides=("right",), under=True))
    )
    assert "SEEN FROM BELOW" in below
    assert "UNDERSIDE, outline only" in below
    for absent in ("Copy crest", "Shim", "Pad", "Ball line", "THICK EDGE", "placement grid"):
        assert absent not in below, absent
    assert "from below" not in above.lower()
    shim = above.split("Shim under the shoe")[1].split("Shim inside")[0]
    assert "placed by its bolt slots under the cleat" in shim
    assert "mm from rear edge" not in shim.split("base's edge")[0]
    assert "Copy crest and shim lines before trimming" in above


def test_the_underside_shows_nothing_that_is_placed_but_is_hatched(tmp_path: Path) -> None:
    """The pad's outline only from above; many parallel lines at 45 degrees only from below."""
    plan = sample_plan(sides=("right",))
    above, below = written(tmp_path, plan)
    assert matching(above, on_page(plan.right.pad.outline, "right", "above")) is not None
    assert matching(below, on_page(plan.right.pad.outline, "right", "below")) is None
    slanted = [
        sum(
            len(p) == 2 and np.ptp(p[:, 0]) > 3 and abs(np.ptp(p[:, 0]) - np.ptp(p[:, 1])) < 0.02
            for p in paths(page)
        )
        for page in (above, below)
    ]
    assert slanted[0] < 5
    assert slanted[1] > 20


def test_of_two_tiles_one_is_cut(tmp_path: Path) -> None:
    plan = with_base(sample_plan(sides=("left",)), "left", bed_ring(320.0))
    first, second = (
        " ".join(page.get_textpage().get_text_bounded().split())
        for page in list(written(tmp_path, plan))[:2]
    )
    assert "cut here, lay on tile 2" in first
    assert "do not cut: tile 1 lies on here" in second
    assert "cut here" not in second.replace("base: cut here", "")
    for text in (first, second):
        assert "cut one tile only" in text


def test_holes_for_dowels_are_drawn_and_numbered_where_they_are_drilled(tmp_path: Path) -> None:
    """A cross 7 mm long each way through each centre, on the side that the base is drilled from."""
    spots = [(117.0, 9.0), (141.0, 9.0), (123.0, 18.0)]
    plan = sample_plan(sides=("right",))
    base = plan.right.base.model_copy(update={"dowels": spots, "thickness": 2.4})
    foot = plan.right.model_copy(update={"base": base})
    plan = plan.model_copy(update={"right": foot})
    above, below = written(tmp_path, plan)
    ring = on_page(foot.base.outline, "right", "above")
    zero = matching(above, ring).min(axis=0) - ring.min(axis=0)
    middles = [
        p.mean(axis=0)
        for p in paths(above)
        if len(p) == 2 and abs(np.linalg.norm(np.ptp(p, axis=0)) - 7.0) < 0.01
    ]
    for spot in on_page(spots, "right", "above"):
        assert sum(np.abs(middle - zero - spot).max() < DRAWN_MM for middle in middles) == 2
    text = " ".join(above.get_textpage().get_text_bounded().split())
    assert "Dowels, drill 4.3 mm 1: 117 from rear, 9 to big toe" in text
    assert "base 1.2 mm" in text  # 2.4 mm less 1.2 mm that stay under a hole
    assert "Dowels" not in below.get_textpage().get_text_bounded()


def test_usual_sizes_need_one_sheet_of_a4(tmp_path: Path) -> None:
    assert len(written(tmp_path, sample_plan(sides=("right",)))) == 2


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_no_word_leaves_the_printable_page(tmp_path: Path, paper: str) -> None:
    plan = sample_plan(under=True, case="a-case-name-of-forty-letters-and-more-1")
    long = plan.model_copy(update={"shoe_name": "a shoe with a name that goes on and on " * 3})
    for page in written(tmp_path, long, paper=paper):
        text = page.get_textpage()
        boxes = np.array([text.get_charbox(k) for k in range(text.count_chars())]) * MM
        boxes = boxes[(boxes[:, 2] > boxes[:, 0])]
        width, height = tiles.PAPERS[paper]
        least = tiles.MARGIN - 1.0
        assert boxes[:, :2].min() >= least
        assert boxes[:, 2].max() <= width - least
        assert boxes[:, 3].max() <= height - least


def test_words_tell_thick_edges_and_places(tmp_path: Path) -> None:
    plan = sample_plan(under=True)
    document = written(tmp_path, plan)
    text = " ".join(document[2].get_textpage().get_text_bounded().split())
    for wedge in plan.right.wedges:
        assert f"THICK EDGE {wedge.thick_edge:.1f} mm" in text
        assert f"Shim {wedge.place}" in text
        assert wedge.words in text
    crest = plan.right.pad.crest
    assert f"{crest.from_rear:.1f} mm from rear edge" in text
    assert "Print at 100 %" in text
    assert "100 mm" in text


def test_overrides_are_printed(tmp_path: Path) -> None:
    over = {"limit": "forefoot shim above 2°", "who": "K. Fit", "why": "asked for", "when": "May"}
    plan = Plan.model_validate({**sample_plan().model_dump(), "overrides": [over]})
    for page in written(tmp_path, plan):
        text = " ".join(page.get_textpage().get_text_bounded().split())
        assert "Limit passed on purpose: forefoot shim above 2°; K. Fit, May: asked for" in text


def test_outline_of_a_part_replaces_that_of_the_plan(tmp_path: Path) -> None:
    """A worn left base with a notch is what is cut, so it is what is drawn."""
    plan = sample_plan(sides=("left",))
    ring = np.array(plan.left.base.outline) * (1.0, -1.0)  # worn: a left foot is mirrored
    notched = ring.copy()
    notched[np.argmin(ring[:, 1])] += (0.0, 4.0)
    part = Part(
        name="base",
        side=Side.LEFT,
        worn=True,
        vertices=np.zeros((0, 3)),
        faces=np.zeros((0, 3), dtype=int),
        outline=notched,
        volume=1.0,
        material="base-pp",
    )
    page = written(tmp_path, plan, [part])[0]
    seen = np.column_stack([-notched[:, 1], notched[:, 0]])  # a quarter turn, nothing mirrored
    assert matching(page, seen) is not None
    assert matching(page, on_page(plan.left.base.outline, "left", "above")) is None


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    files = [tmp_path / "a.pdf", tmp_path / "b.pdf"]
    for file in files:
        template.write_template(file, sample_plan(), [])
    assert files[0].read_bytes() == files[1].read_bytes()


def test_bad_calls_are_refused(tmp_path: Path) -> None:
    plan = sample_plan(sides=("right",))
    with pytest.raises(ValueError, match="paper must be one of a4, letter"):
        template.write_template(tmp_path / "t.pdf", plan, [], paper="a5")
    with pytest.raises(OutputError, match="no foot"):
        template.write_template(tmp_path / "t.pdf", sample_plan(sides=()), [])
    wide = [(x, 2.0 * y) for x, y in plan.right.base.outline]
    base = plan.right.base.model_copy(update={"outline": wide})
    broad = plan.model_copy(update={"right": plan.right.model_copy(update={"base": base})})
    with pytest.raises(OutputError, match="too wide"):
        template.write_template(tmp_path / "t.pdf", broad, [])
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"cannot write .*choose a folder"):
        ink.save_bytes(tmp_path / "none" / "t.pdf", b"new")
    (tmp_path / "t.pdf").mkdir()
    with pytest.raises(OutputError, match="cannot write"):
        ink.save_bytes(tmp_path / "t.pdf", b"new")
    assert [entry.name for entry in tmp_path.iterdir()] == ["t.pdf"]


def test_crest_is_measured_from_the_medial_edge() -> None:
    """On a bed 60 mm wide to the medial side of its centreline the sum can be done by heart."""
    foot = sample_plan().right
    bed = [(0.0, -40.0), (280.0, -40.0), (280.0, 60.0), (0.0, 60.0)]
    base = foot.base.model_copy(update={"outline": bed})
    crest = foot.pad.crest.model_copy(update={"from_rear": 120.0, "from_medial": 25.0})
    pad = foot.pad.model_copy(update={"crest": crest})
    wanted = places.crest_point(foot.model_copy(update={"base": base, "pad": pad}))
    assert wanted == pytest.approx([120.0, 35.0])
    with pytest.raises(ValueError, match="no pad"):
        places.crest_point(foot.model_copy(update={"pad": None}))


@pytest.mark.parametrize("net", [2.0, -2.0])
@pytest.mark.parametrize("place", list(WedgePlace))
def test_thick_edge_band_lies_along_the_thick_side(place: WedgePlace, net: float) -> None:
    wedge = sample_wedge(bed_ring(), place, net)
    full, band = places.wedge_lines(wedge)
    shape = Polygon(wedge.outline)
    assert shape.buffer(0.01).contains(Polygon(band))
    assert (np.sign(band[:, 1]) == np.sign(net)).mean() > 0.95  # + is thick on the medial side
    edge = LinearRing(wedge.outline)
    assert max(edge.distance(Point(at)) for at in band) < 3.01
    for line, x in zip(full, (wedge.full_from, wedge.full_to), strict=True):
        assert line[:, 0] == pytest.approx([x, x], abs=0.02)


def test_blocks_are_spread_apart_in_order() -> None:
    """Apart by their heights, inside the column, unmoved where there is room anyway."""
    rng = np.random.default_rng(7)
    for _ in range(50):
        wanted = np.sort(rng.uniform(0, 200, 6))[::-1]
        sizes = rng.uniform(5, 25, 6)
        tops = places.spread(wanted, sizes, 210.0, 0.0)
        assert (tops[:-1] - sizes[:-1] >= tops[1:] - 1e-9).all()
        assert tops[0] <= 210.0
        assert tops[-1] - sizes[-1] >= -1e-9
    assert places.spread([90.0, 50.0], [10.0, 10.0], 100.0, 0.0) == pytest.approx([90.0, 50.0])
    assert places.spread([50.0, 50.0], [10.0, 10.0], 100.0, 0.0) == pytest.approx([55.0, 45.0])
    assert len(places.spread([], [], 1.0, 0.0)) == 0


@pytest.mark.parametrize(
    ("turn", "words"),
    [
        (0.0, "no turn"),
        (5.0, "turn 5°, front to the big toe"),
        (-2.5, "turn 2.5°, front to the little toe"),
    ],
)
def test_turn_in_words(turn: float, words: str) -> None:
    assert places.turn_words(turn) == words


def test_fonts_hold_the_signs_of_the_trade() -> None:
    from reportlab.pdfbase import pdfmetrics

    for name in ink.fonts():
        face = pdfmetrics.getFont(name).face
        assert all(ord(sign) in face.charToGlyph for sign in "°±–−×≥·…☐éłßЖ")


def test_notes_of_shims_end_in_the_shim_a_little_inside_its_edge(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside the words, 8 mm inside its edge, which curves by less than 3 mm on the way."""
    real, found = template._callouts, []

    def said(drawing: Any, sheet: Any) -> Any:
        notes = real(drawing, sheet)
        found.append((drawing.foot, sheet.across, notes))
        return notes

    monkeypatch.setattr(template, "_callouts", said)
    written(tmp_path, on_trial.made(forefoot=2.0, heel=2.0))
    checked = 0
    for foot, across, notes in found:
        places = {title: at for at, title, _ in notes}
        for wedge in foot.wedges:
            x, y = places[f"Shim {wedge.place}"]
            ring = Polygon(wedge.outline)
            assert ring.contains(Point(x, y))
            low, high = ring.intersection(LineString([(x, -99), (x, 99)])).bounds[1::2]
            edge = high - y if across > 0 else y - low
            assert 5.0 < edge < 11.0, (foot.side, wedge.place, edge)
            checked += 1
    assert checked == 4  # two feet
