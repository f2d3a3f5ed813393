"""Kits: pads that can be made, files that are checked, and a pick that keeps below its ceiling."""

from __future__ import annotations

import math

import numpy as np
import pytest

from insole.errors import PlanError
from insole.planning.support import kit as kits
from insole.planning.support.surface import feel_of
from insole.record.limits import default_limits
from tests.benchmarks import kit_form

LIMITS = default_limits()
FEEL = feel_of(LIMITS)


def own(tmp_path, text):
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.long
def test_the_form_is_that_of_made_up_feets_pads():
    """A quarter of the feet, made anew: a rule of support that changed would show in the mean."""
    again = kit_form.mean_form(kit_form.FEET // 4)
    form = kits.form()
    assert again.front == pytest.approx(form.front, abs=0.02)
    assert again.medial == pytest.approx(form.medial, abs=0.03)
    off = np.abs(np.array(again.heights) - np.array(form.heights))
    assert off.mean() < 0.06
    assert off.max() < 0.25


def test_the_form_has_its_crest_at_the_origin_and_stands_medially():
    form = kits.form()
    assert form.at(np.array(0.0), np.array(0.0)) == pytest.approx(1.0, abs=1e-6)
    side = form.at(np.array(0.0), np.array(0.95))
    assert 1.0 < side <= kit_form.MOST_AT_SIDE
    ends = form.at(np.array([-1.0, 1.0]), np.zeros(2))
    assert ends.max() < 0.1


@pytest.mark.parametrize("width", [34.0, 40.0, 46.0, 52.0])
def test_the_highest_pad_of_a_width_follows_from_its_run_out(width):
    """A long pad is highest where its lateral run-out reaches the crest (section across)."""
    reach = (1 - kits.form().medial) * width
    most = FEEL.edge + reach * math.tan(math.radians(FEEL.run_out_medial))
    low, high = (kits.KitPad(height=most + off, length=140.0, width=width) for off in (-1.0, 1.5))
    x, y, _ = kits.pad_heights(low, FEEL)
    at = int(np.searchsorted(x, 0.0)), int(np.searchsorted(y, 0.0))
    assert kits.pad_heights(low, FEEL)[2][at] == pytest.approx(low.height, abs=0.3)
    x, y, z = kits.pad_heights(high, FEEL)
    assert z[int(np.searchsorted(x, 0.0)), int(np.searchsorted(y, 0.0))] < high.height - 0.5


def test_default_kit_is_even_and_every_pad_reaches_its_height():
    kit = kits.default_kit(LIMITS)
    assert len(kit.pads) >= 20
    assert list(kit.pads) == sorted(kit.pads, reverse=True)
    for size in ("height", "length", "width"):
        values = sorted({getattr(pad, size) for pad in kit.pads})
        assert len(set(np.diff(values))) == 1, size
    for pad in kit.pads[::5]:
        x, y, z = kits.pad_heights(pad, FEEL)
        crest = z[int(np.searchsorted(x, 0.0)), int(np.searchsorted(y, 0.0))]
        assert crest == pytest.approx(pad.height, abs=0.2)
        assert z.max() <= kit_form.MOST_AT_SIDE * pad.height + 0.1
        solid = z > FEEL.edge + 0.02
        assert np.ptp(x[solid.any(axis=1)]) == pytest.approx(pad.length, abs=12.0)
        assert np.ptp(y[solid.any(axis=0)]) == pytest.approx(pad.width, abs=4.0)
        assert z[0].max() == z[-1].max() == z[:, 0].max() == z[:, -1].max() == FEEL.edge


def test_single_pads_may_be_listed(tmp_path):
    path = own(tmp_path, 'name = "ours"\npads = [{height = 5, length = 70, width = 40}]\n')
    kit = kits.load(path, LIMITS)
    assert kit.name == "ours"
    assert kit.pads == (kits.KitPad(height=5.0, length=70.0, width=40.0),)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("pads = [{height = 18, length = 70, width = 30}]", "too high for its width"),
        ("pads = [{height = 5, length = 70}]", "exactly height, length and width"),
        ("pads = []", "'pads' must be a list"),
        ("heights = [5]\nlengths = [70]", "'widths' must be a list"),
        ("heights = [5]\nlengths = [700]\nwidths = [40]", "length must lie in 30 to 140 mm"),
        ("heights = ['5']\nlengths = [70]\nwidths = [40]", "height must lie in"),
        ("heights = [15]\nlengths = [70]\nwidths = [20]", "no pad that can be made"),
        ("colour = 'red'", "unknown key 'colour'"),
        ("heights = [", "not valid TOML"),
    ],
)
def test_what_is_not_a_kit_is_named(tmp_path, text, match):
    with pytest.raises(PlanError, match=match):
        kits.load(own(tmp_path, text), LIMITS)


def test_a_missing_kit_is_one_sentence(tmp_path):
    with pytest.raises(PlanError, match="check the path"):
        kits.load(tmp_path / "none.toml", LIMITS)


def picked(ceiling, places=((0.0, 0.0), (3.0, 0.0), (0.0, 3.0)), turns=(0.0, -5.0, 5.0)):
    """Return the pick under a ceiling on a grid from -80 to 80 by -50 to 50 mm."""
    x, y = np.arange(-80.0, 81.0), np.arange(-50.0, 51.0)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    return kits.pick(
        kits.default_kit(LIMITS),
        ceiling(gx, gy),
        x,
        y,
        places=places,
        turns=turns,
        target=(0.0, 0.0),
        feel=FEEL,
    )


def test_under_a_level_ceiling_the_highest_pad_that_fits_is_picked():
    found = picked(lambda x, y: np.full(x.shape, 7.2))  # its side stands higher than its crest
    assert found.pad == kits.KitPad(height=5.0, length=98.0, width=50.0)
    assert (found.x, found.y, found.turn) == (0.0, 0.0, 0.0)


def test_no_pad_fits_where_there_is_no_room():
    assert picked(lambda x, y: np.full(x.shape, 1.0)) is None


def test_a_ceiling_turned_on_the_bed_turns_the_pad():
    """A slot 97 x 47 mm, turned by 5 degrees about the crest, takes the largest pad turned so."""

    def slot(x, y):
        a = math.radians(5.0)
        u, v = math.cos(a) * x + math.sin(a) * y, -math.sin(a) * x + math.cos(a) * y
        form = kits.form()
        front, medial = form.front * 98.0 + 1.5, form.medial * 50.0 + 1.5
        inside = (u > front - 101.0) & (u < front) & (v > medial - 53.0) & (v < medial)
        return np.where(inside, 9.5, 0.0)

    found = picked(slot)
    assert found.turn == 5.0
    assert found.pad.length == 98.0
