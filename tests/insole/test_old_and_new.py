"""A step as a picture: which foot, which side, how much before and after."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from insole.output.pictures import old_and_new as pictures
from tests import plans


def with_pad(plan, side, **changes):
    foot = getattr(plan, side)
    return plan.model_copy(
        update={side: foot.model_copy(update={"pad": foot.pad.model_copy(update=changes)})}
    )


def lifted(plan, side, more):
    """Return the plan with one foot's pad `more` mm higher everywhere."""
    pad = getattr(plan, side).pad
    z = [[value + more for value in row] for row in pad.top.z]
    crest = pad.crest.model_copy(update={"height": pad.crest.height + more})
    return with_pad(plan, side, top=pad.top.model_copy(update={"z": z}), crest=crest)


def shifted(plan, side, forward):
    pad = getattr(plan, side).pad
    return with_pad(
        plan,
        side,
        outline=[(x + forward, y) for x, y in pad.outline],
        top=pad.top.model_copy(update={"x0": pad.top.x0 + forward}),
        crest=pad.crest.model_copy(update={"from_rear": pad.crest.from_rear + forward}),
    )


@pytest.fixture(scope="module")
def old():
    return plans.sample_plan()


@pytest.mark.parametrize("side", ["left", "right"])
def test_only_the_foot_that_changes_is_drawn(old, side):
    (pair,) = pictures.changed_feet(old, lifted(old, side, 1.0))
    assert (pair[0].side, pair[1].side) == (side, side)
    assert pair[1].pad.crest.height == pytest.approx(pair[0].pad.crest.height + 1.0)


def test_below_the_least_step_there_is_no_picture(old, tmp_path):
    assert pictures.changed_feet(old, lifted(old, "left", 0.19)) == []
    assert len(pictures.changed_feet(old, lifted(old, "left", 0.21))) == 1
    assert pictures.changed_feet(old, shifted(old, "left", 0.0)) == []
    assert len(pictures.changed_feet(old, shifted(old, "left", 0.5))) == 1
    assert not pictures.write_old_and_new(tmp_path / "a.png", old, old)
    assert not (tmp_path / "a.png").exists()


def test_a_section_shows_the_step_in_mm_along_and_across(old):
    new = lifted(old, "right", -1.5)
    for name in ("along", "across"):
        cut = pictures.section(old.right, new.right, name)
        on = (cut.after > 1.0) & (cut.before > 1.0)
        assert on.sum() > 20
        assert cut.after[on] - cut.before[on] == pytest.approx(-1.5, abs=0.05)
        assert cut.before[0] == cut.after[0] == 0.0  # off the pad
    assert cut.before.max() == pytest.approx(old.right.pad.crest.height, abs=0.3)


def test_a_moved_pad_is_the_same_pad_further_ahead(old):
    cut = pictures.section(old.right, shifted(old, "right", 3.0).right, "along")
    ends = [cut.places[np.flatnonzero(heights > 0)[[0, -1]]] for heights in (cut.before, cut.after)]
    assert ends[1] - ends[0] == pytest.approx([3.0, 3.0], abs=0.51)
    assert cut.after.max() == pytest.approx(cut.before.max(), abs=0.2)


def test_a_pad_that_comes_or_goes_is_drawn_as_nothing_before_or_after(old):
    bare = old.model_copy(
        update={"left": old.left.model_copy(update={"pad": None, "no_pad_because": "x"})}
    )
    added = pictures.section(bare.left, old.left, "along")
    assert added.before.max() == 0.0 < added.after.max()
    gone = pictures.section(old.left, bare.left, "along")
    assert gone.after.max() == 0.0 < gone.before.max()
    assert pictures._words(bare.left, old.left) == "at the crest none before, 9.0 mm now"
    with pytest.raises(ValueError, match="neither plan"):
        pictures.section(bare.left, bare.left, "along")
    assert pictures.old_and_new_png(old, bare) is not None


def blue(picture):
    return np.nonzero(np.abs(picture - np.array((207, 223, 234))).max(axis=2) < 3)


@pytest.mark.parametrize(("side", "way"), [("left", 1), ("right", -1)])
def test_across_the_big_toe_side_lies_where_it_does_from_above(old, side, way):
    """The pad is medial: right of the middle on a left foot, left of it on a right one."""
    alone = plans.sample_plan(sides=(side,))
    data = pictures.old_and_new_png(alone, lifted(alone, side, 1.0))
    picture = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(float)
    rows, columns = blue(picture)
    low = rows > 0.8 * picture.shape[0]  # the section across
    assert low.sum() > 200
    axis = (0.13 + 0.82 / 2) * picture.shape[1]
    assert way * (float(np.mean(columns[low])) - axis) > 10


def test_the_same_plans_give_the_same_bytes(old, tmp_path):
    new = lifted(old, "left", 1.0)
    assert pictures.write_old_and_new(tmp_path / "a.png", old, new)
    assert (tmp_path / "a.png").read_bytes() == pictures.old_and_new_png(old, new)
