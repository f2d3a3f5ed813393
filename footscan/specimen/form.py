"""The form of a made-up foot: a smooth field whose zero is the skin.

    specimen.made_up.Shape -> Field (grid of signed distances) -> skin -> specimen.made_up

The foot is a lofted body (heel to toe webs), a leg with its tendon, two malleoli and five
chains of toe bones, joined by smooth unions and pressed on the ground when it carries load.
Frame: the foot frame of a right foot, mm, before the exact fit done in ``specimen.made_up``.

Terms
    share   position along the foot as a part of its length, heel 0, toes 1
    flank   height at which a section of the body is widest
    web     where the toes part, the front end of the body
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.scan import Array, IntArray
from footscan.specimen.blend import (
    Grid,
    capsules,
    curve,
    distance,
    ellipsoid,
    sigmoid,
    smooth_max,
    smooth_min,
    smoothstep,
)
from footscan.specimen.toes import DESIGN_LENGTH, Form, skeleton, toes

__all__ = ["Field", "Form", "field", "skeleton", "skin"]

HEEL_CAP = 0.180  # share over which the heel rounds off
WEB_CAP = 0.135  # share over which the body thins towards the webs
SOFTEN_MM = 1.3  # the field is smoothed this much, to lose creases between the parts
PRESS_LOADED = 5.0  # mm by which a loaded sole would sink below the ground
PRESS_HANGING = 0.0
TENDON_MM = (1.1, 1.2, 1.0, 0.9, 0.7)  # how far the tendons to toes 1 to 5 stand out
ARCH_RISE, ARCH_FALL = 0.285, 0.605  # shares at which the arch has half its height
SOFT = 0.02  # blur of the tables along the foot, share of length

# Tables of (share of length, value); heights in mm for the design length.
# fmt: off
DORSUM = [
    (0.0, 82), (0.14, 86), (0.3, 98), (0.36, 97), (0.40, 92.5), (0.44, 86), (0.5, 76), (0.56, 65.5),
    (0.62, 55), (0.68, 45), (0.74, 36), (0.80, 29.5), (0.86, 25.5), (0.95, 23),
]
RIDGE = [  # where the dorsum is highest, shares of breadth from the axis
    (0.0, 0.0), (0.18, 0.0), (0.30, 0.02), (0.5, 0.055), (0.6, 0.075), (0.7, 0.13), (0.78, 0.18),
    (0.9, 0.19),
]
FLANK_LATERAL = [
    (0.0, 25), (0.16, 23), (0.3, 20), (0.42, 17), (0.52, 15.5), (0.62, 14.5), (0.8, 14),
]
LEG = np.array([  # height, back, front, lateral, medial; mm for the design length
    (20, 30, 84, -22, 22), (45, 26, 96, -25, 25), (60, 25, 102, -27, 26.5),
    (75, 24, 103, -29.5, 28), (90, 22.5, 102, -30.5, 28.5), (105, 21.5, 100, -30, 28),
    (125, 19, 97, -29, 27), (150, 15, 97, -31, 29), (190, 10, 101, -36, 34),
], dtype=float)
# fmt: on


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """Signed distance (negative inside) on a regular grid; node i lies at low + i * cell."""

    value: Grid
    low: Array
    cell: float


def field(form: Form, cell: float) -> Field:
    """Return the field of `form` on a grid of spacing `cell`, mm."""
    span = (
        np.arange(-9.0, form.length + 12.0, cell),
        np.arange(-0.66 * form.breadth - 8.0, 0.50 * form.breadth + 9.0, cell),
        _heights(form.leg, cell),
    )
    x, y, z = (
        a.astype(np.float32).reshape([-1 if i == k else 1 for k in range(3)])
        for i, a in enumerate(span)
    )
    z_twisted = z - _twist(form, x, y)
    value = distance(_body(form, x, y, z_twisted), cell)
    value = smooth_min(value, _leg(form, x, y, z), 22.0)
    for ball, blend in _bumps(form):
        value = smooth_min(value, ellipsoid(x, y, z, *ball), blend)
    _join_toes(form, value, span)
    value = ndimage.gaussian_filter(value, SOFTEN_MM / cell, mode="nearest", truncate=3.0)
    if form.loaded:
        value = smooth_max(value, np.broadcast_to(-z, value.shape), 2.0)
    return Field(value=value, low=np.array([a[0] for a in span]), cell=cell)


def skin(found: Field) -> tuple[Array, IntArray]:
    """Return vertices and outward faces of the zero of a field; open where the leg is cut."""
    from skimage import measure

    vertices, faces, _, _ = measure.marching_cubes(
        found.value, 0.0, gradient_direction="descent", allow_degenerate=False
    )
    vertices = vertices.astype(np.float64)
    top = found.value.shape[2] - 1
    rim = vertices[:, 2] > top - 1e-4
    coefficients = ndimage.spline_filter(found.value, order=3, output=np.float32)
    for _ in range(2):
        vertices = vertices - _newton(coefficients, vertices, rim)
    return vertices * found.cell + found.low, faces.astype(np.int64)


def _newton(coefficients: Grid, at: Array, rim: NDArray[np.bool_]) -> Array:
    """Return the step, in cells, from `at` to the zero; the rim of the cut stays in its plane."""

    def sample(shift: Array) -> Array:
        return ndimage.map_coordinates(
            coefficients, (at + shift).T, order=3, prefilter=False, mode="nearest"
        ).astype(np.float64)

    half = 0.5 * np.eye(3)
    gradient = np.stack([sample(half[i]) - sample(-half[i]) for i in range(3)], axis=1)
    gradient[rim, 2] = 0.0
    size = np.maximum((gradient**2).sum(axis=1, keepdims=True), 1e-6)
    step: Array = np.clip(sample(np.zeros(3))[:, None] * gradient / size, -0.5, 0.5)
    return step


def _heights(leg: float, cell: float) -> Array:
    """Return grid heights that end exactly in the plane of the cut."""
    steps = int(np.ceil((leg + 9.0) / cell))
    return leg - cell * np.arange(steps, -1, -1, dtype=float)


def _edges(form: Form, x: Grid) -> tuple[Grid, Grid]:
    """Return the lateral and medial edge of the body in plan."""
    b, h, k, m = form.breadth, form.heel, form.ball - 0.741, form.outside_ball - 0.635
    medial = curve(
        [
            (0.0, 0.49 * h),
            (0.10, 0.500 * h),
            (0.17, 0.500 * h),
            (0.26, 0.482 * h),
            (0.36, 0.45 * h + 0.005 * b),
            (0.46, 0.22 * h + 0.165 * b),
            (0.56, 0.338 * b),
            (0.66 + k, 0.375 * b),
            (0.715 + k, 0.400 * b),
            (0.755 + k, 0.410 * b),
            (0.80 + k, 0.393 * b),
            (0.87 + k, 0.345 * b),
        ],
        x / form.length,
        SOFT,
    )
    lateral = curve(
        [
            (0.0, -0.485 * h),
            (0.10, -0.497 * h),
            (0.17, -0.505 * h),
            (0.25, -0.36 * h - 0.127 * b),
            (0.33, -0.19 * h - 0.295 * b),
            (0.42, -0.488 * b),
            (0.50 + m / 2, -0.538 * b),
            (0.575 + m, -0.583 * b),
            (0.645 + m, -0.614 * b),
            (0.71 + m, -0.603 * b),
            (0.79 + m, -0.55 * b),
        ],
        x / form.length,
        SOFT,
    )
    return lateral, medial


def _twist(form: Form, x: Grid, y: Grid) -> Grid:
    """Return by how much a varus forefoot lifts the foot at (x, y)."""
    along = smoothstep((x / form.length - 0.25) / 0.38)
    return (along * np.tan(np.radians(form.varus_deg)) * (y + 0.1 * form.breadth)).astype(
        np.float32
    )


def _body(form: Form, x: Grid, y: Grid, z: Grid) -> Grid:
    """Return the body as a radial measure minus 1: negative inside, not yet a distance."""
    size = form.length / DESIGN_LENGTH
    lateral, medial = _edges(form, x)
    ridge = curve(RIDGE, x / form.length, SOFT) * form.breadth
    across = np.clip((y - lateral) / (medial - lateral), -0.5, 1.5)
    flank = _flank(form, x, across) * size
    top = _dorsum(form, x, y)
    bottom = _sole(form, x, y, across)
    over, under = (z - flank) / (top - flank), (flank - z) / (flank - bottom)
    side = np.where(y > ridge, (y - ridge) / (medial - ridge), (ridge - y) / (ridge - lateral))
    end = _ends(form, x, y)
    side = (side**2.1 + end**2.1) ** np.float32(1 / 2.1)
    forward = smoothstep((x / form.length - 0.10) / 0.28)
    upper = 1.70 + (0.15 + 0.35 * smoothstep((y - ridge) / 30.0 + 0.5)) * forward
    lower = _roundness(form, x, across, forward)
    power = np.where(z > flank, upper, lower).astype(np.float32)
    height = np.maximum(over, under)
    return (side**power + height**power) ** (1 / power) - 1


def _roundness(form: Form, x: Grid, across: Grid, forward: Grid) -> Grid:
    """Return the power of the section's lower half: 2 is round, more is boxy."""
    share = x / form.length
    if not form.loaded:
        return 2.2 + 0.3 * forward
    ahead = smoothstep((share - 0.68) / 0.12)
    border = smoothstep((across - 0.45) / 0.45) * smoothstep((0.66 - share) / 0.14)
    return 2.7 + 0.9 * forward - np.maximum(1.1 * ahead, 1.55 * border * forward)


def _flank(form: Form, x: Grid, across: Grid) -> Grid:
    """Return the height of greatest width, higher on the medial side of the arch."""
    lift = form.arch
    lateral = curve(FLANK_LATERAL, x / form.length, SOFT)
    medial = curve(
        [
            (0.0, 26),
            (0.16, 27),
            (0.26, 29 + 0.35 * lift),
            (0.36, 31 + 0.6 * lift),
            (0.48, 30 + 0.6 * lift),
            (0.58, 26 + 0.3 * lift),
            (0.67, 20 + 0.1 * lift),
            (0.741, 18),
            (0.85, 17),
        ],
        x / form.length,
        SOFT,
    )
    return lateral + (medial - lateral) * smoothstep(across)


def _dorsum(form: Form, x: Grid, y: Grid) -> Grid:
    """Return the height of the dorsum over the ridge, with faint tendons."""
    size = form.length / DESIGN_LENGTH
    top = curve(DORSUM, x / form.length, SOFT)
    top = top * size * (1 + (form.instep - 1) * smoothstep((x / form.length - 0.1) / 0.3))
    along = smoothstep((x / form.length - 0.46) / 0.18) * smoothstep(
        (0.82 - x / form.length) / 0.14
    )
    root = np.array([0.40 * form.length, 0.04 * form.breadth])
    for i, at in enumerate(skeleton(form).values()):
        start = root + np.array([0.0, 0.05 * form.breadth]) if i == 0 else root
        line = start[1] + (x - start[0]) * (at[1] - start[1]) / (at[0] - start[0])
        top = top + TENDON_MM[i] * size * along * np.exp(-(((y - line) / (4.2 * size)) ** 2))
    return top.astype(np.float32)


def _sole(form: Form, x: Grid, y: Grid, across: Grid) -> Grid:
    """Return the height of the sole if it were not rounded at its borders."""
    share = x / form.length - form.arch_shift
    along = sigmoid((share - ARCH_RISE) / 0.042) * sigmoid((ARCH_FALL - share) / 0.036)
    hollow = smoothstep((across - 0.24) / 0.62)
    press = PRESS_LOADED if form.loaded else PRESS_HANGING
    column = 0.3 + 0.07 * form.arch  # the lateral column carries less than heel and ball
    rise = along * (column + (1.14 * form.arch + press - column) * hollow)
    if form.loaded:
        return rise - press
    return rise + _hanging_relief(form, x, y)


def _hanging_relief(form: Form, x: Grid, y: Grid) -> Grid:
    """Return what an unloaded sole adds: pads below the metatarsal heads, lifted between."""
    ball = np.exp(-(((x / form.length - form.ball + 0.03) / 0.10) ** 2))
    total = 1.5 * ball
    for name, at in skeleton(form).items():
        depth = {"mth1": 2.6, "mth5": 2.4}.get(name, 1.2)
        total = total - depth * np.exp(-(((x - at[0]) / 16.0) ** 2) - ((y - at[1]) / 11.0) ** 2)
    return total.astype(np.float32)


def _ends(form: Form, x: Grid, y: Grid) -> Grid:
    """Return 0 along the foot, growing to 1 at the back of the heel and at the toe webs."""
    length, b = form.length, form.breadth
    heel = np.maximum(HEEL_CAP - x / length, 0) / HEEL_CAP
    k, m = form.ball - 0.741, form.outside_ball - 0.635
    web = curve(
        [
            (-0.66, 0.715 + m),
            (-0.56, 0.745 + m),
            (-0.42, 0.778 + m / 2 + k / 2),
            (-0.25, 0.822 + k),
            (-0.08, 0.848 + k),
            (0.10, 0.853 + k),
            (0.25, 0.845 + k),
            (0.42, 0.815 + k),
        ],
        y / b,
        0.03,
    )
    cap = 0.10 + (WEB_CAP - 0.10) * smoothstep(y / b + 0.7)
    front = np.maximum(x / length - (web - cap), 0) / cap
    return (heel + front).astype(np.float32)


def _leg(form: Form, x: Grid, y: Grid, z: Grid) -> Grid:
    """Return the distance to the leg, its tendon behind included."""
    size = form.length / DESIGN_LENGTH
    lift = (form.ankle / size - 70.0) * 0.5
    heights = z / size - lift
    back, front, lateral, medial = (
        curve(list(zip(LEG[:, 0], LEG[:, i], strict=True)), heights, 6.0) * size
        for i in range(1, 5)
    )
    middle, half = (back + front) / 2, (front - back) / 2
    along = (x - middle) / half
    width = (medial - lateral) / 2 * (1 - 0.16 * np.clip(-along, -1, 1))
    radial = (np.abs(along) ** 2.2 + np.abs((y - (medial + lateral) / 2) / width) ** 2.2) ** (
        1 / 2.2
    )
    shaft = (radial - 1) * 0.8 * width
    below = np.maximum(38.0 * size - z, 0)
    shaft = np.where(below > 0, np.hypot(np.maximum(shaft + 10, 0), below) - 10, shaft)
    bow = np.array(
        [  # the tendon behind the ankle: share of length, y, height, radius
            (0.088, 0, 42, 9.5),
            (0.086, -0.5, 70, 7.0),
            (0.085, -1, 110, 7.2),
            (0.075, -1, 200, 12),
        ]
    )
    chain = [(np.array([share * form.length, y0, z0 * size]), r * size) for share, y0, z0, r in bow]
    tendon = capsules(x, y, z, chain, 1.0)
    return smooth_min(shaft.astype(np.float32), tendon, 15.0 * size)


def _bumps(form: Form) -> list[tuple[tuple[tuple[float, ...], tuple[float, ...]], float]]:
    """Return ellipsoids (centre, semi-axes) that show under the skin, and how softly."""
    n, b = form.length, form.breadth
    s = n / DESIGN_LENGTH
    return [
        (((0.245 * n, 0.215 * b, form.ankle + 10 * s), (16 * s, 10.5 * s, 22 * s)), 16 * s),
        (((0.205 * n, -0.250 * b, form.ankle), (13 * s, 9.5 * s, 15 * s)), 14 * s),
        (((0.205 * n, -0.215 * b, form.ankle + 26 * s), (11 * s, 9.5 * s, 32 * s)), 14 * s),
        (((0.50 * n, -0.540 * b + 13 * s, 13 * s), (24 * s, 13.4 * s, 12 * s)), 9 * s),
        (
            ((0.415 * n, 0.315 * b - 12 * s, 33 * s + 0.8 * form.arch), (26 * s, 11.9 * s, 19 * s)),
            9 * s,
        ),
    ]


def _join_toes(form: Form, value: Grid, span: Sequence[Array]) -> None:
    """Join the toes to `value`, in place, within the box that holds them."""
    first = int(np.searchsorted(span[0], (form.outside_ball - 0.06) * form.length))
    last = int(np.searchsorted(span[2], 52.0 + 4.0 * abs(form.varus_deg)))
    x = span[0][first:].astype(np.float32)[:, None, None]
    y = span[1].astype(np.float32)[None, :, None]
    z = span[2][:last].astype(np.float32)[None, None, :] - _twist(form, x, y)
    value[first:, :, :last] = smooth_min(value[first:, :, :last], toes(form, x, y, z), 6.0)
