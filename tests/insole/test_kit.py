"""Kits: pads that can be made, files that are checked, and a pick that keeps below its ceiling."""

from __future__ import annotations

import math

import numpy as np
import pytest

from insole.errors import PlanError
from insole.planning import kit as kits
from insole.planning.limits import default_limits
from insole.planning.surface import FOOT_RADIUS_MM, MARGIN_DEG, feel_of

LIMITS = default_limits()
FEEL = feel_of(LIMITS)


def own(tmp_path, text):
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def run_out(height: float, slope_deg: float) -> float:
    """Return how far a face reaches: round crest, straight face, hollow foot; plane geometry."""
    a = math.radians(slope_deg - MARGIN_DEG)
    radius = FEEL.crest_radius
    straight = height - radius * (1 - math.cos(a))
    assert straight > 0
    return radius * math.sin(a) + straight / math.tan(a) + FOOT_RADIUS_MM * math.tan(a) / 2


@pytest.mark.parametrize("width", [34.0, 40.0, 46.0, 52.0])
def test_the_highest_pad_of_a_width_follows_from_slopes_and_radius(width):
    """A long pad is highest where both faces meet the round crest (section across)."""
    low, high = 5.0, 20.0
    while high - low > 1e-6:
        middle = (low + high) / 2
        rise = middle - FEEL.edge
        fits = run_out(rise, FEEL.slope) + run_out(rise, FEEL.slope_medial) <= width
        low, high = (middle, high) if fits else (low, middle)
    pad = kits.KitPad(height=20.0, length=120.0, width=width)
    # 1 mm grid: each border is known to 1 mm at worst, half a slope's rise in height
    assert kits.pad_heights(pad, FEEL)[2].max() == pytest.approx(low, abs=0.35)


def test_default_kit_is_even_and_every_pad_reaches_its_height():
    kit = kits.default_kit(LIMITS)
    assert len(kit.pads) >= 20
    assert list(kit.pads) == sorted(kit.pads, reverse=True)
    for size in ("height", "length", "width"):
        values = sorted({getattr(pad, size) for pad in kit.pads})
        assert len(set(np.diff(values))) == 1, size
    for pad in kit.pads[::5]:
        x, y, z = kits.pad_heights(pad, FEEL)
        i, j = np.unravel_index(z.argmax(), z.shape)
        assert z[i, j] == pytest.approx(pad.height, abs=0.2)
        solid = z > FEEL.edge + 0.02
        assert np.ptp(x[solid.any(axis=1)]) == pytest.approx(pad.length, abs=3.0)
        assert np.ptp(y[solid.any(axis=0)]) == pytest.approx(pad.width, abs=3.0)
        assert z[0].max() == z[-1].max() == z[:, 0].max() == z[:, -1].max() == FEEL.edge


def test_single_pads_may_be_listed(tmp_path):
    path = own(tmp_path, 'name = "ours"\npads = [{height = 5, length = 70, width = 40}]\n')
    kit = kits.load(path, LIMITS)
    assert kit.name == "ours"
    assert kit.pads == (kits.KitPad(height=5.0, length=70.0, width=40.0),)


@pytest.mark.parametrize(("text", "match"), [
    ("pads = [{height = 14, length = 70, width = 36}]", "too high for its width"),
    ("pads = [{height = 5, length = 70}]", "exactly height, length and width"),
    ("pads = []", "'pads' must be a list"),
    ("heights = [5]\nlengths = [70]", "'widths' must be a list"),
    ("heights = [5]\nlengths = [700]\nwidths = [40]", "length must lie in 30 to 140 mm"),
    ("heights = ['5']\nlengths = [70]\nwidths = [40]", "height must lie in"),
    ("heights = [15]\nlengths = [70]\nwidths = [20]", "no pad that can be made"),
    ("colour = 'red'", "unknown key 'colour'"),
    ("heights = [", "not valid TOML"),
])  # fmt: skip
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
    return kits.pick(kits.default_kit(LIMITS), ceiling(gx, gy), x, y, places=places, turns=turns,
                     target=(0.0, 0.0), feel=FEEL)  # fmt: skip


def test_under_a_level_ceiling_the_highest_pad_that_fits_is_picked():
    found = picked(lambda x, y: np.full(x.shape, 6.0))
    assert found.pad == kits.KitPad(height=5.0, length=92.0, width=46.0)
    assert (found.x, found.y, found.turn) == (0.0, 0.0, 0.0)


def test_no_pad_fits_where_there_is_no_room():
    assert picked(lambda x, y: np.full(x.shape, 1.0)) is None


def test_a_ceiling_turned_on_the_bed_turns_the_pad():
    """A slot 97 x 47 mm, turned by 5 degrees about the crest, takes the largest pad turned so."""

    def slot(x, y):
        a = math.radians(5.0)
        u, v = math.cos(a) * x + math.sin(a) * y, -math.sin(a) * x + math.cos(a) * y
        inside = (u > -51) & (u < 46) & (v > -27.0) & (v < 20.0)
        return np.where(inside, 9.5, 0.0)

    found = picked(slot)
    assert found.turn == 5.0
    assert found.pad.length == 92.0
