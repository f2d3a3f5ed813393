"""The placement picture, looked at like a person would: whose foot, which way, which edge is thick.

    PNG -> letters above the feet -> LEFT, RIGHT;  colours of base and thick edges -> which way

Only what can be told from single colours is asked: words beside the feet are the papers' own.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from insole.errors import OutputError
from insole.readback.carved import read_ink
from insole.readback.stations import ends_across
from insole.readback.told import Told, mirrored

__all__ = ["check_placement"]

Numbers = NDArray[np.float64]
HEAD = 0.12  # of the picture's height: where the feet's names stand
DARK = 110  # of 255
EDGE = (184, 80, 0)
GROUND = ((243, 241, 234), (238, 189, 141), (246, 217, 189))  # base, shim, its tapers
ALIKE = 3  # of 255
COARSE = 2  # pixels: every second one shows a foot well enough
STATIONS = 41  # along a foot, at which its middle is looked at
ASKED_MM = 1.0  # a foot less bent than this could be either
WITHIN_MM = 4.0  # lines across a shim are left out
CLEARLY = 1.5  # times as much ink on the thick side as on the thin one


def check_placement(path: Path, told: Told) -> None:
    """Hold the placement picture against the plan.

    Parameters
    ----------
    path : Path
        The PNG.
    told : Told
        The plan.

    Raises
    ------
    insole.errors.OutputError
        A foot is not there, stands under the other one's name, is drawn as the other one, or has
        the thick edge of its shim on the thin side.
    """
    from PIL import Image

    picture = np.asarray(Image.open(path).convert("RGB"), dtype=np.int16)
    head = picture[: int(HEAD * len(picture))].max(axis=2) < DARK
    names = [(text, at) for text, at in read_ink(head) if text in ("LEFT", "RIGHT")]
    names.sort(key=lambda one: one[1])
    wanted = [str(foot["side"]).upper() for foot in told.feet]
    if [text for text, _ in names] != wanted:
        said = ", ".join(text for text, _ in names) or "no foot"
        raise OutputError(f"{path.name} names {said}, the plan has {', '.join(wanted)}")
    half = picture.shape[1] / len(names) / 2
    for foot, (_, at) in zip(told.feet, names, strict=True):
        low, high = max(int(at - half), 0), int(at + half)
        _check_foot(path.name, foot, picture[::COARSE, low:high:COARSE])


def _check_foot(name: str, foot: dict[str, Any], picture: NDArray[np.int16]) -> None:
    """Look which way the foot bends and where the thick edges lie."""
    outline, side = np.array(foot["base"]["outline"], dtype=float), str(foot["side"])
    edges = _near(picture, EDGE)
    ground = [_near(picture, colour) for colour in GROUND]
    row, column = np.nonzero(np.any([*ground, edges], axis=0))
    if not len(row):
        return  # a bed lies on all of it
    x = outline[:, 0]
    length, wide = np.ptp(outline, axis=0)
    scale = np.ptp(row) / length  # pixels of 1 mm
    if abs(np.ptp(column) / scale - wide) > 0.05 * wide:
        return  # its ends are covered
    page = -mirrored(side)  # +1: medial is to the right on the page
    rows = np.linspace(row.min(), row.max(), STATIONS + 2)[1:-1].astype(int)
    drawn = np.array([(column[row == k].min() + column[row == k].max()) / 2 for k in rows])
    shape, stations = shapely.Polygon(outline), x.min() + (row.max() - rows) / scale
    planned = np.array([sum(ends_across(shape, at)) / 2 for at in stations])
    away = [drawn - middle * scale * page for middle in (planned, -planned)]
    as_planned, turned = (float(np.median(np.abs(d - np.median(d)))) / scale for d in away)
    if turned + as_planned > ASKED_MM and as_planned > turned:
        raise OutputError(f"{name}: the {side} foot is drawn as the other one")
    frame = row.max() + scale * float(x.min()), float(np.median(away[0])), scale * page
    _check_edges(name, foot, edges, frame)


def _check_edges(
    name: str, foot: dict[str, Any], ink: NDArray[np.bool_], frame: tuple[float, float, float]
) -> None:
    """Look on which side of each shim the thick edge is marked."""
    rear, middle, medial = frame
    scale = abs(medial)
    wedges = foot["wedges"]
    for wedge in wedges:
        low, high = float(wedge["full_from"]), float(wedge["full_to"])
        alike = {one["net"] > 0 for one in wedges if _meet(one, wedge)}
        if len(alike) > 1 or high - low < 3 * WITHIN_MM:
            continue
        rows = slice(int(rear - (high - WITHIN_MM) * scale), int(rear - (low + WITHIN_MM) * scale))
        _, column = np.nonzero(ink[rows])
        ring = np.array(wedge["outline"], dtype=float)
        at = (column - middle) / medial - (ring[:, 1].min() + ring[:, 1].max()) / 2
        inner, outer = int((at > 0).sum()), int((at < 0).sum())
        thick, thin = (inner, outer) if float(wedge["net"]) > 0 else (outer, inner)
        if thick < CLEARLY * thin:
            where = f"{foot['side']} foot, {wedge['place']}"
            raise OutputError(f"{name}: {where}: the thick edge is not marked on the thick side")


def _meet(one: dict[str, Any], other: dict[str, Any]) -> bool:
    return bool(one["full_from"] < other["full_to"] and other["full_from"] < one["full_to"])


def _near(picture: NDArray[np.int16], colour: tuple[int, int, int]) -> NDArray[np.bool_]:
    return np.asarray((np.abs(picture - np.array(colour, dtype=np.int16)) <= ALIKE).all(axis=2))
