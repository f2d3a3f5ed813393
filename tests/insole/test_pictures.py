"""Pictures: the right foot on the right side, true to scale, the same bytes each time."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from footscan.scan import Side
from insole.errors import OutputError
from insole.output.pictures import made_part, part_view
from insole.output.pictures import plan_view as pictures
from insole.parts.made.check import check_made
from insole.parts.pad import arch_pad
from insole.parts.part import Part, as_worn
from insole.record.plan import Plan
from tests import on_trial
from tests.made_parts import made_scan
from tests.plans import sample_foot, sample_plan

Picture = np.ndarray


def opened(data: bytes) -> Picture:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(float)


def near(picture: Picture, colour: tuple[float, float, float], within: float = 25.0) -> Any:
    """Return rows and columns of the pixels close to a colour (0 to 255)."""
    return np.nonzero(np.abs(picture - np.array(colour)).max(axis=2) < within)


def single(side: str) -> Plan:
    """Return a plan of one foot, the same in the bed frame for either side."""
    return sample_plan(sides=(side,)).model_copy(update={side: sample_foot(side)})


def test_pad_lies_towards_the_big_toe_of_the_foot_that_it_is_for() -> None:
    """The pad's middle is medial: to the right on a left foot, to the left on a right one."""
    offsets = {}
    for side in ("left", "right"):
        picture = opened(pictures.placement_png(single(side)))
        high = picture.shape[0]
        bed = near(picture[: int(0.9 * high)], (243, 241, 234), 2.0)[1]  # the base's fill
        pad = near(picture[: int(0.9 * high)], (33, 119, 180), 30.0)[1]  # a middle height
        assert len(pad) > 300
        offsets[side] = float(np.mean(pad) - (bed.min() + bed.max()) / 2)
    assert offsets["left"] > 5.0
    assert offsets["right"] < -5.0
    assert offsets["left"] == pytest.approx(-offsets["right"], abs=4.0)


def test_a_contoured_bed_is_drawn_to_its_front_end_with_its_arch_at_the_big_toe() -> None:
    """A right foot: thick at the left of the page; ahead of the front end the bare base shows."""
    plan = on_trial.made(contoured="three-quarter", support_level=0.8)
    picture = opened(pictures.placement_png(plan))
    high = picture.shape[0]
    shown = picture[: int(0.9 * high)]
    base_rows, base = near(shown, (243, 241, 234), 2.0)
    rows, thick = near(shown, (33, 119, 180), 30.0)
    arch = thick[rows < rows.min() + 0.4 * np.ptp(rows)]  # the heel's cup is thick all round
    assert len(arch) > 300
    assert float(arch.mean()) < (base.min() + base.max()) / 2 - 20
    middle = 0.52 * high
    assert (base_rows > middle).mean() < 0.01  # the bed hides the base behind its front end
    without = opened(pictures.placement_png(on_trial.made(pad=False)))
    assert (near(without[: int(0.9 * high)], (243, 241, 234), 2.0)[0] > middle).mean() > 0.3


def test_the_words_of_a_placement_stand_at_their_foot_and_side(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """LEFT over the left feet's half; on each, the big toe is named where the arrow points to."""
    figures: list[Any] = []
    monkeypatch.setattr(pictures, "png_bytes", lambda figure, dpi: figures.append(figure) or b"")
    pictures._placement(sample_plan(under=True), 150)
    halves = sorted(figures[0].axes[:2], key=lambda axes: axes.get_position().x0)
    said = [{text.get_text(): text for text in axes.texts} for axes in halves]
    for words, side, arrow in zip(said, ("LEFT", "RIGHT"), ("%s →", "← %s"), strict=True):
        assert {"LEFT", "RIGHT"} & words.keys() == {side}
        toe = words[arrow % "big-toe side"]  # a left foot's is at the right of the page
        assert (toe.get_position()[0] > 0.0) == (side == "LEFT")
    assert any("9.0 mm high" in name for name in said[0])
    assert any("10.0 mm high" in name for name in said[1])
    titles = [name for name in said[1] if "under the shoe" in name.lower()]
    assert titles
    assert not [name for name in said[0] if "under the shoe" in name.lower()]


def pointed(axes: Any) -> dict[str, tuple[str, float, float]]:
    """Return by title the words of a note, and where its line ends: mm forward and medial."""
    titles = {
        round(text.get_position()[1], 6): text
        for text in axes.texts
        if text.get_fontweight() == "bold"
    }
    words = {round(text.get_position()[1], 6): text.get_text() for text in axes.texts}
    medial = 1.0 if any(text.get_text() == "LEFT" for text in axes.texts) else -1.0
    found = {}
    for line in axes.lines:
        across, up = line.get_data()
        title = titles.get(round(up[0] + 3.2, 6)) if len(up) == 2 else None
        if title is not None:
            said = words.get(round(up[0] + 3.2 - 7.2, 6), "")
            found[title.get_text()] = (said, float(up[1]), medial * float(across[1]))
    return found


def test_notes_of_a_placement_point_to_what_they_speak_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who reads "86.0 mm from rear" has the line end 86.0 mm from the rear edge."""
    figures: list[Any] = []
    monkeypatch.setattr(pictures, "png_bytes", lambda figure, dpi: figures.append(figure) or b"")
    plan = on_trial.made(contoured="three-quarter", support_level=0.8, heel=2.0)
    for one in (sample_plan(under=True), plan):
        pictures._placement(one, 150)
    left, right, bed = (pointed(axes) for axes in [*figures[0].axes[:2], figures[1].axes[0]])
    held = 0
    for notes in (left, right, bed):
        for title, (words, x, _) in notes.items():
            rear = re.search(r"([\d.]+)( ± [\d.]+)? mm from rear", words)
            if rear:
                held += 1
                assert x == pytest.approx(float(rear[1]), abs=0.51), title
    assert held >= 8
    (wedge,) = plan.right.contour.posting
    words, x, y = bed[f"Built in {wedge.place.value}"]
    assert f"{wedge.thick_edge:.1f} mm at its thick edge" in words
    assert x == pytest.approx((wedge.full_from + wedge.full_to) / 2)
    assert y == pytest.approx(np.array(wedge.outline)[:, 1].min())


def test_thick_edge_is_hatched_on_the_side_that_the_plan_names() -> None:
    """Varus on a right foot: thick at the big toe, at the left of the page."""
    picture = opened(pictures.placement_png(single("right")))
    bed = near(picture, (243, 241, 234), 2.0)[1]
    rows, columns = near(picture, (184, 80, 0), 12.0)
    solid = columns[(rows > 0.2 * picture.shape[0]) & (rows < 0.5 * picture.shape[0])]
    assert np.median(solid) < (bed.min() + bed.max()) / 2 - 0.3 * np.ptp(bed)


def test_left_foot_stands_left_of_the_right_foot() -> None:
    """Only the right foot of this plan has a forefoot shim, only the left one a heel shim."""
    picture = opened(pictures.placement_png(sample_plan()))
    rows, columns = near(picture, (238, 189, 141), 4.0)  # full ramp
    middle_row, middle = picture.shape[0] / 2, picture.shape[1] / 2
    assert columns[rows < middle_row].min() > middle
    assert columns[rows > middle_row].max() < middle


def test_tender_spot_is_ringed_at_10_mm_on_its_own_foot() -> None:
    """Along a circle of 10 mm the picture gets darker; along 6 and 14 mm hardly anywhere."""
    plan = sample_plan(wedges=False)
    spot = (100.0, -25.0)  # beside the pad, where nothing else is drawn
    wished = plan.model_copy(update={"wishes": {"left": {"tender": [list(spot)]}}})
    before, after = (opened(pictures.placement_png(p)) for p in (plan, wished))
    half = before.shape[1] // 2
    rows, columns = near(before[:, :half], (243, 241, 234), 2.0)
    outline = np.array(plan.left.base.outline)
    pixel = np.ptp(rows) / np.ptp(outline[:, 0])
    middle = columns.max() - pixel * outline[:, 1].max()  # the big toe of a left foot is at right
    angle = np.linspace(0.0, 2 * np.pi, 90)
    share = {}
    for radius in (6.0, 10.0, 14.0):
        x, y = spot[0] + radius * np.sin(angle), spot[1] + radius * np.cos(angle)
        r, c = np.rint(rows.max() - pixel * x), np.rint(middle + pixel * y)
        lost = [
            (before - after)[int(i) - 1 : int(i) + 2, int(j) - 1 : int(j) + 2].max()
            for i, j in zip(r, c, strict=True)
        ]
        share[radius] = np.mean(np.array(lost) > 80.0)
    assert share[10.0] > 0.5  # a dashed line
    assert max(share[6.0], share[14.0]) < 0.2
    assert np.abs(after - before)[:, half:].max() == 0.0


def test_placement_is_true_to_scale() -> None:
    """Length against width of the base's outline, as in the plan (270 mm foot: 278 mm bed)."""
    plan = single("right").model_copy(
        update={"right": sample_foot("right", wedges=(), pad_height=None)}
    )
    picture = opened(pictures.placement_png(plan, dpi=260))
    rows, columns = near(picture, (243, 241, 234), 2.0)
    ring = np.array(plan.right.base.outline)
    wanted = np.ptp(ring[:, 0]) / np.ptp(ring[:, 1])
    line = 1.3 / 72.0 * 260.0  # half of the outline's width covers the fill at either end
    drawn = (np.ptp(rows) + 1 + line) / (np.ptp(columns) + 1 + line)
    assert drawn == pytest.approx(wanted, rel=0.005)  # a pixel in 500


def test_a_side_that_stands_above_the_crest_is_filled_like_the_rest() -> None:
    """Heights above the crest's left a hole: the pad's area in colour is the same with them."""
    plan = sample_plan(wedges=False)
    pad = plan.left.pad
    z = np.array(pad.top.z)
    z[:, z.shape[1] // 2 :] += 4.0
    raised = pad.model_copy(update={"top": pad.top.model_copy(update={"z": z.tolist()})})
    taller = plan.model_copy(update={"left": plan.left.model_copy(update={"pad": raised})})
    for colour in ((243, 241, 234), (255, 255, 255)):
        plain, high = (
            len(near(opened(pictures.placement_png(p)), colour, 2.0)[0]) for p in (plan, taller)
        )
        assert high - plain < 150


def test_same_input_same_bytes_without_date_or_version(tmp_path: Path) -> None:
    files = [tmp_path / f"p{k}.png" for k in range(2)]
    for file in files:
        pictures.write_placement(file, sample_plan())
    assert files[0].read_bytes() == files[1].read_bytes()
    assert set(Image.open(io.BytesIO(files[0].read_bytes())).info) <= {"dpi"}


def test_a_plan_without_feet_and_a_missing_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="no foot, so there is no placement"):
        pictures.write_placement(tmp_path / "p.png", sample_plan(sides=()))
    with pytest.raises(OutputError, match="cannot write"):
        pictures.write_placement(tmp_path / "none" / "p.png", single("left"))
    assert list(tmp_path.iterdir()) == []


def wedge_part() -> Part:
    """Return a right-angled block 40 x 20 mm with one corner cut off, 3 mm high."""
    ring = np.array([(0.0, 0.0), (40.0, 0.0), (40.0, 20.0), (10.0, 20.0), (0.0, 10.0)])
    n = len(ring)
    vertices = np.vstack([np.c_[ring, np.zeros(n)], np.c_[ring, np.full(n, 3.0)]])
    fan = np.array([(0, k, k + 1) for k in range(1, n - 1)])
    walls = [((k, (k + 1) % n, n + k), ((k + 1) % n, n + (k + 1) % n, n + k)) for k in range(n)]
    faces = np.vstack([fan[:, ::-1], fan + n, np.array(walls).reshape(-1, 3)])
    return Part(
        name="base",
        side=Side.RIGHT,
        worn=True,
        vertices=vertices,
        faces=faces,
        outline=ring,
        volume=750.0 * 3.0,
        material="base-pp",
    )


def test_the_map_of_a_made_part_has_its_room_of_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """On A5, 210 x 148 mm: the key has the right quarter, the words have the lowest third."""
    figures: list[Any] = []
    monkeypatch.setattr(made_part, "png_bytes", lambda figure, dpi: figures.append(figure) or b"")
    part = as_worn(arch_pad(sample_foot("left"), "demo"))
    made_part.made_png(check_made(made_scan(part, spacing=1.5), [part]))
    chart = figures[0].axes[0]
    figures[0].canvas.draw()  # equal scales shrink the axes
    box, dots = chart.get_window_extent(), 25.4 / figures[0].dpi
    assert 3.9 < box.x0 * dots < box.x1 * dots < 154.1
    assert 43.9 < box.y0 * dots < box.y1 * dots < 132.1
    assert box.width * dots > 149.0 or box.height * dots > 87.0  # as large as its room allows
    seen = np.ptp([chart.get_xlim(), chart.get_ylim()], axis=1)
    part_size = np.ptp(np.array(part.outline), axis=0)
    assert (seen >= part_size).all()
    assert (part_size / seen).max() > 0.7


def test_part_view_is_to_scale_and_turns_over_from_below() -> None:
    """750 mm2 by hand: 40 x 20 less a corner of 10 x 10 / 2. From below it is the mirror image."""
    above = part_view.part_view(wedge_part(), "above", pixel=0.2)
    below = part_view.part_view(wedge_part(), "below", pixel=0.2)
    covered = above < 0.98
    rim = (40.0 + 20.0 + 30.0 + np.hypot(10.0, 10.0) + 10.0) * 0.2  # a pixel all around
    assert 750.0 - rim < covered.sum() * 0.2**2 < 750.0 + 1.2 * rim
    assert above.shape == pytest.approx((42.0 / 0.2, 22.0 / 0.2), abs=2)
    assert (covered[:, ::-1] == (below < 0.98)).mean() > 0.98
    # toes up, +y to the left when seen from above: the cut corner is at the lower left
    high, wide = covered.shape
    assert not covered[int(0.97 * high) - 6 :, : int(0.2 * wide)].any()
    assert covered[int(0.9 * high) :, int(0.6 * wide) :].any()


def test_part_view_shows_what_is_cut_into_the_near_face() -> None:
    """Edges of the near face are drawn dark."""
    view = part_view.part_view(wedge_part(), "above", pixel=0.2)
    assert (view < 0.4).sum() > 100


def test_part_view_refuses_another_face() -> None:
    with pytest.raises(ValueError, match="face must be 'above' or 'below', got 'front'"):
        part_view.part_view(wedge_part(), "front")
