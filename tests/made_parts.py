"""Scans of made parts: a part's own mesh, changed by a known amount, seen by a made-up scanner.

    Part, change -> made_scan -> Scan in a pose of its own;  wanted -> the change along the normal

The change is a function of the place, added to the height of the top; so the truth is known at
every place without any registration.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapely
import trimesh
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from footscan.foot import face_normals
from footscan.scan import Array, Scan, Unit
from insole.parts.build import all_parts
from insole.parts.made.planned import Planned, even_samples, planned
from insole.parts.part import Part
from insole.planning.planner import FootWish, PlanWishes
from insole.record.plan import Plan
from insole.workflow.plans import plan_feet
from insole.workflow.request import Request, Shots

__all__ = [
    "Change",
    "bump",
    "made_scan",
    "nothing",
    "sample_parts",
    "sample_rider",
    "shifted",
    "thicker",
    "wanted",
]

Change = Callable[[Array], Array]  # places (n, 2), mm -> what is added to the top's height, mm
TABLE_MARGIN_MM = 40.0
SAMPLES = Path(__file__).parents[1] / "sample_scans"


WISHES = PlanWishes(both=FootWish.of(forefoot=2.0), case="larch")


def sample_rider(
    heel_cup: float = 10.0,
    *,
    wishes: PlanWishes = WISHES,
    sides: tuple[str, ...] = ("left", "right"),
    worn: Path | None = SAMPLES / "shoe.toml",
) -> Plan:
    """Return the sample rider's plan, planned from the sample scans, with a cup."""
    request = Request(
        scans=tuple(Shots(files=(SAMPLES / f"larch_{side}.ply",)) for side in sides),
        shoe=worn,
        wishes=wishes,
    )
    plan, _ = plan_feet(request)
    feet = {
        foot.side: foot.model_copy(
            update={"base": foot.base.model_copy(update={"heel_cup": heel_cup})}
        )
        for foot in plan.feet
    }
    return plan.model_copy(update=feet)


def sample_parts() -> dict[str, Part]:
    """Return the sample rider's parts by label."""
    return {part.label: part for part in all_parts(sample_rider())}


def nothing(at: Array) -> Array:
    """Made as planned."""
    return np.zeros(len(at))


def thicker(amount: float) -> Change:
    """The whole part too thick."""
    return lambda at: np.full(len(at), amount)


def bump(x: float, y: float, amount: float, length: float = 30.0, width: float = 18.0) -> Change:
    """Too high over an ellipse: flat over 60 % of it, then down to nothing."""

    def change(at: Array) -> Array:
        out = np.hypot((at[:, 0] - x) / (length / 2), (at[:, 1] - y) / (width / 2))
        return amount * (1 + np.cos(np.pi * np.clip((out - 0.6) / 0.4, 0, 1))) / 2

    return change


def shifted(part: Part, along: float, across: float = 0.0) -> Change:
    """The whole top shifted on the outline."""
    top = _top(planned(part))
    low = float(top[:, 2].min())
    height = LinearNDInterpolator(top[:, :2], top[:, 2], fill_value=low)
    return lambda at: height(at - np.array([along, across])) - height(at)


def wanted(target: Planned, change: Change, x: Array, y: Array) -> Array:
    """Return the change along the plan's normal on a grid of places, shape (len(x), len(y))."""
    at = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    top = target.points[target.top]
    _, index = cKDTree(top[:, :2]).query(at, k=12)
    upright = target.normals[target.top][index][:, :, 2].mean(axis=1)
    return (change(at) * upright).reshape(len(x), len(y))


def made_scan(
    part: Part,
    change: Change = nothing,
    *,
    noise: float = 0.15,
    spacing: float = 0.8,
    mesh: bool = False,
    under: bool = True,
    table: bool = False,
    unit: Unit = Unit.MM,
    seed: int = 0,
) -> Scan:
    """Return what a scanner sees of a part, as bare points or as a mesh, in a pose of its own.

    `under` False leaves out what looks down. A `table` hides the underside as well.
    """
    rng = np.random.default_rng(seed)
    if mesh:
        vertices, faces = trimesh.remesh.subdivide_to_size(part.vertices, part.faces, 1.5)
        faces = np.asarray(faces)
        vertices, faces = _merged(np.asarray(vertices), faces)
        looks = face_normals(vertices, faces)[:, 2]
        if table or not under:
            faces = faces[_in_sight(vertices[faces].mean(axis=1), looks, part)]
        points = vertices
    else:
        points, owner = even_samples(part.vertices, part.faces, spacing)
        looks = face_normals(part.vertices, part.faces)[owner, 2]
        points = points[_in_sight(points, looks, part)] if table or not under else points
        faces = np.zeros((0, 3), dtype=np.int64)
    points = _changed(points, part, change)
    if table:
        ground, ground_faces = _table(part, spacing, mesh)
        faces = np.concatenate([faces, ground_faces + len(points)])
        points = np.concatenate([points, ground])
    if mesh:
        used = np.unique(faces)
        number = np.zeros(len(points), dtype=np.int64)
        number[used] = np.arange(len(used))
        points, faces = points[used], number[faces]
    points = points + rng.normal(0, noise, points.shape)
    turn = Rotation.random(random_state=seed).as_matrix()
    points = (points @ turn.T + rng.normal(0, 200, 3)) / unit.mm
    return Scan(vertices=points, faces=faces, files=(f"{part.label}.ply",), format="ply")


def _changed(points: Array, part: Part, change: Change) -> Array:
    """Return points moved up by the change, by their share of the height: the underside stays."""
    target = planned(part)
    top = _top(target)
    _, index = cKDTree(top[:, :2]).query(points[:, :2])
    share = np.clip(points[:, 2] / np.maximum(top[index, 2], 1e-6), 0, 1)
    lifted = points.copy()
    lifted[:, 2] += share * change(points[:, :2])
    return lifted


def _in_sight(points: Array, looks: Array, part: Part) -> Array:
    """Return what is seen from above and beside: no underside, no walls of what is cut into it."""
    rim = shapely.Polygon(planned(part).rim).exterior
    beside = shapely.distance(rim, shapely.points(points[:, :2])) < 0.05
    return (looks > 0.3) | (beside & (looks > -0.3))


def _top(target: Planned) -> Array:
    return target.points[target.top]


def _table(part: Part, spacing: float, mesh: bool) -> tuple[Array, np.ndarray]:
    """Return the table round the part, seen where the part does not stand."""
    rim = shapely.Polygon(planned(part).rim)
    x0, y0, x1, y1 = rim.buffer(TABLE_MARGIN_MM).bounds
    x, y = np.arange(x0, x1, 1.2 * spacing), np.arange(y0, y1, 1.2 * spacing)
    at = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    points = np.column_stack([at, np.zeros(len(at))])
    free = ~shapely.contains_xy(rim, *at.T)
    if not mesh:
        return points[free], np.zeros((0, 3), dtype=np.int64)
    number = np.arange(len(at)).reshape(len(x), len(y))
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate(
        [np.stack(one, axis=-1).reshape(-1, 3) for one in ((a, b, c), (a, c, d))]
    )
    return points, faces[free[faces].all(axis=1)]


def _merged(vertices: Array, faces: np.ndarray) -> tuple[Array, np.ndarray]:
    _, first, number = np.unique(
        np.round(vertices, 6), axis=0, return_index=True, return_inverse=True
    )
    return vertices[first], np.asarray(number).reshape(-1)[faces]
