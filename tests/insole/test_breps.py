"""Exact solids: few smooth faces that stand on arcs, and that other CAD can bevel and round."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline

from footscan.scan import Array
from insole.parts import breps
from insole.parts.build import all_parts
from insole.parts.part import Part
from tests.made_parts import sample_rider

LONG, WIDE, ROUND, HOLE = 60.0, 30.0, 10.0, 4.0
AREA = LONG * WIDE - (4.0 - math.pi) * ROUND**2
HELD = 2e-4  # arcs keep within 0.02 mm of a ring whose chords lie inside its true corners


def rounded() -> Array:
    """Return a rectangle with round corners as chords, counter-clockwise, its middle at 0."""
    middles = [(x * (LONG / 2 - ROUND), y * (WIDE / 2 - ROUND)) for x, y in ((1, -1), (1, 1))]
    middles += [(-x, -y) for x, y in middles]
    corners = [
        np.array(middle) + ROUND * np.column_stack([np.cos(turn), np.sin(turn)])
        for k, middle in enumerate(middles)
        for turn in [np.linspace(k - 1, k, 60) * math.pi / 2]
    ]
    return np.vstack(corners)


def circle() -> Array:
    turn = np.linspace(0.0, -2.0 * math.pi, 96, endpoint=False)
    return HOLE / 2 * np.column_stack([np.cos(turn), np.sin(turn)])


def plane(a: float, b: float, c: float) -> RectBivariateSpline:
    x, y = np.linspace(-40.0, 40.0, 9), np.linspace(-20.0, 20.0, 9)
    return RectBivariateSpline(x, y, a * x[:, None] + b * y[None, :] + c)


def exact(part: Part) -> Any:
    assert part.solid is not None
    return part.solid()


def kinds(solid: Any) -> list[str]:
    return sorted(face.geomType() for face in solid.Faces())


def test_sides_stand_on_the_arcs_and_lines_of_the_outline() -> None:
    solid = breps.prism(rounded(), 1.0, 4.0)
    assert solid.isValid()
    assert kinds(solid) == 4 * ["CYLINDER"] + 6 * ["PLANE"]
    radii = {round(edge.radius(), 1) for edge in solid.Edges() if edge.geomType() == "CIRCLE"}
    assert radii == {ROUND}
    assert solid.Volume() == pytest.approx(AREA * 3.0, rel=HELD)
    box = solid.BoundingBox()
    assert (box.zmin, box.zmax) == pytest.approx((1.0, 4.0))


def test_a_roof_keeps_the_sides_smooth() -> None:
    """Under z = 0.05 x - 0.02 y + 6, whose mean over a ring about 0 is 6."""
    wanted = AREA * 6.0
    solid = breps.under_spline(rounded(), plane(0.05, -0.02, 6.0), wanted, "thing")
    assert kinds(solid).count("CYLINDER") == 4
    assert solid.Volume() == pytest.approx(wanted, rel=HELD)
    highest = 0.05 * (LONG / 2 - ROUND) + 0.02 * (WIDE / 2 - ROUND)
    highest += ROUND * math.hypot(0.05, 0.02) + 6.0  # where the corner faces the slope
    assert solid.BoundingBox().zmax == pytest.approx(highest, abs=0.005)


def test_a_round_hole_is_round() -> None:
    floor, roof = plane(0.0, 0.03, 1.0), plane(0.01, 0.03, 5.0)
    wanted = (AREA - math.pi * HOLE**2 / 4) * 4.0
    solid = breps.between_splines(rounded(), (circle(),), (floor, roof), wanted, "thing")
    assert kinds(solid).count("CYLINDER") == 4 + 2
    assert solid.Volume() == pytest.approx(wanted, rel=HELD)


# ------------------------------------------------------------------ bevels and roundings


def caps(solid: Any) -> tuple[Any, Any]:
    """Return the two largest faces, the lower one first."""
    largest = sorted(solid.Faces(), key=lambda face: face.Area())[-2:]
    lower, upper = sorted(largest, key=lambda face: face.Center().z)
    return lower, upper


@lru_cache(maxsize=2)
def parts(heel_cup: float) -> dict[str, Part]:
    right = sample_rider(heel_cup).model_copy(update={"left": None})
    return {part.label: part for part in all_parts(right)}


@pytest.mark.parametrize("which", [0, 1], ids=["bottom", "top"])
@pytest.mark.parametrize(("size", "share"), [(0.5, 0.5), (1.0, 1.0 - math.pi / 4)])
def test_the_edge_of_a_plate_is_bevelled_and_rounded_all_round(
    which: int, size: float, share: float
) -> None:
    """A bevel takes half of size squared a millimetre of edge, a rounding (1 - pi / 4) of it."""
    solid = exact(parts(0.0)["right-base"])
    edges = caps(solid)[which].outerWire().Edges()
    done = solid.chamfer(size, None, edges) if share == 0.5 else solid.fillet(size, edges)
    assert done.isValid()
    assert len(done.Solids()) == 1
    long = sum(edge.Length() for edge in edges)
    assert solid.Volume() - done.Volume() == pytest.approx(share * size**2 * long, rel=0.05)


@pytest.mark.parametrize("which", [0, 1], ids=["bottom", "top"])
def test_the_edge_of_a_heel_cup_is_bevelled_and_rounded_all_round(which: int) -> None:
    """On top the walls lean away, so that the same size takes less."""
    solid = exact(parts(10.0)["right-base"])
    edges = caps(solid)[which].outerWire().Edges()
    most = sum(edge.Length() for edge in edges)
    for done, share in ((solid.chamfer(0.5, None, edges), 0.125), (solid.fillet(1.0, edges), 0.22)):
        assert done.isValid()
        assert len(done.Solids()) == 1
        assert 0.5 * share * most < solid.Volume() - done.Volume() < 1.05 * share * most


@pytest.mark.parametrize("which", [0, 1], ids=["bottom", "top"])
def test_the_edge_of_a_pad_is_rounded_all_round(which: int) -> None:
    """Its edge runs out to 0.4 mm, so that no more than that can be taken off it."""
    solid = exact(parts(10.0)["right-arch-pad"])
    edges = caps(solid)[which].outerWire().Edges()
    for done in (solid.chamfer(0.2, None, edges), solid.fillet(0.3, edges)):
        assert done.isValid()
        assert len(done.Solids()) == 1
        assert 1.0 < solid.Volume() - done.Volume() < 30.0
