"""What a maker asked for beside the plan, on the 1:1 template: joint, bevel, holes, cover.

    Drawing (its parts) -> draw_extras, extra_rows, extra_callouts -> the template's pages

Joint, holes and cover stand on the page seen from above, the bevel on the one seen from below.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from footscan.scan import Array
from insole.output.ink import BLUE, GREY, ORANGE, Colour, stroke
from insole.output.papers.tiles import Drawing, Sheet, bed_places
from insole.parts.contour import REAR
from insole.parts.cover import COVER
from insole.parts.facts import joint_of
from insole.parts.part import Part

__all__ = ["draw_extras", "extra_callouts", "extra_rows"]

Row = tuple[str, Colour, float, tuple[float, ...] | None]
COVER_DASH = (6.0, 1.2)
BEVEL_DASH = (1.0, 0.8)


def draw_extras(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Draw joint, holes and cover, or from below the bevel's inner line and the holes."""
    for part in drawing.parts:
        if (vents := part.facts.vents) is not None:
            for hole in vents.places:
                ring = _circle(hole, vents.diameter / 2, drawing)
                stroke(canvas, sheet.at(ring), BLUE, 0.2)
        if sheet.face == "below":
            if (line := _bevel_line(part)) is not None:
                place = sheet.at(bed_places(line, drawing.foot.side))
                stroke(canvas, place, ORANGE, 0.25, dash=BEVEL_DASH)
            continue
        if part.name == REAR and (joint := joint_of(part.facts)) is not None:
            line = np.round(joint.line, 3)  # as the manifest has it
            stroke(canvas, sheet.at(line), ORANGE, 0.35, close=False)
    if sheet.face == "above" and COVER in drawing.rings:
        stroke(canvas, sheet.at(drawing.rings[COVER]), GREY, 0.35, dash=COVER_DASH)


def extra_rows(drawing: Drawing, face: str) -> list[Row]:
    """Return the rows of the key for what is drawn here, lowest first."""
    facts = [part.facts for part in drawing.parts]
    rows: list[tuple[str, Colour, float, tuple[float, ...] | None, bool]] = [
        ("ventilation hole: punch", BLUE, 0.2, None, any(one.vents is not None for one in facts)),
        (
            "bevel ends here",
            ORANGE,
            0.25,
            BEVEL_DASH,
            face == "below" and any(one.bevel is not None for one in facts),
        ),
        (
            "joint of the two pieces",
            ORANGE,
            0.35,
            None,
            face == "above" and any(joint_of(one) is not None for one in facts),
        ),
        ("cover: cut here, trim later", GREY, 0.35, COVER_DASH, _covered(drawing, face)),
    ]
    return [(words, colour, weight, dash) for words, colour, weight, dash, shown in rows if shown]


def extra_callouts(drawing: Drawing) -> list[tuple[Array, str, str]]:
    """Return what the words beside the foot point at: target in the bed frame, title, text."""
    found: list[tuple[Array, str, str]] = []
    for part in drawing.parts:
        facts = part.facts
        if part.name == REAR and (joint := joint_of(facts)) is not None:
            line = np.round(joint.line, 3)
            words = (
                f"{joint.station:.0f} mm from rear edge, two keys; gap for glue"
                f" {joint.gap:g} mm. Front piece ahead of the line, rear piece behind it"
            )
            found.append((line[len(line) // 2], "Joint of the two pieces", words))
        if facts.vents is not None and facts.vents.places:
            spots = bed_places(np.array(facts.vents.places), drawing.foot.side)
            words = f"{len(spots)} of {facts.vents.diameter:g} mm, before the cover is glued on"
            found.append((spots[spots[:, 0].argmax()], "Ventilation holes", words))
        if facts.bevel is not None:
            ring = bed_places(part.outline, drawing.foot.side)
            found.append((ring[ring[:, 0].argmax()], "Edge", facts.bevel.words))
        if part.name == COVER:
            ring = drawing.rings[COVER]
            found.append((ring[ring[:, 0].argmin()], "Cover", facts.words))
    return found


def _covered(drawing: Drawing, face: str) -> bool:
    return face == "above" and COVER in drawing.rings


def _circle(place: Any, radius: float, drawing: Drawing) -> Array:
    angle = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
    turn = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    return bed_places(np.array(place, dtype=float), drawing.foot.side) + turn


def _bevel_line(part: Part) -> Array | None:
    """Return where the bevel ends on the underside, worn frame; None without one."""
    if part.facts.bevel is None:
        return None
    inner = shapely.Polygon(part.outline).buffer(-part.facts.bevel.width)
    pieces = [piece for piece in shapely.get_parts(inner) if piece.geom_type == "Polygon"]
    if not pieces:
        return None
    largest = max(pieces, key=lambda piece: float(piece.area))
    return shapely.get_coordinates(largest.exterior)[:-1]
