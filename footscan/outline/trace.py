"""The way: a photograph becomes a traced foot.

    path -> photo -> sheet -> flat -> contour -> ring -> side -> marks -> measures -> Traced

Every step refuses what it cannot do with one sentence (``OutlineError``); none guesses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from footscan.measuring.sizes import sizes
from footscan.outline import contour as contours
from footscan.outline import gaps, line, marks, measures, photo, sheet
from footscan.outline import typed as hand
from footscan.outline.contour import Contour
from footscan.outline.errors import OutlineError
from footscan.outline.line import Flat
from footscan.outline.marks import Marks, SideFound
from footscan.outline.measures import Budget
from footscan.outline.paper import PAPERS
from footscan.outline.photo import Photo
from footscan.outline.sheet import Sheet
from footscan.outline.traced import KIND, UNSEEN, Traced
from footscan.outline.typed import Typed
from footscan.results import Finding, Measure, ScanFacts, ScanReport, Severity, Verdict
from footscan.scan import Load, Side, Unit

__all__ = ["Asked", "Found", "outline_of", "side_of", "trace", "trace_photo"]

BARREL_MM = 7.0  # of a pencil; common practice, no source
BARREL_RANGE_MM = (0.0, 20.0)  # 0: the line itself is the edge
LEAN_SD_MM = 0.5  # of a pen held upright; common practice, no source
BARREL_SD_MM = 0.7  # of half a barrel that nobody measured: pens have 6 to 10 mm
BREADTH_SHARE = (0.32, 0.45)  # of the length, ANSUR II 2012: else it is no outline of a foot
ADULT_MM = (198.0, 323.0)  # shortest and longest of 6068 adults, ANSUR II 2012
RARE_MM = 315.0  # longer is one man in some thousands (ANSUR II 2012: mean 271, deviation 13 mm)
JOINT_MM = 4.0  # a crease so near to the middle may be the joint of two sheets
GAP_MM = 8.0  # a shorter gap is not worth a word


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is known beside the photo.

    Attributes
    ----------
    paper : str or None
        Key of :data:`footscan.outline.paper.PAPERS`; None tells A4 from Letter.
    side : Side or None
        None: told from the shape, or asked for.
    barrel : float or None
        Diameter of the pen, mm; None takes a pencil's, with a wider band.
    load : Load
        How the rider stood.
    typed : Typed
        Values by hand.
    """

    paper: str | None = None
    side: Side | None = None
    barrel: float | None = None
    load: Load = Load.UNKNOWN
    typed: Typed = field(default_factory=Typed)

    def __post_init__(self) -> None:
        low, high = BARREL_RANGE_MM
        if self.barrel is not None and not low <= self.barrel <= high:
            raise OutlineError(
                "typed", f"the pen's barrel must have {low:g} to {high:g} mm, got {self.barrel:g}"
            )

    @property
    def allowance(self) -> float:
        """How far the line lies outside the foot, mm."""
        return (BARREL_MM if self.barrel is None else self.barrel) / 2

    @property
    def allowance_sd(self) -> float:
        """Standard deviation of the allowance, mm."""
        return math.hypot(LEAN_SD_MM, BARREL_SD_MM if self.barrel is None else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """What was found, for the picture beside the result."""

    photo: Photo
    sheet: Sheet
    flat: Flat
    contour: Contour
    marks: Marks
    traced: Traced


def trace(path: str | Path, asked: Asked = Asked()) -> Found:
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


def trace_photo(picture: Photo, asked: Asked = Asked()) -> Found:
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
    findings = _findings(found, drawn, values, asked)
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


def _findings(
    found: Sheet, drawn: Contour, values: dict[str, Measure], asked: Asked
) -> list[Finding]:
    """Return what is to be said about a traced foot."""
    return [
        *_of_the_line(found, drawn, asked),
        *_of_the_foot(found, values, asked),
        *hand.contradictions(asked.typed, values),
    ]


def _of_the_line(found: Sheet, drawn: Contour, asked: Asked) -> list[Finding]:
    """Return what is to be said about sheet, pen and line."""
    notes = [
        _note(
            "from-an-outline",
            Severity.MEASURING,
            "from an outline on paper: lengths and breadths only, no heights and no sole",
            "choose a shoe by it; scan the foot before parts are made to its arch",
        )
    ]
    if found.paper.off > 3:
        notes.append(
            _note(
                "two-sheets",
                Severity.NOTE,
                f"the scale comes from {found.paper.words}",
                "the joint must be tight, without a gap or an overlap",
            )
        )
    if asked.barrel is None:
        notes.append(
            _note(
                "pen-not-stated",
                Severity.NOTE,
                f"the pen was taken as {BARREL_MM:g} mm thick, its line {asked.allowance:g} ± "
                f"{1.96 * asked.allowance_sd:.1f} mm outside the foot",
                "measure the pen and state it",
            )
        )
    if drawn.longest_gap > GAP_MM:
        notes.append(
            _note(
                "gap-bridged",
                Severity.NOTE,
                f"the line has gaps, the longest {drawn.longest_gap:.0f} mm; they were bridged",
                "look at the picture beside the result",
                drawn.longest_gap,
            )
        )
    share = float((drawn.strokes_apart > 0).mean())
    if share > 0.05:
        notes.append(
            _note(
                "double-stroke",
                Severity.NOTE,
                f"the line was drawn twice on {100 * share:.0f} % of its way, up to "
                f"{drawn.strokes_apart.max():.1f} mm apart; {_taken(drawn)}",
                "draw each outline once",
                share,
            )
        )
    return notes


def _taken(drawn: Contour) -> str:
    """Return which of two strokes was taken."""
    inner = float(drawn.inner_taken.sum() / max((drawn.strokes_apart > 0).sum(), 1))
    if inner < 0.02:
        return "their middle was taken"
    where = "" if inner > 0.9 else " where one runs outside the other for long, else their middle"
    return f"the inner one, nearer to the foot, was taken{where}"


def _of_the_foot(found: Sheet, values: dict[str, Measure], asked: Asked) -> list[Finding]:
    """Return what is to be said about load, length and proportion."""
    length, breadth = values["foot_length"], values["foot_breadth"]
    assert length.value is not None
    assert breadth.value is not None
    notes = []
    if asked.load is Load.UNKNOWN:
        notes.append(
            _note(
                "load-unknown",
                Severity.NOTE,
                "how much weight was on the foot is not known",
                "state it; half is standing on both feet",
            )
        )
    if found.paper.key == "a4" and asked.paper is None and asked.typed.foot_length is None:
        long = length.value * PAPERS["a4-pair"].long / found.paper.long
        if long <= ADULT_MM[1]:
            notes.append(
                _note(
                    "one-sheet-taken",
                    Severity.MEASURING,
                    f"one A4 sheet was taken: on two that were taped the foot would be {long:.0f} "
                    "mm long",
                    "state which it was, or the foot's length by hand",
                    long,
                )
            )
    if not ADULT_MM[0] <= length.value <= ADULT_MM[1]:
        notes.append(
            _note(
                "length-unusual",
                Severity.MEASURING,
                f"a foot of {length.value:.0f} mm is outside what adults have (198 to 323 mm)",
                "check which paper was used; measure the foot by hand and state its length",
                length.value,
            )
        )
    ratio = breadth.value / length.value
    if not BREADTH_SHARE[0] <= ratio <= BREADTH_SHARE[1]:
        notes.append(
            _note(
                "proportion",
                Severity.AGAIN,
                f"the breadth is {100 * ratio:.0f} % of the length, feet have 32 to 45 %",
                "draw around the bare foot with the pen upright, and photograph the sheet again",
                ratio,
            )
        )
    return notes


def _note(
    code: str, severity: Severity, text: str, advice: str, value: float | None = None
) -> Finding:
    return Finding(
        code=code,
        severity=severity,
        text=text,
        advice=advice,
        value=None if value is None else round(value, 3),
    )
