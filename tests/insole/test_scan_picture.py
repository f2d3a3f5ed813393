"""The technician's pictures: right way round, readable, findings where they are."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from footscan.checking.repeat import compare
from footscan.results import Finding, MeasuredFoot, ScanReport, Severity, Verdict
from insole.errors import OutputError
from insole.output.pictures import scan as scan_picture
from insole.output.pictures import scan_compared, scan_page, scan_views
from tests.feet import analytic

YELLOW = (254, 232, 56)  # the uppermost band
LENGTH = 260.0


def finding(code: str, severity: Severity, region: str, text: str = "Something is.") -> Finding:
    return Finding(code=code, severity=severity, text=text, advice="Do this.", region=region)


def with_findings(foot: MeasuredFoot, verdict: Verdict, *found: Finding) -> MeasuredFoot:
    return replace(foot, report=ScanReport(verdict=verdict, findings=found))


def without_skin(foot: MeasuredFoot, at: tuple[float, float], radius: float) -> MeasuredFoot:
    """Return the foot with a round hole in its sole."""
    vertices, faces = foot.foot.vertices, foot.foot.faces
    near = np.linalg.norm(vertices[:, :2] - at, axis=1) < radius
    sole = near & (vertices[:, 2] < 30.0)
    return replace(foot, foot=replace(foot.foot, faces=faces[~sole[faces].any(axis=1)]))


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> Callable[[MeasuredFoot], Figure]:
    """Return a function that draws a foot and hands over the figure instead of its bytes."""
    kept: list[Figure] = []
    real = scan_page.png_of
    monkeypatch.setattr(scan_picture, "png_of", lambda figure: kept.append(figure) or real(figure))

    def draw(measured: MeasuredFoot) -> Figure:
        scan_picture.scan_png(measured)
        return kept[-1]

    return draw


def words(figure: Figure) -> list[Text]:
    found = [*figure.texts, *(text for axes in figure.axes for text in axes.texts)]
    return [text for text in found if text.get_text().strip()]


def pixels(data: bytes) -> Any:
    return 255 * matplotlib.image.imread(io.BytesIO(data))[:, :, :3]


def near(picture: Any, colour: tuple[int, int, int], within: float = 20.0) -> Any:
    return np.nonzero(np.abs(picture - np.array(colour)).max(axis=2) < within)


@pytest.mark.usefixtures("anew")
def test_page_is_a5_and_repeats_byte_for_byte() -> None:
    foot = analytic()
    data = scan_picture.scan_png(foot)
    high, wide = pixels(data).shape[:2]
    assert (wide / 200 * 25.4, high / 200 * 25.4) == (
        pytest.approx(210, abs=0.3),
        pytest.approx(148, abs=0.3),
    )
    assert scan_picture.scan_png(foot) == data


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_arch_lies_where_the_sole_seen_from_below_has_it(side: str) -> None:
    """Toes up and seen from below, the big toe of a left foot is at the left."""
    picture = pixels(scan_picture.scan_png(analytic(side=side, arch=26.0)))
    page = picture[:, : int(picture.shape[1] * 88 / 210)]
    arch = near(page, YELLOW)[1]
    assert len(arch) > 300
    foot = np.nonzero(np.abs(page - [0, 34, 78]).max(axis=2) < 20)[1]  # what touches the ground
    offset = float(np.mean(arch) - np.mean(foot))
    assert offset < -20 if side == "left" else offset > 20


def test_side_point_of_view_verdict_and_scale_are_said(drawn: Any) -> None:
    said = " | ".join(text.get_text() for text in words(drawn(analytic(side="left"))))
    for expected in (
        "LEFT FOOT",
        "seen from below",
        "FIT FOR MAKING",
        "50 mm",
        "big-toe",
        "little-toe",
        "260 mm long",
        "load half",
        "scale",
    ):
        assert expected in said


def test_scale_bar_is_50_mm_of_foot(drawn: Any) -> None:
    """The bar and the foot share the axes, whose units are mm: five boxes of 10 mm."""
    axes = drawn(analytic()).axes[0]
    bars = [patch.get_xy() for patch in axes.patches if hasattr(patch, "get_xy")]
    ends = [np.ptp(np.asarray(ring)[:, 0]) for ring in bars if np.ndim(ring) == 2]
    assert ends.count(10.0) == 5
    box = axes.transData.transform([(0, 0), (50, 0), (0, 50)])
    assert box[1, 0] - box[0, 0] == pytest.approx(box[2, 1] - box[0, 1], rel=1e-6)  # undistorted


LONG = Finding(
    code="noise",
    severity=Severity.AGAIN,
    region="sole",
    text="A sentence as long as they come, which says at some length what was found where and why.",
    advice="Another sentence that is just as long and tells a patient technician what to do next.",
)


@pytest.mark.parametrize("side", ["left", "right"])
def test_all_words_are_large_enough_and_on_the_page(drawn: Any, side: str) -> None:
    """At least 10 points on A5: 7 on A6. Also with a long name and more findings than room."""
    foot = with_findings(analytic(side=side, length=300.0), Verdict.AGAIN, *[LONG] * 9)
    foot = replace(foot, facts=replace(foot.facts, file="x" * 200 + ".ply"))
    figure = drawn(foot)
    renderer = figure.canvas.get_renderer()
    page = figure.bbox
    for text in words(figure):
        assert text.get_fontsize() >= 10.0, text.get_text()
        box = text.get_window_extent(renderer)
        assert box.x0 >= page.x0 - 1, text.get_text()
        assert box.x1 <= page.x1 + 1, text.get_text()
        assert box.y0 >= page.y0 - 1, text.get_text()
        assert box.y1 <= page.y1 + 1, text.get_text()


def test_findings_do_not_run_into_the_keys(drawn: Any) -> None:
    figure = drawn(with_findings(analytic(), Verdict.AGAIN, *[LONG] * 9))
    renderer = figure.canvas.get_renderer()
    boxes = {t.get_text(): t.get_window_extent(renderer) for t in words(figure)}
    more = next(box for text, box in boxes.items() if text.startswith("… and "))
    assert more.y0 > boxes["height of sole, mm"].y1
    assert "9" not in boxes  # what is not listed is not marked on the map


@pytest.mark.parametrize(
    ("region", "low", "high"),
    [("heel", 0.03, 0.25), ("arch", 0.28, 0.68), ("ball", 0.64, 0.80), ("toes", 0.80, 1.0)],
)
def test_a_finding_is_marked_beside_its_region(
    drawn: Any, region: str, low: float, high: float
) -> None:
    foot = with_findings(analytic(), Verdict.AGAIN, finding("noise", Severity.AGAIN, region))
    axes = drawn(foot).axes[0]
    (mark,) = [text for text in axes.texts if text.get_text() == "1"]
    assert low * LENGTH <= mark.xy[1] <= high * LENGTH
    assert mark.xy[0] < -30  # a right foot seen from below has its lateral side at the left


def test_a_finding_about_the_whole_scan_is_only_listed(drawn: Any) -> None:
    foot = with_findings(analytic(), Verdict.MAKING, finding("scale", Severity.NOTE, "scan"))
    figure = drawn(foot)
    assert not [text for text in figure.axes[0].texts if text.get_text() == "1"]
    assert [text for axes in figure.axes[1:] for text in axes.texts if text.get_text() == "1"]


def test_severities_differ_in_shape_not_in_colour_alone(drawn: Any) -> None:
    foot = with_findings(
        analytic(),
        Verdict.AGAIN,
        *(finding(s.name, s, "heel") for s in (Severity.AGAIN, Severity.MEASURING, Severity.NOTE)),
    )
    shapes = [line.get_marker() for line in drawn(foot).axes[0].lines if line.get_markersize() > 12]
    assert len(set(shapes)) == len(shapes) == 3


def test_a_hole_is_hatched_where_it_is_and_pointed_at(drawn: Any) -> None:
    """A hole of 15 mm radius under the arch: white and hatched there, sole 30 mm farther on."""
    at, lower = (110.0, 0.0), (65.0, 0.0)
    whole = without_skin(analytic(), at, 15.0)
    hole = with_findings(whole, Verdict.AGAIN, finding("sole-hole", Severity.AGAIN, "arch"))
    figure = drawn(hole)
    axes = figure.axes[0]
    picture = pixels(scan_picture.scan_png(hole))

    def white(x: float, y: float) -> float:
        u, v = (int(value) for value in axes.transData.transform((y, x)) * 200 / figure.dpi)
        row = picture.shape[0] - v
        return float((picture[row - 12 : row + 12, u - 12 : u + 12].min(axis=2) > 240).mean())

    assert white(at[0] - 7, at[1] - 5) > 0.5
    assert white(*lower) == 0.0
    arrows = [text for text in axes.texts if getattr(text, "arrow_patch", None) is not None]
    assert any(np.hypot(t.xy[0] - at[1], t.xy[1] - at[0]) < 5.0 for t in arrows)
    said = " ".join(text.get_text() for text in words(figure))
    share = int(said.split("seen, %")[1].split("arch ")[1].split(",")[0])
    assert 80 <= share <= 95  # of 7000 to 9000 mm2, 700 are missing


def test_a_sole_that_is_not_there_is_hatched_not_grey(drawn: Any) -> None:
    """Without anything that faces down the plan from heel to ball is what was not seen."""
    foot = analytic()
    vertices, faces = foot.foot.vertices, foot.foot.faces
    high = faces[(vertices[faces, 2] > 25).all(axis=1)]
    bare = replace(foot, foot=replace(foot.foot, faces=high))
    unseen, place = scan_views.not_seen(bare.foot)
    assert unseen[np.searchsorted(place.x, 130.0), np.searchsorted(place.y, 0.0)]
    # heel to ball is 0.77 x 260 mm long, a sole at least 55 mm wide there
    assert unseen.sum() * place.cell**2 > 0.8 * 200 * 55
    assert scan_views.not_seen(foot.foot)[0].sum() < 20


def test_noise_is_drawn_dark_and_hatched(drawn: Any) -> None:
    """Noise of 0.5 mm lies in the third band nearly everywhere; without it nowhere in the last."""
    foot = analytic()
    rng = np.random.default_rng(3)
    vertices = foot.foot.vertices + [0, 0, 0.5] * rng.standard_normal((len(foot.foot.vertices), 1))
    noisy = replace(foot, foot=replace(foot.foot, vertices=vertices))

    def hatches(measured: MeasuredFoot) -> list[str]:
        figure = drawn(measured)
        cells = max(figure.axes, key=lambda axes: len(axes.patches)).patches
        return [patch.get_hatch() or "" for patch in cells]

    found = hatches(noisy)
    assert len(found) > 150
    assert found.count("///") > 0.6 * len(found)
    assert hatches(foot).count("xxx") == 0


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot write"):
        scan_picture.write_scan(tmp_path / "none" / "x.png", analytic())
    assert not list(tmp_path.iterdir())


# ------------------------------------------------------------------ two scans apart


def dented(foot: MeasuredFoot, depth: float) -> MeasuredFoot:
    """Return the foot with the sole under its heel `depth` mm higher, over some 30 mm."""
    vertices = np.array(foot.foot.vertices)
    away = np.linalg.norm(vertices[:, :2] - [45.0, 0.0], axis=1)
    vertices[:, 2] += np.where(vertices[:, 2] < 8.0, depth * np.exp(-((away / 14.0) ** 2) / 2), 0)
    return replace(foot, foot=replace(foot.foot, vertices=vertices))


def compared(tmp_path: Path, first: MeasuredFoot, second: MeasuredFoot) -> Any:
    path = tmp_path / "apart.png"
    scan_compared.write_compare(path, compare(first, second), first)
    return pixels(path.read_bytes())


def test_what_stands_out_is_coloured_by_its_sign(tmp_path: Path) -> None:
    """A dent in the second scan: the first lies outside it; and the other way round."""
    plain, other = analytic(), dented(analytic(), 4.0)
    ends = [scan_page.apart_colours()[k] for k in (-1, 0)]
    plan = slice(None), slice(0, int(1654 * 44 / 210))  # the view from below
    for first, second, shown in ((plain, other, 0), (other, plain, 1)):
        picture = compared(tmp_path, first, second)[plan]
        counts = [len(near(picture, tuple(int(255 * c) for c in end[:3]), 12.0)[0]) for end in ends]
        assert counts[shown] > 200
        assert counts[1 - shown] == 0


def test_equal_scans_are_all_within(tmp_path: Path) -> None:
    foot = analytic()
    picture = compared(tmp_path, foot, foot)[:, : int(1654 * 88 / 210)]
    within = near(picture, (236, 235, 230), 2.0)[0]
    assert len(within) > 100_000
    for colour in scan_page.apart_colours():
        if not isinstance(colour, str):
            assert len(near(picture, tuple(int(255 * c) for c in colour[:3]), 6.0)[0]) == 0


@pytest.mark.parametrize("side", ["left", "right"])
def test_words_of_a_comparison_are_on_the_page(
    tmp_path: Path, side: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[Figure] = []
    real = scan_page.png_of
    monkeypatch.setattr(scan_compared, "png_of", lambda figure: kept.append(figure) or real(figure))
    first = analytic(side=side)
    compared(tmp_path, first, analytic(side="left", length=266.0))
    renderer = kept[0].canvas.get_renderer()
    for text in words(kept[0]):
        assert text.get_fontsize() >= 10.0
        box = text.get_window_extent(renderer)
        assert box.x0 >= -1, text.get_text()
        assert box.x1 <= kept[0].bbox.x1 + 1, text.get_text()
        assert box.y0 >= -1, text.get_text()
    said = " ".join(text.get_text() for text in words(kept[0]))
    assert ("LEFT AGAINST RIGHT" if side == "right" else "TWO SCANS OF ONE SIDE, NOT ALIKE") in said
    assert "rms" in said
    assert "50 mm" in said
