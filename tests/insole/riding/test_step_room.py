"""A wedge step is judged where it becomes thicker: near its own thick edge."""

from __future__ import annotations

import pytest

from insole.record.limits import default_limits
from insole.record.plan import ThicknessRow
from insole.trials.steps import _too_thick
from tests.plans import sample_plan

LIMITS = default_limits()
OUT = 5.0  # mm of the insole taken out, at the ball


@pytest.mark.parametrize(
    ("medial", "lateral", "new", "edge"),
    [
        (OUT + 1.9, OUT - 1.0, 1.0, "big-toe"),
        (OUT + 1.9, OUT - 1.0, -1.0, ""),
        (OUT - 1.0, OUT + 1.9, -1.0, "little-toe"),
        (OUT - 1.0, OUT + 1.9, 1.0, ""),
    ],
)
def test_room_is_asked_for_at_the_thick_edge(
    medial: float, lateral: float, new: float, edge: str
) -> None:
    """2 mm is the most; a degree more lifts its thick side by more than half a millimetre."""
    foot = sample_plan(wedges=False).right
    row = ThicknessRow(station="ball", before=OUT, after=OUT, medial=medial, lateral=lateral)
    said = _too_thick(foot.model_copy(update={"thickness": [row]}), None, new, LIMITS)
    assert bool(said) == bool(edge)
    assert not edge or f"near the {edge} side of the ball, where 2 mm is the most" in said
