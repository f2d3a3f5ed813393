"""The form of a made-up foot: a smooth field whose zero is the skin.

    footscan.specimen.Shape -> Field (grid of signed distances) -> skin -> footscan.specimen

The foot is a lofted body (heel to toe webs), a leg with its tendon, two malleoli and five
chains of toe bones, joined by smooth unions and pressed on the ground when it carries load.
Frame: the foot frame of a right foot, mm, before the exact fit done in ``footscan.specimen``.

Terms
    share   position along the foot as a part of its length, heel 0, toes 1
    flank   height at which a section of the body is widest
    web     where the toes part, the front end of the body
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, ndimage

from footscan.scan import Array, IntArray

__all__ = ["Field", "Form", "field", "skin", "skeleton"]

Grid = NDArray[np.float32]

DESIGN_LENGTH = 270.0  # the tables below are drawn for this length
DESIGN_BREADTH = 101.0  # ... and this ball breadth
HEEL_CAP = 0.145  # share over which the heel rounds off
WEB_CAP = 0.105  # share over which the body thins towards the webs
SOFTEN_MM = 1.3  # the field is smoothed this much, to lose creases between the parts
PRESS_LOADED = 3.6  # mm by which a loaded sole would sink below the ground
PRESS_HANGING = 0.0
ARCH_RISE, ARCH_FALL = 0.285, 0.605  # shares at which the arch has half its height


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """Signed distance (negative inside) on a regular grid; node i lies at low + i * cell."""

    value: Grid
    low: Array
    cell: float


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
    value = _distance(_body(form, x, y, z_twisted), cell)
    value = _smooth_min(value, _leg(form, x, y, z), 20.0)
    for ball, blend in _bumps(form):
        value = _smooth_min(value, _ellipsoid(x, y, z, *ball), blend)
    _add_toes(form, value, span)
    value = ndimage.gaussian_filter(value, SOFTEN_MM / cell, mode="nearest", truncate=3.0)
    if form.loaded:
        value = _smooth_max(value, np.broadcast_to(-z, value.shape), 1.6)
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
    step = sample(np.zeros(3))[:, None] * gradient / size
    return np.clip(step, -0.5, 0.5)


def _heights(leg: float, cell: float) -> Array:
    """Return grid heights that end exactly in the plane of the cut."""
    return (leg - cell * np.arange(int(np.ceil((leg + 9.0) / cell)) + 1))[::-1]


def _curve(form: Form, points: Sequence[tuple[float, float]], x: Grid) -> Grid:
    """Return a smooth curve over shares of length, evaluated at x, without overshoot."""
    share = np.linspace(-0.1, 1.15, 501)
    knots = np.array(points)
    values = interpolate.PchipInterpolator(knots[:, 0], knots[:, 1])(
        np.clip(share, knots[0, 0], knots[-1, 0])
    )
    values = ndimage.gaussian_filter1d(values, 8.0, mode="nearest")
    return np.interp(x / form.length, share, values).astype(np.float32)


def _edges(form: Form, x: Grid) -> tuple[Grid, Grid]:
    """Return the lateral and medial edge of the body in plan."""
    b, h, k, m = form.breadth, form.heel, form.ball - 0.741, form.outside_ball - 0.635
    medial = _curve(
        form,
        [
            (0.0, 0.49 * h), (0.10, 0.500 * h), (0.17, 0.500 * h), (0.26, 0.482 * h),
            (0.36, 0.45 * h + 0.005 * b), (0.46, 0.22 * h + 0.165 * b), (0.56, 0.338 * b),
            (0.65 + k, 0.377 * b), (0.70 + k, 0.398 * b), (0.741 + k, 0.408 * b),
            (0.79 + k, 0.390 * b), (0.86 + k, 0.345 * b),
        ],
        x,
    )
    lateral = _curve(
        form,
        [
            (0.0, -0.485 * h), (0.10, -0.497 * h), (0.17, -0.505 * h),
            (0.25, -0.36 * h - 0.127 * b), (0.33, -0.19 * h - 0.295 * b), (0.42, -0.488 * b),
            (0.50 + m / 2, -0.545 * b), (0.57 + m, -0.590 * b), (0.635 + m, -0.612 * b),
            (0.70 + m, -0.596 * b), (0.78 + m, -0.545 * b),
        ],
        x,
    )
    return lateral, medial


def _twist(form: Form, x: Grid, y: Grid) -> Grid:
    """Return by how much a varus forefoot lifts the foot at (x, y)."""
    along = _smoothstep((x / form.length - 0.25) / 0.38)
    return (along * np.tan(np.radians(form.varus_deg)) * (y + 0.1 * form.breadth)).astype(np.float32)


def _body(form: Form, x: Grid, y: Grid, z: Grid) -> Grid:
    """Return the body as a radial measure minus 1: negative inside, not yet a distance."""
    size = form.length / DESIGN_LENGTH
    lateral, medial = _edges(form, x)
    ridge = _curve(
        form,
        [(0.0, 0.0), (0.18, 0.0), (0.30, 0.02), (0.5, 0.055), (0.6, 0.075), (0.7, 0.13),
         (0.78, 0.18), (0.9, 0.19)],
        x,
    ) * form.breadth
    across = np.clip((y - lateral) / (medial - lateral), -0.5, 1.5)
    flank = _flank(form, x, across) * size
    top = _dorsum(form, x, y)
    bottom = _sole(form, x, y, across)
    over, under = (z - flank) / (top - flank), (flank - z) / (flank - bottom)
    side = np.where(y > ridge, (y - ridge) / (medial - ridge), (ridge - y) / (ridge - lateral))
    end = _ends(form, x, y)
    side = (side**2.3 + end**2.3) ** np.float32(1 / 2.3)
    upper = 1.85 + 0.35 * _smoothstep((y - ridge) / 30.0 + 0.5)
    lower = np.float32(3.0 if form.loaded else 2.5)
    power = np.where(z > flank, upper, lower).astype(np.float32)
    height = np.maximum(over, under)
    return (side**power + height**power) ** (1 / power) - 1


def _flank(form: Form, x: Grid, across: Grid) -> Grid:
    """Return the height of greatest width, higher on the medial side of the arch."""
    lift = form.arch
    lateral = _curve(
        form, [(0.0, 25), (0.16, 24), (0.3, 25), (0.42, 24), (0.52, 20), (0.62, 17), (0.8, 16)], x
    )
    medial = _curve(
        form,
        [(0.0, 26), (0.16, 27), (0.26, 29 + 0.35 * lift), (0.36, 31 + 0.6 * lift),
         (0.48, 30 + 0.6 * lift), (0.58, 26 + 0.3 * lift), (0.67, 20 + 0.1 * lift), (0.741, 18),
         (0.85, 17)],
        x,
    )
    return lateral + (medial - lateral) * _smoothstep(across)


def _dorsum(form: Form, x: Grid, y: Grid) -> Grid:
    """Return the height of the dorsum over the ridge, with faint tendons."""
    size = form.length / DESIGN_LENGTH
    top = _curve(
        form,
        [(0.0, 82), (0.14, 86), (0.3, 92), (0.38, 92), (0.44, 86.5), (0.5, 78), (0.56, 69.5),
         (0.62, 59.5), (0.68, 49.5), (0.74, 41), (0.80, 34), (0.86, 29), (0.95, 26)],
        x,
    )
    top = top * size * (1 + (form.instep - 1) * _smoothstep((x / form.length - 0.1) / 0.3))
    return top


def _sole(form: Form, x: Grid, y: Grid, across: Grid) -> Grid:
    """Return the height of the sole if it were not rounded at its borders."""
    share = x / form.length - form.arch_shift
    along = _sigmoid((share - ARCH_RISE) / 0.042) * _sigmoid((ARCH_FALL - share) / 0.036)
    hollow = _smoothstep((across - 0.22) / 0.62)
    press = PRESS_LOADED if form.loaded else PRESS_HANGING
    column = 2.2 + 0.10 * form.arch  # the lateral column carries less than heel and ball
    rise = along * (column + (1.22 * form.arch + press - column) * hollow)
    if form.loaded:
        return rise - press
    return rise + _hanging_relief(form, x, y)


def _hanging_relief(form: Form, x: Grid, y: Grid) -> Grid:
    """Return what an unloaded sole adds: pads below the metatarsal heads, lifted between."""
    ball = np.exp(-(((x / form.length - form.ball + 0.03) / 0.10) ** 2))
    total = 1.5 * ball
    for name, at in skeleton(form).items():
        depth = {"mth1": 2.6, "mth5": 2.4}.get(name, 1.2)
        total = total - depth * np.exp(
            -(((x - at[0]) / 16.0) ** 2) - ((y - at[1]) / 11.0) ** 2
        )
    return total.astype(np.float32)


def _ends(form: Form, x: Grid, y: Grid) -> Grid:
    """Return 0 along the foot, growing to 1 at the back of the heel and at the toe webs."""
    length, b = form.length, form.breadth
    heel = np.maximum(HEEL_CAP - x / length, 0) / HEEL_CAP
    k, m = form.ball - 0.741, form.outside_ball - 0.635
    knots = np.array([(-0.66, 0.70 + m), (-0.56, 0.737 + m), (-0.42, 0.775 + m / 2 + k / 2),
                      (-0.25, 0.822 + k), (-0.08, 0.848 + k), (0.10, 0.853 + k),
                      (0.25, 0.845 + k), (0.42, 0.815 + k)])
    shares = np.linspace(-0.75, 0.55, 261)
    values = interpolate.PchipInterpolator(knots[:, 0], knots[:, 1])(
        np.clip(shares, knots[0, 0], knots[-1, 0])
    )
    web = np.interp(y / b, shares, ndimage.gaussian_filter1d(values, 6.0, mode="nearest"))
    front = np.maximum(x / length - (web - WEB_CAP), 0) / WEB_CAP
    return (heel + front).astype(np.float32)


def _leg(form: Form, x: Grid, y: Grid, z: Grid) -> Grid:
    """Return the distance to the leg, its tendon behind included."""
    size = form.length / DESIGN_LENGTH
    lift = (form.ankle / size - 70.0) * 0.5
    u = (z / size - lift).ravel()
    table = np.array([
        (20, 34, 84, -22, 22), (45, 30, 96, -25, 25), (60, 28, 100, -28, 27.5),
        (75, 27, 101, -30.5, 29), (90, 26, 101, -31, 29), (105, 24.5, 99, -30, 28),
        (125, 22, 96, -29, 27), (150, 18, 97, -31, 29), (190, 10, 101, -36, 34),
    ])
    rows = [
        ndimage.gaussian_filter1d(
            interpolate.PchipInterpolator(table[:, 0], table[:, i])(np.linspace(20, 190, 171)),
            6.0, mode="nearest",
        )
        for i in range(1, 5)
    ]
    back, front, lateral, medial = (
        np.interp(u, np.linspace(20, 190, 171), row).reshape(z.shape) * size for row in rows
    )
    middle, half = (back + front) / 2, (front - back) / 2
    along = (x - middle) / half
    width = (medial - lateral) / 2 * (1 - 0.10 * np.clip(-along, -1, 1))
    radial = (np.abs(along) ** 2.2 + np.abs((y - (medial + lateral) / 2) / width) ** 2.2) ** (1 / 2.2)
    shaft = (radial - 1) * 0.8 * width
    below = np.maximum(38.0 * size - z, 0)
    shaft = np.where(below > 0, np.hypot(np.maximum(shaft + 10, 0), below) - 10, shaft)
    tendon = _capsules(x, y, z, [
        ((0.088 * form.length, 0, 42 * size), 9.5 * size), ((0.086 * form.length, -0.5, 70 * size), 7.0 * size),
        ((0.085 * form.length, -1, 110 * size), 7.2 * size), ((0.075 * form.length, -1, 200 * size), 12 * size),
    ], 1.0)
    return _smooth_min(shaft.astype(np.float32), tendon, 11.0 * size)


def _bumps(form: Form) -> list[tuple[tuple[tuple[float, ...], tuple[float, ...]], float]]:
    """Return ellipsoids (centre, semi-axes) that show under the skin, and how softly."""
    n, b = form.length, form.breadth
    s = n / DESIGN_LENGTH
    return [
        (((0.205 * n, -0.262 * b, form.ankle), (13 * s, 9 * s, 17 * s)), 13 * s),
        (((0.245 * n, 0.225 * b, form.ankle + 9 * s), (14 * s, 9 * s, 16 * s)), 13 * s),
    ]


def _toe_chains(form: Form) -> list[list[tuple[tuple[float, float, float], float]]]:
    """Return five chains of (centre, radius), from the metatarsal heads to the toe pads."""
    n, b = form.length, form.breadth
    head = skeleton(form)
    t = min(n / DESIGN_LENGTH, b / DESIGN_BREADTH)
    sink = 1.6 if form.loaded else 0.0
    lift = 0.0 if form.loaded else 2.5
    tip1 = n - max(form.second_longer, 0.0)
    tip2 = n + min(form.second_longer, 0.0)
    tips = (tip1, tip2, tip2 - 0.042 * n, tip2 - 0.092 * n, tip2 - 0.150 * n)
    lateral = (0.268, 0.030, -0.132, -0.283, -0.432)
    pads = (11.4, 7.7, 7.3, 7.1, 7.2)
    chains = []
    for i in range(5):
        pad = pads[i] * t
        start = head[f"mth{i + 1}"]
        end = np.array([tips[i] - pad, lateral[i] * b, pad - sink + lift])
        if i == 0:
            chains.append(_hallux(form, start, end, pad, t))
        else:
            chains.append(_small_toe(start, end, pad, t, i))
    return chains


def _hallux(form: Form, start: Array, end: Array, pad: float, t: float) -> list:
    """Return the chain of the big toe, turned at its joint by the hallux angle."""
    angle = np.radians(form.hallux_deg - 6.0)
    reach = end[0] - start[0]
    end = end - np.array([0.0, np.tan(angle) * reach, 0.0])
    joint = start + (end - start) * 0.60
    joint[2] = 13.2 * t
    mid = start + (end - start) * 0.28
    mid[2] = 15.6 * t
    tip = end + np.array([0.8, 0.0, 1.6]) * t
    return [(tuple(start), 12.5 * t), (tuple(mid), 10.6 * t), (tuple(joint), 10.2 * t),
            (tuple(end), pad), (tuple(tip), pad * 0.93)]


def _small_toe(start: Array, end: Array, pad: float, t: float, index: int) -> list:
    """Return the chain of toe 2 to 5: up to the middle joint, then down to the pad."""
    reach = end - start
    knuckle = start + reach * 0.50
    knuckle[2] = (20.5, 19.0, 17.5, 15.5)[index - 1] * t
    last = start + reach * 0.80
    last[2] = (14.5, 13.5, 12.8, 11.5)[index - 1] * t
    return [(tuple(start), 8.5 * t), (tuple(knuckle), 6.5 * t), (tuple(last), 6.2 * t),
            (tuple(end), pad)]


def _add_toes(form: Form, value: Grid, span: Sequence[Array]) -> None:
    """Join the toes to `value`, in place, within the box that holds them."""
    first = int(np.searchsorted(span[0], (form.outside_ball - 0.06) * form.length))
    last = int(np.searchsorted(span[2], 52.0 + 4.0 * abs(form.varus_deg)))
    x = span[0][first:].astype(np.float32)[:, None, None]
    y = span[1].astype(np.float32)[None, :, None]
    z = span[2][:last].astype(np.float32)[None, None, :] - _twist(form, x, y)
    part = value[first:, :, :last]
    toes = None
    for chain in _toe_chains(form):
        toe = _capsules(x, y, z, chain, 3.5)
        toes = toe if toes is None else _smooth_min(toes, toe, 0.8)
    value[first:, :, :last] = _smooth_min(part, toes, 6.0)


def _capsules(x: Grid, y: Grid, z: Grid, chain: Sequence, blend: float) -> Grid:
    """Return the distance to a chain of round cones, joined softly."""
    total = None
    for (a, ra), (b, rb) in zip(chain[:-1], chain[1:], strict=True):
        d = [float(q - p) for p, q in zip(a, b, strict=True)]
        size = d[0] ** 2 + d[1] ** 2 + d[2] ** 2
        px, py, pz = x - float(a[0]), y - float(a[1]), z - float(a[2])
        t = np.clip((px * d[0] + py * d[1] + pz * d[2]) / size, 0, 1)
        gap = np.sqrt((px - t * d[0]) ** 2 + (py - t * d[1]) ** 2 + (pz - t * d[2]) ** 2)
        cone = gap - (float(ra) + t * float(rb - ra))
        total = cone if total is None else _smooth_min(total, cone, blend)
    return total


def _ellipsoid(x: Grid, y: Grid, z: Grid, centre: Sequence, axes: Sequence) -> Grid:
    """Return about the distance to an ellipsoid."""
    u = [(a - float(c)) / float(r) for a, c, r in zip((x, y, z), centre, axes, strict=True)]
    near = np.sqrt(u[0] ** 2 + u[1] ** 2 + u[2] ** 2)
    slope = np.sqrt(sum((v / float(r)) ** 2 for v, r in zip(u, axes, strict=True)))
    return near * (near - 1) / np.maximum(slope, 1e-6)


def _distance(level: Grid, cell: float) -> Grid:
    """Return `level` divided by its slope: about a distance near its zero."""
    slope = np.zeros_like(level)
    for axis in range(3):
        slope += np.gradient(level, cell, axis=axis) ** 2
    return level / np.maximum(np.sqrt(slope), 4e-3)


def _smooth_min(a: Grid, b: Grid, reach: float) -> Grid:
    """Return the smooth minimum; `a` and `b` differing by more than `reach` are untouched."""
    near = np.maximum(reach - np.abs(a - b), 0) / reach
    return np.minimum(a, b) - near**3 * np.float32(reach / 6)


def _smooth_max(a: Grid, b: Grid, reach: float) -> Grid:
    """Return the smooth maximum."""
    return -_smooth_min(-a, -b, reach)


def _smoothstep(t: Grid) -> Grid:
    """Return 0 below 0, 1 above 1, smooth between (quintic)."""
    t = np.clip(t, 0, 1)
    return t * t * t * (t * (t * 6 - 15) + 10)


def _sigmoid(t: Grid) -> Grid:
    """Return the logistic function."""
    return 1 / (1 + np.exp(-np.clip(t, -40, 40)))
