"""A bed in two pieces, read from what the manifest says of its joint and held against the plan.

    manifest (joint of each piece) + plan's outline -> outlines of both pieces, or refused

The joint is a line in the bed frame. Ahead of it lies the front piece, behind it the rear one,
each half the gap away. It has to lie behind the ball, hold the pieces, and let no other piece in.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from insole.errors import OutputError

__all__ = ["FRONT", "REAR", "check_form", "check_joint", "pieces_of"]

Numbers = NDArray[np.float64]
REAR, FRONT = "bed-rear-piece", "bed-front-piece"
MOULD = ("form-rear-piece", "form-front-piece")
FAR = 900.0
GAP = (0.03, 0.7)  # mm
BALL = 10.0  # mm that all of the joint lies behind the ball line, at the least
PULLED, HELD = 4.0, 10.0  # mm that a piece is pulled off ahead, mm2 of it that then meets the other
OTHER = 20.0  # mm2 by which the key of the other side has to miss
CLOSE = 0.01  # share by which volumes may differ


def pieces_of(side: str, outline: Any, records: Mapping[str, Any]) -> dict[str, Any]:
    """Return the outlines of both pieces by name, bed frame; nothing where a bed is whole."""
    found = records.get(f"{side}-{REAR}") or {}
    joint = found.get("joint")
    if not joint:
        return {}
    whole = shapely.Polygon(outline).buffer(0)
    ahead = _ahead(joint)
    half = float(joint["gap"]) / 2
    pieces = {
        REAR: whole.difference(ahead.buffer(half)),
        FRONT: whole.intersection(ahead.buffer(-half)),
    }
    for name, piece in pieces.items():
        if piece.geom_type != "Polygon":
            raise OutputError(f"manifest.json: the joint of {side}-{name} does not part its bed")
    return pieces


def _ahead(joint: Mapping[str, Any]) -> Any:
    """Return all that lies ahead of a joint."""
    line = np.array(joint["line"], dtype=float)
    if line[0, 1] > line[-1, 1]:
        line = line[::-1]
    ends = [(line[0, 0], -FAR), *line, (line[-1, 0], FAR), (FAR, FAR), (FAR, -FAR)]
    return shapely.Polygon(ends).buffer(0)


def check_joint(
    foot: Mapping[str, Any],
    records: Mapping[str, Any],
    volumes: Mapping[str, float],
    holes: float = 0.0,
) -> None:
    """Hold the joint of a foot's bed against the plan, and both pieces against the whole.

    Parameters
    ----------
    foot : mapping
        Its record in the plan.
    records : mapping
        What the manifest says of each part.
    volumes : mapping
        Of each part's mesh, cm3.
    holes : float
        Volume of the ventilation holes in both pieces, cm3.

    Raises
    ------
    OutputError
        A piece is missing, the gap or place is wrong, the pieces do not hold each other or are
        not, with the gap between them, the whole bed.
    """
    side = str(foot["side"])
    rear = _joint(f"{side} bed", side, (REAR, FRONT), records)
    if rear is None:
        return
    gap, line = float(rear["gap"]), np.array(rear["line"], dtype=float)
    _check_place(side, line, foot)
    pieces = pieces_of(side, foot["contour"]["outline"], records)
    _check_hold(side, pieces)
    _check_volume(f"{side} bed", rear, sum(volumes[f"{side}-{n}"] for n in (REAR, FRONT)) + holes)
    area = sum(piece.area for piece in pieces.values())
    whole = shapely.Polygon(foot["contour"]["outline"]).buffer(0)
    lost = gap * float(shapely.LineString(line).intersection(whole).length)
    if abs(area + lost - whole.area) > 0.1 * lost + 0.5:
        raise OutputError(f"the pieces of the {side} bed and their gap are not the whole bed")


def check_form(side: str, records: Mapping[str, Any], volumes: Mapping[str, float]) -> None:
    """Hold both pieces of a foot's form against each other and the whole; nothing where it is one.

    Raises
    ------
    OutputError
        A piece is missing, the gap is wrong, or the pieces and the gap are not the whole form.
    """
    rear = _joint(f"{side} form", side, MOULD, records)
    if rear is not None:
        _check_volume(f"{side} form", rear, sum(volumes[f"{side}-{name}"] for name in MOULD))


def _joint(
    what: str, side: str, names: tuple[str, str], records: Mapping[str, Any]
) -> Mapping[str, Any] | None:
    """Return the joint that both pieces of a part name; None where it is whole."""
    rear, front = (records.get(f"{side}-{name}", {}).get("joint") for name in names)
    if not rear and not front:
        return None
    if not rear or not front or (rear["piece"], front["piece"]) != ("rear", "front"):
        raise OutputError(f"manifest.json: the {what} is not in a rear and a front piece")
    if any(rear[key] != front[key] for key in ("line", "gap", "whole_cm3", "gap_cm3")):
        raise OutputError(f"manifest.json: the pieces of the {what} have two different joints")
    if not GAP[0] <= float(rear["gap"]) <= GAP[1]:
        raise OutputError(f"manifest.json: the {what} has a glue gap of {float(rear['gap']):g} mm")
    return dict(rear)


def _check_volume(what: str, joint: Mapping[str, Any], made: float) -> None:
    """Hold what both pieces take, cm3, against the whole less the gap."""
    wanted = float(joint["whole_cm3"]) - float(joint["gap_cm3"]) - float(joint["notch_cm3"])
    if abs(made - wanted) > CLOSE * wanted:
        raise OutputError(
            f"the pieces of the {what} are {made:.2f} cm³ together, the whole less the gap "
            f"{wanted:.2f} cm³"
        )


def _check_place(side: str, line: Numbers, foot: Mapping[str, Any]) -> None:
    marks = foot["landmarks"]
    ends = [marks[n] for n in ("metatarsale_tibiale", "metatarsale_fibulare") if n in marks]
    ends = ends or [marks[n] for n in ("mth1", "mth5") if n in marks]
    most = min(float(end[0]) for end in ends) if ends else -FAR
    whole = shapely.Polygon(foot["contour"]["outline"]).buffer(0)
    furthest = float(shapely.LineString(line).intersection(whole).bounds[2])
    if furthest > most - BALL:
        raise OutputError(
            f"the joint of the {side} bed lies {furthest:.0f} mm from the rear edge, the "
            f"ball line begins at {most:.0f} mm"
        )


def _check_hold(side: str, pieces: Mapping[str, Any]) -> None:
    """Pull the front piece off ahead, and try it turned over: neither may go."""
    rear, front = pieces[REAR], pieces[FRONT]
    if rear.intersection(front).area > 0.01:
        raise OutputError(f"the pieces of the {side} bed lie in one another")
    pulled = shapely.affinity.translate(front, PULLED)
    if rear.intersection(pulled).area < HELD:
        raise OutputError(f"the pieces of the {side} bed do not hold each other")
    over = shapely.affinity.scale(front, 1.0, -1.0, origin=(0.0, 0.0))
    meets = [
        rear.intersection(shapely.affinity.translate(over, 0.0, step)).area
        for step in np.arange(-10.0, 10.5, 0.5)  # with the borders in line
    ]
    if min(meets) < OTHER:
        raise OutputError(f"the front piece of the {side} bed goes in turned over")
