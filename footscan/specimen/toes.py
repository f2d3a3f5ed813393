"""Skeleton and toes of a made-up foot.

Form -> metatarsal heads -> five chains of round cones, in the foot frame of a right foot, mm
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce

import numpy as np

from footscan.scan import Array
from footscan.specimen.blend import Chain, Grid, capsules, sigmoid, smooth_max, smooth_min

__all__ = ["DESIGN_BREADTH", "DESIGN_LENGTH", "Form", "skeleton", "toes"]

DESIGN_LENGTH = 270.0  # the tables of the form are drawn for this length
DESIGN_BREADTH = 101.0  # ... and this ball breadth
BIG_TOE_SQUEEZE = 0.88  # a big toe is broader than high
NAILS = ((18.0, 1.9), (34.0, 1.1))  # big toe, others: tilt forward in degrees, depth of the flat
NAIL_BED_MM = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What the field needs to know, mm unless said.

    Attributes
    ----------
    length, breadth, heel : float
        Foot length, horizontal ball breadth, heel breadth at 16 %.
    ball, outside_ball : float
        Shares of length of the two ball points.
    arch : float
        Height of the sole under the arch, near its medial third.
    arch_shift : float
        Arch moved forward by this share of length.
    instep : float
        Scale of the dorsum, 1 for the mean foot.
    ankle : float
        Height of the lateral malleolus above the ground.
    hallux_deg : float
        Angle of the big toe towards the others.
    second_longer : float
        How far toe 2 reaches beyond toe 1, mm; negative when the big toe is longest.
    varus_deg : float
        Forefoot turned medial side up against the heel.
    loaded : bool
        Pressed flat on the ground, or hanging and round.
    leg : float
        Height of the cut through the leg.
    """

    length: float
    breadth: float
    heel: float
    ball: float
    outside_ball: float
    arch: float
    arch_shift: float
    instep: float
    ankle: float
    hallux_deg: float
    second_longer: float
    varus_deg: float
    loaded: bool
    leg: float


def skeleton(form: Form) -> Mapping[str, Array]:
    """Return the metatarsal heads' centres ``mth1`` .. ``mth5``, mm."""
    x, y = form.length, form.breadth
    lag = form.outside_ball - 0.635
    heads = {
        "mth1": (form.ball * x, 0.262 * y, 16.5),
        "mth2": ((form.ball + 0.030) * x, 0.0, 16.5),
        "mth3": ((form.ball + 0.013 + 0.3 * lag) * x, -0.182 * y, 16.0),
        "mth4": ((form.ball - 0.033 + 0.6 * lag) * x, -0.345 * y, 15.0),
        "mth5": ((form.outside_ball + 0.008) * x, -0.497 * y, 14.0),
    }
    return {name: np.array(at) for name, at in heads.items()}


def toes(form: Form, x: Grid, y: Grid, z: Grid) -> Grid:
    """Return the distance to the five toes; neighbours touch without growing together."""
    parts = []
    for i, chain in enumerate(_chains(form)):
        wide = BIG_TOE_SQUEEZE if i == 0 else 1.0
        squeezed = [(at * [1.0, wide, 1.0], radius) for at, radius in chain]
        toe = capsules(x, y * np.float32(wide), z, squeezed, 3.5)
        toe = smooth_max(toe, _nail(x, z, chain, *NAILS[min(i, 1)]), 1.0)
        parts.append(toe + _nail_bed(x, y, z, chain))
    return reduce(lambda a, b: smooth_min(a, b, 0.8), parts)


def _chains(form: Form) -> list[Chain]:
    """Return five chains of (centre, radius), from the metatarsal heads to the toe pads."""
    n, b = form.length, form.breadth
    head = skeleton(form)
    t = min(n / DESIGN_LENGTH, b / DESIGN_BREADTH)
    sink = 2.4 if form.loaded else 0.0
    lift = 0.0 if form.loaded else 2.5
    tip1 = n - max(form.second_longer, 0.0)
    tip2 = n + min(form.second_longer, 0.0)
    tips = (tip1, tip2, tip2 - 0.042 * n, tip2 - 0.092 * n, tip2 - 0.150 * n)
    lateral = (0.274, 0.030, -0.132, -0.283, -0.432)
    pads = (11.3, 7.5, 7.2, 7.0, 7.1)
    crowd = 0.19 * n * np.tan(np.radians(max(form.hallux_deg - 9.0, 0.0)))  # it pushes the others
    chains = []
    for i in range(5):
        pad = pads[i] * t
        start = head[f"mth{i + 1}"]
        end = np.array([tips[i] - pad, lateral[i] * b, pad - sink + lift])
        end[1] -= crowd * (0.0, 1.0, 0.65, 0.35, 0.15)[i]
        if i == 0:
            chains.append(_hallux(form, start, end, pad, t))
        else:
            chains.append(_small_toe(start, end, pad, t, i))
    return chains


def _hallux(form: Form, start: Array, end: Array, pad: float, t: float) -> Chain:
    """Return the chain of the big toe, turned at its joint by the hallux angle."""
    angle = np.radians(form.hallux_deg - 6.0)
    reach = end[0] - start[0]
    end = end - np.array([0.0, np.tan(angle) * reach, 0.0])
    joint = start + (end - start) * 0.58
    joint[2] = 13.0 * t
    mid = start + (end - start) * 0.30
    mid[2] = 15.2 * t
    tip = end + np.array([2.2, 0.3, 1.2]) * t
    return [(start, 12.3 * t), (mid, 10.6 * t), (joint, 10.0 * t), (end, pad), (tip, pad - 2.2 * t)]


def _small_toe(start: Array, end: Array, pad: float, t: float, index: int) -> Chain:
    """Return the chain of toe 2 to 5: up to the middle joint, then down to the pad."""
    reach = end - start
    knuckle = start + reach * 0.50
    knuckle[2] = (19.5, 18.5, 17.2, 15.2)[index - 1] * t
    last = start + reach * 0.80
    last[2] = (14.8, 14.0, 13.2, 11.8)[index - 1] * t
    tip = end + np.array([1.4, 0.3, 1.4]) * t
    return [(start, 8.3 * t), (knuckle, 7.0 * t), (last, 6.6 * t), (end, pad), (tip, pad - 1.4 * t)]


def _nail(x: Grid, z: Grid, chain: Chain, tilt_deg: float, depth: float) -> Grid:
    """Return the distance beyond the flat of a nail, `depth` below the round toe."""
    (end, pad), tilt = chain[-2], np.radians(tilt_deg)
    ahead = x - end[0]
    return (ahead * np.sin(tilt) + (z - end[2]) * np.cos(tilt) - (pad - depth)).astype(np.float32)


def _nail_bed(x: Grid, y: Grid, z: Grid, chain: Chain) -> Grid:
    """Return how deep the nail lies below the skin around it, open towards the tip."""
    end, pad = chain[-2]
    behind = sigmoid((x - end[0] + 0.40 * pad) / 0.3)
    beside = sigmoid((0.64 * pad - np.abs(y - end[1])) / 0.3)
    above = sigmoid((z - end[2] - 0.2 * pad) / 0.5)
    return NAIL_BED_MM * (behind * beside * above).astype(np.float32)
