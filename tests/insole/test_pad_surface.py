"""Planned pads against their wished surface: the mesh, and the STEP file as read back.

The wished surface is the bicubic through the plan's heights, no lower than the edge. Here it
comes from another routine than the parts use: a tensor of one-dimensional cubic splines.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from scipy.interpolate import RegularGridInterpolator

from insole.errors import OutputError
from insole.output.print.printing import volume_of
from insole.output.print.step import read_back_step, write_step
from insole.parts.build import check
from insole.parts.pad import arch_pad
from insole.parts.part import Part, as_worn
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.record.plan import FootPlan
from insole.record.planned_parts import PadPlan
from insole.shoe.shoe import parse
from tests import feet

STOCK = {"heel": 5.0, "arch": 4.0, "ball": 3.0, "toes": 3.0}
SHOE = parse(
    {
        "name": "level",
        "inside": {"length": 290.0, "ball_width": 106, "heel_width": 74},
        "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
        "stock_insole": {"kept": False, "thickness": STOCK},
    }
)
# shape, side and wish: low and high arches, a short foot, hollows, a turned and a standing pad
FEET: dict[str, tuple[dict[str, Any], str, dict[str, Any]]] = {
    "usual": ({"arch": 14.0}, "right", {"support_level": 0.8}),
    "low": ({"arch": 9.0, "length": 245.0, "breadth": 93.0}, "left", {"support_level": 1.0}),
    "high": ({"arch": 22.0, "arch_at": 0.47}, "right", {"support_level": 0.6, "turn": 5.0}),
    "kit": ({"arch": 16.0}, "left", {"support_level": 0.8, "pad_source": "kit"}),
    "hollow": ({"arch": 18.0}, "left", {"support_level": 0.9, "tender": ((118.0, 22.0),)}),
}


@lru_cache(maxsize=8)
def planned(name: str) -> tuple[FootPlan, Part]:
    shape, side, wish = FEET[name]
    foot = feet.analytic(side=side, **shape)
    both = (foot, None) if side == "left" else (None, foot)
    plan = planner.plan(*both, SHOE, PlanWishes(both=FootWish.of(**wish)))
    return plan.feet[0], as_worn(arch_pad(plan.feet[0], "demo"))


def wished(pad: PadPlan, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return height and slope (mm per mm) of the wished surface, canonical frame."""
    z = np.asarray(pad.top.z)
    at = tuple(
        o + pad.top.step * np.arange(n)
        for o, n in zip((pad.top.x0, pad.top.y0), z.shape, strict=True)
    )
    spline = RegularGridInterpolator(at, z, method="cubic")

    def top(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.maximum(spline(np.column_stack([x, y])) - rim(pad, spline, x, y), pad.edge)

    height = here = top(x, y)
    ahead = top(x + 0.01, y), top(x, y + 0.01)
    return height, np.hypot(*((a - here) / 0.01 for a in ahead))


def rim(pad: PadPlan, spline: RegularGridInterpolator, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return what the rounding takes off: an arc of the planned radius, 45 degrees at the border.

    By construction: at a distance d inside a border that stands, s = r sin 45° - d into the arc,
    the arc lies r - sqrt(r² - s²) below its start; in proportion below 2 mm of height.
    """
    border = shapely.LinearRing(pad.outline)
    place = shapely.points(x, y)
    foot = shapely.get_coordinates(border.interpolate(border.project(place)))
    stands = spline(foot) - pad.edge
    into = np.clip(pad.rim_radius / np.sqrt(2) - shapely.distance(border, place), 0.0, None)
    arc = pad.rim_radius - np.sqrt(pad.rim_radius**2 - into**2)
    return np.where(stands > 0.1, np.clip(stands / 2.0, 0.0, 1.0) * arc, 0.0)


def strays(pad: PadPlan, side: str, vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Return how far points spread over the top by area lie off the wished surface, mm."""
    flip = -1.0 if side == "left" else 1.0
    corners = vertices[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normal, axis=1)
    top = (normal[:, 2] > 0.5 * area) & (corners[:, :, 2].min(axis=1) > 0.3)
    rng = np.random.default_rng(0)
    chosen = rng.choice(np.flatnonzero(top), 4000, p=area[top] / area[top].sum())
    weight = rng.dirichlet([1.0, 1.0, 1.0], 4000)
    points = np.einsum("ij,ijk->ik", weight, corners[chosen])
    height, slope = wished(pad, points[:, 0], flip * points[:, 1])
    return np.abs(points[:, 2] - height) / np.sqrt(1 + slope**2)


@pytest.mark.parametrize("name", FEET)
def test_top_of_the_mesh_is_the_wished_surface(name: str) -> None:
    """Wanted: 95 % within 0.1 mm, none beyond 0.3 mm; the rim's triangles promise 0.06 mm."""
    foot, part = planned(name)
    assert foot.pad is not None
    off = strays(foot.pad, foot.side, part.vertices, part.faces)
    assert np.percentile(off, 95) < 0.02
    assert off.max() < 0.06
    assert part.facts.chord_error < 0.05
    assert check(part) == []


@pytest.mark.parametrize("name", FEET)
def test_the_standing_side_carries_no_ridge(name: str) -> None:
    """Over the last 6 mm before the border the top turns no sharper than the rule for humps.

    A spline that falls to the edge right beside a standing side swung back as a ridge of a
    millimetre. Second differences over 1 mm, upper bound 1/mm read along the way inwards.
    """
    foot, _ = planned(name)
    pad = foot.pad
    assert pad is not None
    sharp = pad.model_copy(update={"rim_radius": 0.0})
    x, most = pad.crest.from_rear, max(y for _, y in pad.outline)
    border = shapely.LineString([(x, 0.0), (x, most + 9.0)])
    y = shapely.Polygon(pad.outline).intersection(border).bounds[3]
    inwards = y - np.arange(0.0, 6.0, 0.5)
    height, _ = wished(sharp, np.full_like(inwards, x), inwards)
    assert np.abs(height[4:] - 2 * height[2:-2] + height[:-4]).max() < 0.2


@pytest.mark.parametrize(
    "name", ["usual", *(pytest.param(name, marks=pytest.mark.long) for name in list(FEET)[1:])]
)
def test_step_file_is_the_wished_surface(name: str, tmp_path: Path) -> None:
    """Facets within 0.005 mm: volume to 0.1 % of the integral, no point 0.05 mm off."""
    from cadquery import importers
    from OCP.BRepMesh import BRepMesh_IncrementalMesh

    foot, part = planned(name)
    assert foot.pad is not None
    write_step(tmp_path / "pad.step", part)
    # the rim is sharp in a STEP file: its rounding is a fillet for the CAD that opens it
    assert part.solid_volume is not None
    assert 0.0 <= part.solid_volume - part.volume < 250.0
    wanted = pytest.approx(part.solid_volume, rel=1e-3)
    assert read_back_step(tmp_path / "pad.step", part) == wanted
    shape = importers.importStep(str(tmp_path / "pad.step")).val()
    assert shape.Volume() == wanted  # the kernel's own integral
    BRepMesh_IncrementalMesh(shape.wrapped, 0.005, False, 0.1)
    points, corners = shape.tessellate(np.inf)
    vertices, faces = np.array([p.toTuple() for p in points]), np.array(corners)
    assert volume_of(vertices, faces) == wanted
    sharp = foot.pad.model_copy(update={"rim_radius": 0.0})
    off = strays(sharp, foot.side, vertices, faces)
    assert np.percentile(off, 95) < 0.02
    assert off.max() < 0.2  # where the rim starts and ends along the border


def test_a_pad_a_little_too_thick_is_no_step_file_of_the_part(tmp_path: Path) -> None:
    """0.2 % more volume: 0.008 mm over the whole of a pad 4 mm thick."""
    from dataclasses import replace

    _, part = planned("usual")
    write_step(tmp_path / "pad.step", part)
    with pytest.raises(OutputError, match="reads back with"):
        read_back_step(tmp_path / "pad.step", replace(part, solid_volume=part.solid_volume * 1.002))


def test_volume_of_the_mesh_is_the_plan_s() -> None:
    """The wished surface over the outline, summed on a lattice of 0.25 mm: a third way."""
    foot, part = planned("usual")
    assert foot.pad is not None
    plan = shapely.Polygon(part.outline)
    x0, y0, x1, y1 = plan.bounds
    x, y = (g.ravel() for g in np.meshgrid(np.arange(x0, x1, 0.25), np.arange(y0, y1, 0.25)))
    inside = shapely.contains_xy(plan, x, y)
    total = 0.25**2 * float(wished(foot.pad, x[inside], y[inside])[0].sum())
    mesh = volume_of(part.vertices, part.faces) + part.facts.engraved.volume
    assert mesh == pytest.approx(total, rel=1e-3)
    assert part.volume == pytest.approx(total, rel=1e-3)
