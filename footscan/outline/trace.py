"""The way: a photograph becomes a traced foot.

    path -> photo -> sheet -> flat -> contour -> ring -> side -> marks -> measures -> Traced

Every step refuses what it cannot do with one sentence (``OutlineError``); none guesses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from footscan.measuring.sizes import sizes
from footscan.outline import contour as contours
from footscan.outline import gaps, line, marks, measures, photo, remarks, sheet
from footscan.outline.asked import NOTHING, Asked
from footscan.outline.contour import Contour
from footscan.outline.errors import OutlineError
from footscan.outline.line import Flat
from footscan.outline.marks import Marks, SideFound
from footscan.outline.measures import Budget
from footscan.outline.paper import PAPERS
from footscan.outline.photo import Photo
from footscan.outline.sheet import Sheet
from footscan.outline.traced import KIND, UNSEEN, Traced
from footscan.results import Measure, ScanFacts, ScanReport, Severity, Verdict
from footscan.scan import Side, Unit

__all__ = ["Asked", "Found", "outline_of", "side_of", "trace", "trace_photo"]

RARE_MM = 315.0  # longer is one man in some thousands (ANSUR II 2012: mean 271, deviation 13 mm)
JOINT_MM = 4.0  # a crease so near to the middle may be the joint of two sheets


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """What was found, for the picture beside the result."""

    photo: Photo
    sheet: Sheet
    flat: Flat
    contour: Contour
    marks: Marks
    traced: Traced


def trace(path: str | Path, asked: Asked = NOTHING) -> Found:
    """Return the traced foot of a photograph.

    Raises
    ------
    footscan.outline.errors.OutlineError
        The photograph cannot be used; see there for the reasons.
    """
    return trace_photo(photo.read(path), asked)


def outline_of(picture: Photo, paper: str | None) -> tuple[Sheet, Flat, Contour]:
    """Return sheet, flattened picture and drawn line of a photograph."""
    found = sheet.find(picture, paper)
    flat = line.flatten(picture, found)
    return found, flat, contours.contour(flat, picture.name)


def trace_photo(picture: Photo, asked: Asked = NOTHING) -> Found:
    """Return the traced foot of a photograph that is read already."""
    found, flat, drawn = outline_of(picture, asked.paper)
    ring = marks.foot_ring(drawn.ring, asked.allowance)
    ahead = marks.forward(ring, picture.name)
    gaps.bearable(drawn, ahead, ring, picture.name)
    told = marks.find_side(ahead)
    side, certain, evidence = side_of(picture, told, asked.side)
    placed = marks.marks(ahead, ring, side)
    budget = _budget(found, drawn, asked)
    _not_a_pair(picture, asked, found, flat, placed.length)
    values = measures.measure(placed, budget) | asked.typed.measures()
    values |= {name: Measure(reason=reason) for name, reason in UNSEEN.items()}
    findings = remarks.findings(found, drawn, values, asked)
    length, breadth = values["foot_length"].value, values["foot_breadth"].value
    assert length is not None
    hand_length = asked.typed.foot_length
    verified = hand_length is not None and not any(f.code == "length-contradicts" for f in findings)
    facts = ScanFacts(
        file=picture.name,
        sha256=picture.sha256,
        unit=Unit.MM,
        mm_per_unit=1.0,
        unit_evidence=found.evidence,
        side=str(side),
        side_confidence=certain,
        side_evidence=evidence,
        kind=KIND,
        load=str(asked.load),
        points=len(placed.ring),
        faces=0,
        scale_verified=verified,
    )
    again = any(f.severity is Severity.AGAIN for f in findings)
    traced = Traced(
        facts=facts,
        report=ScanReport(
            verdict=Verdict.AGAIN if again else Verdict.MEASURING, findings=tuple(findings)
        ),
        landmarks=measures.landmarks(placed, budget),
        measures=values,
        sizes=sizes(length, breadth),
        typed=asked.typed,
        ring=placed.ring,
        sheet=_sheet_record(found),
        line=_line_record(drawn, asked),
    )
    return Found(photo=picture, sheet=found, flat=flat, contour=drawn, marks=placed, traced=traced)


def _not_a_pair(picture: Photo, asked: Asked, found: Sheet, flat: Flat, length: float) -> None:
    """Refuse a small foot on one A4 with a joint in its middle: two taped have A4's proportions.

    Raises
    ------
    footscan.outline.errors.OutlineError
        It must be stated which it is.
    """
    pair = PAPERS["a4-pair"]
    long = length * pair.long / found.paper.long
    if asked.paper is not None or asked.typed.foot_length is not None or found.paper.key != "a4":
        return
    joint = any(abs(at - found.paper.long / 2) < JOINT_MM for at in flat.creases)
    if joint and long <= RARE_MM:  # a foot longer than that is far rarer than a folded sheet
        raise OutlineError(
            "paper-unclear",
            f"{picture.name}: a line crosses the middle of the sheet: one A4 that was folded, "
            f"with a foot of {length:.0f} mm, or {pair.words}, with one of {long:.0f} mm; state "
            "which it is",
        ).asking("sheet")


def _sheet_record(found: Sheet) -> dict[str, Any]:
    """Return what is kept of the sheet."""
    return {
        "paper": found.paper.key,
        "words": found.paper.words,
        "evidence": found.evidence,
        "size_mm": [found.paper.short, found.paper.long],
        "tolerance_mm": found.paper.off,
        "px_per_mm": round(found.px_per_mm, 2),
        "lens_bend": round(found.bend, 4),
        "stray_mm": round(found.stray, 2),
        "smear_mm": round(found.smear, 2),
    }


def _line_record(drawn: Contour, asked: Asked) -> dict[str, Any]:
    """Return what is kept of pen and line."""
    return {
        "barrel_mm": 2 * asked.allowance,
        "barrel_stated": asked.barrel is not None,
        "allowance_mm": asked.allowance,
        "allowance_sd_mm": round(asked.allowance_sd, 2),
        "width_mm": round(drawn.width, 2),
        "contrast": round(drawn.contrast, 3),
        "seen_share": round(float(drawn.seen.mean()), 3),
        "longest_gap_mm": round(drawn.longest_gap, 1),
        "double_share": round(float((drawn.strokes_apart > 0).mean()), 3),
    }


def side_of(picture: Photo, told: SideFound, stated: Side | None) -> tuple[Side, float, str]:
    """Return side, confidence and evidence.

    Raises
    ------
    footscan.outline.errors.OutlineError
        The shape does not tell, the photograph may be mirrored, or shape and statement differ.
    """
    certain = 1.0 / (1.0 + math.exp(-abs(told.weight)))
    if stated is not None:
        if told.side is not None and told.side is not stated:
            raise OutlineError(
                "side-contradicted",
                f"{picture.name}: stated as the {stated} foot, but its shape "
                f"is that of a {told.side} foot ({told.evidence}); check the side, and that the "
                "photo is not mirrored",
            )
        return stated, 1.0, f"stated; {told.evidence}"
    if picture.front:
        raise OutlineError(
            "side-unclear",
            f"{picture.name} was taken with the front camera, which may mirror: "
            "left and right cannot be told; state the side, or take it with the rear camera",
        ).asking("side")
    if told.side is None:
        raise OutlineError(
            "side-unclear",
            f"{picture.name}: left and right cannot be told from the shape "
            f"({told.evidence}); state it",
        ).asking("side")
    return told.side, certain, told.evidence


def _budget(found: Sheet, drawn: Contour, asked: Asked) -> Budget:
    """Return what the outline is uncertain by."""
    apart, inner = drawn.strokes_apart, drawn.inner_taken
    # a stroke outside the other is so on both borders at once, as a pen's lean is
    outside = float(np.sqrt(np.mean(np.where(inner, apart, 0.0) ** 2))) / 2
    double = float(np.sqrt(np.mean(np.where(inner, 0.0, apart) ** 2))) / 2
    bridged = 0.02 * drawn.longest_gap * float((~drawn.seen).mean() > 0.01)
    return Budget(
        scale=float(found.paper.scale_sd),
        pen=math.hypot(asked.allowance_sd, outside),
        strokes=math.hypot(double, bridged, found.stray),
    )
