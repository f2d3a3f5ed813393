"""What each measure deviates by over good scans, from the study."""

from __future__ import annotations

from footscan.results import Measure

__all__ = ["SD", "in_mm"]

# Standard deviations, mm unless said (tests/benchmarks/landmark_study.py, noise up to 0.3 mm,
# 10 000 points and more): the larger of the root mean square error on specimens and the scatter
# between scans of one open foot, rounded up; truncated length as the first head. They hold for
# one pose of the foot: how it stood is not in here. The navicular is an estimate. Toe heights and
# sole drop: 24 shapes, two scans each; in the air the level is most of the big toe's error.
SD = {
    "foot_length": 0.3,
    "heel_to_ball_length": 0.6,
    "outside_ball_length": 0.6,
    "foot_breadth": 0.2,
    "foot_breadth_diagonal": 0.3,
    "ball_girth": 0.5,
    "instep_girth": 0.4,
    "instep_height": 0.2,
    "heel_breadth": 0.2,
    "heel_breadth_max": 0.25,
    "truncated_length": 3.0,
    "arch_height_index": 0.006,
    "arch_apex_height": 0.25,
    "navicular_height": 6.0,
    "ball_line_angle": 0.5,
    "hallux_angle": 1.0,
    "heel_angle": 0.4,
    "arch_index": 0.01,
    "chippaux_smirak": 2.0,
    "staheli": 0.03,
    "toe_height_1": 0.4,
    "toe_height_5": 1.0,
    "sole_drop": 0.1,
}


def in_mm(name: str, value: float, method: str) -> Measure:
    """Return a length with the deviation of its name, mm."""
    return Measure(value=float(value), unit="mm", sd=SD[name], method=method)
