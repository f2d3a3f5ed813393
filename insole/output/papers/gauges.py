"""Section gauges 1:1: cardboard that tells whether a ground or moulded part came out right.

    Plan -> write_gauges -> PDF, a page a foot

Each gauge is a strip of card whose lower edge is the part's top across one station. It stands on
the bench beside the part, medial and lateral ends marked: where light shows below it, too much
was taken off; where it rocks, there is still something to grind.

Stations are mm from the base's rear edge along its centreline; heights are above the face that
the part lies on (of a contoured bed: above the lowest place of its underside).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from shapely import LineString, Polygon

from footscan.scan import Array
from insole.output.ink import BLACK, GREY, MM, drawn, stroke, write
from insole.output.phrases import capital
from insole.planning.support.tops import ContourShape, PadTop
from insole.record.plan import FootPlan, Plan, fingerprint

__all__ = ["Gauge", "gauges_of", "has_gauges", "write_gauges"]

PAGE = (210.0, 297.0)  # mm; what is drawn fits Letter as well
BACK_MM = 12.0  # card above the highest place of a section
STEP_MM = 0.5
LEFT, TOP = 30.0, 262.0
RULER = 100.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gauge:
    """One section across a part.

    Attributes
    ----------
    name : str
        Where it is.
    station : float
        mm from the rear edge.
    y, z : ndarray, shape (n,)
        mm medial of the centreline, and height of the top above the face the part lies on.
    """

    name: str
    station: float
    y: Array
    z: Array


def has_gauges(plan: Plan) -> bool:
    """Return whether any part of a plan has a shaped top."""
    return any(foot.pad is not None or foot.contour is not None for foot in plan.feet)


def gauges_of(foot: FootPlan) -> list[Gauge]:
    """Return the sections of a foot's pad or contoured bed, rear first; none without either."""
    if foot.contour is not None:
        shape, ring = ContourShape(foot.contour), Polygon(foot.contour.outline)
        floor = np.asarray(foot.contour.bottom.z)
        low = float(floor.min())
        crest, front = foot.contour.crest.from_rear, foot.contour.front_edge
        heel = foot.landmarks.get("heel_centre", (0.3 * crest, 0.0, 0.0))[0]
        ball = min(front - 12.0, foot.landmarks.get("mth5", (front, 0.0, 0.0))[0] - 12.0)
        places = (("heel", heel), ("arch, at the crest", crest), ("behind the ball", ball))

        def top(x: Array, y: Array) -> Array:
            return shape.top(x, y) - low
    elif foot.pad is not None:
        pad, ring = PadTop(foot.pad), Polygon(foot.pad.outline)
        crest = foot.pad.crest.from_rear
        places = (
            ("rear half", (crest + foot.pad.rear_edge) / 2),
            ("at the crest", crest),
            ("front half", (crest + foot.pad.front_edge) / 2),
        )
        top = pad.at
    else:
        return []
    found = []
    for name, x in places:
        cut = ring.intersection(LineString([(x, -200.0), (x, 200.0)]))
        if cut.is_empty:
            continue
        low_y, high_y = cut.bounds[1], cut.bounds[3]
        y = np.linspace(low_y + 0.05, high_y - 0.05, max(8, int((high_y - low_y) / STEP_MM)))
        found.append(Gauge(name=name, station=float(x), y=y, z=top(np.full_like(y, x), y)))
    return found


def write_gauges(path: str | Path, plan: Plan) -> None:
    """Write the section gauges of a plan as a PDF, a page a foot; same plan, same bytes.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    with drawn(path, f"Section gauges, {plan.case}, plan {plan.version}", PAGE) as canvas:
        for foot in plan.feet:
            gauges = gauges_of(foot)
            if not gauges:
                continue
            canvas.scale(MM, MM)
            _draw_page(canvas, plan, foot, gauges)
            canvas.showPage()


def _draw_page(canvas: Any, plan: Plan, foot: FootPlan, gauges: list[Gauge]) -> None:
    part = foot.contour.name if foot.contour is not None else "arch pad"
    write(canvas, LEFT, TOP + 14.0, f"{foot.side.upper()} – section gauges", 7.0, bold=True)
    write(
        canvas,
        LEFT,
        TOP + 7.0,
        f"{capital(part)}, {plan.case}, plan {plan.version}"
        f" ({fingerprint(plan)}). Print at 100 %, measure the ruler.",
        2.8,
    )
    write(
        canvas,
        LEFT,
        TOP + 2.5,
        "Glue to card, cut along the thick lines. Seen from behind, as"
        " the foot is worn. Stand each on the bench at its station.",
        2.8,
    )
    low = TOP - 6.0
    for gauge in gauges:
        low -= float(gauge.z.max()) + BACK_MM
        _draw(canvas, foot, gauge, low)
        low -= 16.0
    _ruler(canvas)
    write(canvas, LEFT, 14.0, "Foot pain calls for clinical advice.", 2.6, colour=GREY)


def _draw(canvas: Any, foot: FootPlan, gauge: Gauge, low: float) -> None:
    """Draw one gauge with the bench line at page height `low`."""
    # seen from behind, a right foot has its big toe on the left
    flip = -1.0 if foot.side == "right" else 1.0
    middle = LEFT + 62.0
    y = middle + flip * gauge.y
    back = low + float(gauge.z.max()) + BACK_MM
    profile = np.column_stack([y, low + gauge.z])
    card = [(y[0], back), *profile.tolist(), (y[-1], back)]
    feet = [
        np.array([(edge, low), (edge, low + z)])
        for edge, z in ((y[0], gauge.z[0]), (y[-1], gauge.z[-1]))
    ]
    stroke(canvas, np.array(card), BLACK, 0.4)
    for line in feet:  # the part's own side: where the card ends
        stroke(canvas, line, GREY, 0.15, close=False, dash=(0.8, 0.8))
    bench = np.array([(min(y) - 6.0, low), (max(y) + 6.0, low)])
    stroke(canvas, bench, GREY, 0.2, close=False, dash=(1.6, 1.0))
    write(canvas, max(y) + 8.0, low - 0.8, "bench", 2.4, colour=GREY)
    title = f"{foot.side.upper()} {gauge.name}, {gauge.station:.0f} mm from the rear edge"
    write(canvas, middle, back + 1.5, title, 2.8, bold=True, align="middle")
    at = np.linspace(gauge.y[0], gauge.y[-1], 7)[1:-1]
    for place in at:
        z = float(np.interp(place, gauge.y, gauge.z))
        x = middle + flip * place
        stroke(canvas, np.array([(x, low + z), (x, low + z + 1.4)]), BLACK, 0.15, close=False)
        write(canvas, x, low + z + 2.0, f"{z:.1f}", 2.2, align="middle")
    for edge, words in ((gauge.y[0], "little-toe side"), (gauge.y[-1], "big-toe side")):
        x = middle + flip * edge
        out = 2.0 if x > middle else -2.0
        write(canvas, x + out, back - 3.0, words, 2.6, align="start" if out > 0 else "end")


def _ruler(canvas: Any) -> None:
    line = np.array([(LEFT, 22.0), (LEFT + RULER, 22.0)])
    stroke(canvas, line, BLACK, 0.25, close=False)
    for k in range(11):
        x, tall = LEFT + 10.0 * k, 4.0 if k in (0, 10) else 2.0
        stroke(canvas, np.array([(x, 22.0), (x, 22.0 + tall)]), BLACK, 0.25, close=False)
    write(canvas, LEFT + RULER + 3.0, 22.0, "100 mm", 2.6)
