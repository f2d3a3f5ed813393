"""A made-up foot of which everything is known.

    Shape -> build -> Specimen (skin, truth) -> footscan.specimen.scanner.scan -> Scan

A specimen has exactly the length, breadths, ball points and arch height that its shape asks
for. Its truth is measured on its own dense skin, free of noise, by the definitions that scans
are measured by; only the metatarsal heads are known from the skeleton that it was grown on.

Frame: the foot frame of a right foot (origin at the pternion dropped to the ground, +x from
heel centre to second metatarsal head, +y medial, +z up; mm). A left specimen has the same
geometry; the scanner mirrors it.

``python -m footscan.specimen.samples [DIR]`` writes the sample scans anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from footscan.foot import sole_map
from footscan.scan import Array, IntArray, Load, Side
from footscan.specimen import form
from footscan.specimen.scanner import ScannerSpec, scan, write_scan
from footscan.specimen.toes import Form, skeleton
from footscan.specimen.truth import HEEL_SHARE, Sizes, Truth, extreme, heel, level, sizes
from footscan.specimen.truth import truth as measure_truth

__all__ = [
    "ScannerSpec",
    "Shape",
    "Specimen",
    "Truth",
    "build",
    "random_shape",
    "scan",
    "write_scan",
]

CLOSE_MM = 0.03  # a requested size counts as met within this
CRATER_MM = 10.0  # the sole behind the arch lies below the apex, but for its medial border
MISS_MM = 0.5  # the truth is measured anyway; beyond this the shape asked for is no foot
GIRTH_PER_BREADTH = 2.475  # mean of 4082 men, ANSUR II (computed from the public table)
HEEL_PER_LENGTH = 0.2675  # likewise


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What a specimen shall look like; mm and degrees.

    Attributes
    ----------
    length : float
        Foot length along the axis.
    breadth : float
        Horizontal ball breadth, most medial to most lateral ball point.
    heel_breadth : float or None
        At 16 % of length, up to 40 mm high; None takes a mean share of length.
    ball_girth : float or None
        Convex girth in the vertical plane of the ball line; None takes a mean share of breadth.
    ball_share, outside_ball_share : float
        Metatarsale tibiale and fibulare along the axis, as shares of length.
    arch_height : float
        Height of the arch apex: 2 to 4 flat, 25 and more high.
    arch_shift : float
        Moves the arch forward, as a share of length.
    instep : float
        Scale of the dorsum behind the ball, 1 for the mean foot.
    ankle_height : float
        Centre of the lateral malleolus above the ground.
    hallux_deg : float
        Angle of the big toe towards the other toes.
    second_longer : float
        Reach of the second toe beyond the big toe; negative: the big toe is longest.
    forefoot_deg : float
        Forefoot against heel, medial side up positive; only a hanging foot keeps it.
    side, load : Side, Load
        ``Load.NONE`` hangs and is round below; the other loads stand, flat where they touch.
    leg_height : float
        Where the leg is cut.
    capped : bool
        Close the cut with a flat lid.
    cell : float
        Spacing of the grid that the skin is drawn from.
    """

    length: float = 270.0
    breadth: float = 101.0
    heel_breadth: float | None = None
    ball_girth: float | None = None
    ball_share: float = 0.741
    outside_ball_share: float = 0.637
    arch_height: float = 16.0
    arch_shift: float = 0.0
    instep: float = 1.0
    ankle_height: float = 70.0
    hallux_deg: float = 8.0
    second_longer: float = -5.0
    forefoot_deg: float = 0.0
    side: Side = Side.RIGHT
    load: Load = Load.HALF
    leg_height: float = 100.0
    capped: bool = False
    cell: float = 1.4

    def __post_init__(self) -> None:
        if self.load is not Load.NONE and self.forefoot_deg:
            raise ValueError("forefoot_deg needs load NONE: the floor flattens a loaded forefoot")
        for name, low, high in _LIMITS:
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise ValueError(f"{name} must lie in {low:g} to {high:g}, got {value:g}")

    @property
    def heel(self) -> float:
        """Heel breadth at 16 % of length that is aimed at, mm."""
        return self.heel_breadth or HEEL_PER_LENGTH * self.length * 0.97

    @property
    def girth(self) -> float:
        """Ball girth that is aimed at, mm."""
        return self.ball_girth or GIRTH_PER_BREADTH * self.breadth


_LIMITS = (
    ("length", 150.0, 340.0),
    ("breadth", 50.0, 140.0),
    ("heel_breadth", 30.0, 110.0),
    ("ball_girth", 100.0, 360.0),
    ("ball_share", 0.66, 0.80),
    ("outside_ball_share", 0.56, 0.70),
    ("arch_height", 1.0, 38.0),
    ("arch_shift", -0.05, 0.05),
    ("instep", 0.8, 1.25),
    ("ankle_height", 45.0, 95.0),
    ("hallux_deg", 0.0, 35.0),
    ("second_longer", -15.0, 10.0),
    ("forefoot_deg", -10.0, 15.0),
    ("leg_height", 60.0, 190.0),
    ("cell", 0.5, 4.0),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Specimen:
    """A made-up foot: skin and truth in the foot frame of a right foot, mm.

    Attributes
    ----------
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        Outward winding; open at the cut through the leg unless the shape is capped.
    shape : Shape
        What was asked for.
    truth : Truth
        What came out.
    """

    vertices: Array
    faces: IntArray
    shape: Shape
    truth: Truth
    bones: Mapping[str, Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.vertices.setflags(write=False)
        self.faces.setflags(write=False)


def build(shape: Shape) -> Specimen:
    """Return the specimen of a shape.

    The form is drawn once; smooth stretches then bring length, ball points, breadths, girth and
    arch to the sizes asked for, mostly within 0.05 mm and never off by more than 0.5 mm.

    Parameters
    ----------
    shape : Shape
        Sizes in mm; see there.

    Raises
    ------
    ValueError
        The sizes asked for do not go together: no foot can have them.
    """
    wanted = _form(shape)
    vertices, faces = form.skin(form.field(wanted, shape.cell))
    bones = np.array(list(skeleton(wanted).values()))
    for turn in range(14):
        vertices, bones = _square(vertices, faces, bones, shape)
        found = sizes(vertices, faces)
        off = _off(shape, found)
        if max(abs(v) for v in off.values()) < CLOSE_MM:
            break
        step = {name: (1.0 if turn < 5 else 0.5) * miss for name, miss in off.items()}
        vertices, bones = (_stretched(p, found, step, shape) for p in (vertices, bones))
    else:
        worst = max(off, key=lambda name: abs(off[name]))
        if abs(off[worst]) > MISS_MM:
            raise ValueError(
                f"no foot has these sizes together: {worst} misses by {off[worst]:.1f} mm"
            )
        vertices, bones = _square(vertices, faces, bones, shape)
    if shape.load is not Load.NONE:
        vertices[:, 2] = np.maximum(vertices[:, 2], 0.0)
    _check_heel(vertices, faces, shape)
    if shape.capped:
        faces = _lid(vertices, faces)
    truth = measure_truth(vertices, faces, bones)
    return Specimen(vertices=vertices, faces=faces, shape=shape, truth=truth)


def _check_heel(vertices: Array, faces: IntArray, shape: Shape) -> None:
    """Refuse a sole that was stretched into a crater behind the arch."""
    sole = sole_map(vertices, faces)
    behind = sole.z[(sole.x > 0.10 * shape.length) & (sole.x < 0.30 * shape.length)]
    if float(np.nanmax(behind)) > shape.arch_height + CRATER_MM:
        raise ValueError("no foot has these sizes together: the sole folds behind the arch")


def random_shape(
    rng: np.random.Generator, *, side: Side | None = None, load: Load = Load.HALF
) -> Shape:
    """Return a realistic adult shape drawn from published bands.

    Means, spreads and correlations of length, breadth, heel and girth follow ANSUR II (Gordon
    et al. 2014, men and women alike often); the arch is drawn flat to high, uncorrelated with
    length (Hill et al. 2017, Appl Ergon 59:243).

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    side : Side, optional
        Drawn when not given.
    load : Load
        State of load.
    """
    man = rng.random() < 0.5

    def near(mean: float, sd: float, spread: float = 2.33) -> float:  # 1 to 99 %
        return float(mean + sd * np.clip(rng.standard_normal(), -spread, spread))

    length = near(271.2, 13.1) if man else near(246.3, 12.4)
    breadth = 38.09 + 0.235 * length if man else 40.16 + 0.213 * length
    breadth = float(np.clip(near(breadth, 4.0, 1.6), 0.342 * length, 0.415 * length))
    girth = float(np.clip(breadth * near(2.468, 0.06), 0.85 * length, 1.02 * length))
    heel = near((0.205 if man else 0.208) * length + 0.16 * breadth, 3.0)
    return Shape(
        length=length,
        breadth=breadth,
        heel_breadth=0.97 * heel,
        ball_girth=girth,
        ball_share=near(0.740, 0.014),
        outside_ball_share=near(0.637, 0.010),
        arch_height=float(rng.uniform(3.0, 28.0)),
        arch_shift=near(0.0, 0.010),
        instep=near(1.0, 0.05),
        ankle_height=near(70.0, 4.0) * length / 270.0,
        hallux_deg=abs(near(8.0, 4.0)),
        second_longer=near(-4.5, 3.5),
        forefoot_deg=near(6.0, 3.0) if load is Load.NONE else 0.0,
        side=side or (Side.LEFT if rng.random() < 0.5 else Side.RIGHT),
        load=load,
    )


def _form(shape: Shape) -> Form:
    """Return the form to draw for `shape`."""
    return Form(
        length=shape.length,
        breadth=shape.breadth,
        heel=shape.heel,
        ball=shape.ball_share,
        outside_ball=shape.outside_ball_share,
        arch=shape.arch_height,
        arch_shift=shape.arch_shift,
        instep=shape.instep,
        ankle=shape.ankle_height,
        hallux_deg=shape.hallux_deg,
        second_longer=shape.second_longer,
        varus_deg=shape.forefoot_deg,
        loaded=shape.load is not Load.NONE,
        leg=shape.leg_height,
    )


def _square(vertices: Array, faces: IntArray, bones: Array, shape: Shape) -> tuple[Array, Array]:
    """Return skin and bones levelled (a hanging foot) and brought into the foot frame."""
    if shape.load is Load.NONE:
        for _ in range(3):
            turn, up = level(vertices, bones, shape.length)
            vertices, bones = vertices @ turn.T, bones @ turn.T
            vertices[:, 2] -= up
            bones[:, 2] -= up
    heel_faces = faces[(vertices[faces, 0] < 0.3 * shape.length).all(axis=1)]
    for _ in range(3):
        rear = vertices[:, 0].min()
        vertices[:, 0] -= rear
        bones[:, 0] -= rear
        centre = heel(vertices, heel_faces, shape.length, HEEL_SHARE)[0]
        ahead = bones[1, :2] - centre
        angle = np.arctan2(ahead[1], ahead[0])
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        for points in (vertices, bones):
            points[:, :2] = (points[:, :2] - centre) @ turn.T + [centre[0], 0.0]
    pternion = extreme(vertices[vertices[:, 2] < 60], np.array([-1.0, 0, 0]), 6.0)
    for points in (vertices, bones):
        points[:, 0] -= pternion[0]
    return vertices, bones


def _off(shape: Shape, found: Sizes) -> dict[str, float]:
    """Return by how much each size misses what was asked for, mm (wanted minus found)."""
    return {
        "length": shape.length - found.length,
        "ball_share": shape.ball_share * shape.length - found.tibiale[0],
        "outside_ball_share": shape.outside_ball_share * shape.length - found.fibulare[0],
        "breadth": shape.breadth - found.breadth,
        "heel_breadth": shape.heel - found.heel,
        "ball_girth": shape.girth - found.girth,
        "arch_height": shape.arch_height - found.apex.z,
    }


def _stretched(points: Array, found: Sizes, off: Mapping[str, float], shape: Shape) -> Array:
    """Return `points` stretched smoothly towards the sizes asked for; the axis stays put."""
    x, y, z = points.T.copy()
    length, medial, lateral = found.length, found.tibiale, found.fibulare
    side = np.clip(0.5 + y / shape.breadth, 0, 1)
    side = side * side * (3 - 2 * side)
    rest = off["ball_share"] - off["length"] * medial[0] / length
    rest_out = off["outside_ball_share"] - off["length"] * lateral[0] / length
    new_x = x * (1 + off["length"] / length)
    new_x += rest * side * np.exp(-(((x - medial[0]) / (0.16 * length)) ** 2))
    new_x += rest_out * (1 - side) * np.exp(-(((x - lateral[0]) / (0.16 * length)) ** 2))
    ahead = np.clip((x / length - 0.2) / 0.4, 0, 1)
    ahead = ahead * ahead * (3 - 2 * ahead)
    heel, ball = off["heel_breadth"] / found.heel, off["breadth"] / found.breadth
    new_y = y * (1 + heel + (ball - heel) * ahead)
    bump = np.exp(
        -(((x / length - 0.5 * (shape.ball_share + shape.outside_ball_share)) / 0.13) ** 2)
    )
    bump *= 1 - np.clip((z - 55.0) / 30.0, 0, 1)  # the leg keeps its cut
    new_z = z * (1 + 4.5 * off["ball_girth"] / found.girth * bump)
    apex = found.apex
    hill = np.exp(-(((x - apex.x) / (0.13 * length)) ** 2))
    across = np.clip(
        (y - lateral[1] - 0.25 * shape.breadth) / (apex.y - lateral[1] - 0.25 * shape.breadth), 0, 1
    )
    under = 1 - np.clip((z - 0.8) / 60.0, 0, 1)
    if shape.load is not Load.NONE:
        clear = np.clip(z / 2.5, 0, 1)  # what stands on the ground stays there
        under = under * clear * np.sqrt(3 - 2 * clear)
    new_z += 1.6 * off["arch_height"] * hill * across**2 * (3 - 2 * across) * under**2
    return np.stack([new_x, new_y, new_z], axis=1)


def _lid(vertices: Array, faces: IntArray) -> IntArray:
    """Return `faces` with the cut through the leg closed by a flat fan."""
    import trimesh

    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    once = trimesh.grouping.group_rows(edges, require_count=1)
    directed = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)[once]
    middle = int(directed[0, 0])
    fan = np.column_stack([directed[:, 1], directed[:, 0], np.full(len(directed), middle)])
    return np.concatenate([faces, fan[(fan[:, :2] != middle).all(axis=1)]])
