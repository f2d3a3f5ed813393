"""A traced foot: what came of a photograph, as data and as a file.

    Traced -> as_json -> bytes -> read -> Traced

The record is read back by ``fit``; a record of another version, or one that somebody edited into
something impossible, is refused in a sentence.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from footscan.files import why
from footscan.outline.errors import OutlineError
from footscan.outline.typed import Typed
from footscan.results import Finding, Landmark, Measure, ScanFacts, ScanReport, Severity, Verdict
from footscan.scan import Array, Load, Side, Unit
from footscan.told import findings_as_json

__all__ = ["KIND", "Traced", "as_json", "read"]

KIND, VERSION = "outline", 1
LARGEST = 2_000_000  # bytes; a record has some 60 kB
UNSEEN = {
    "instep_height": "an outline shows no heights",
    "arch_apex_height": "an outline shows no heights; an arch height by ruler is kept apart",
    "arch_height_index": "an outline shows no heights",
    "navicular_height": "an outline shows no heights",
    "truncated_length": "the first joint is not seen in an outline",
    "arch_index": "an outline shows no footprint",
    "chippaux_smirak": "an outline shows no footprint",
    "staheli": "an outline shows no footprint",
    "forefoot_angle": "an outline is flat",
    "heel_angle": "an outline is flat",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traced:
    """Everything known of a foot from its outline.

    Attributes
    ----------
    facts : ScanFacts
        Of the photo; ``kind`` is ``"outline"``.
    foot : None
        There is no surface.
    report : ScanReport
        Findings; the verdict is never better than fit for measuring only.
    landmarks : mapping of str to Landmark
        Foot frame, mm, z = 0.
    measures : mapping of str to Measure
        Names of ``measure``; what an outline does not show has a reason.
    sizes : mapping of str to object
        Shoe sizes.
    typed : Typed
        Values by hand.
    ring : ndarray, shape (n, 2)
        The foot's outline, foot frame (y medial on either side), mm.
    sheet, line : mapping of str to object
        What is known of paper and stroke, for the record.
    """

    facts: ScanFacts
    report: ScanReport
    landmarks: Mapping[str, Landmark]
    measures: Mapping[str, Measure]
    sizes: Mapping[str, object]
    typed: Typed
    ring: Array = field(repr=False)
    sheet: Mapping[str, Any]
    line: Mapping[str, Any]
    foot: None = None

    @property
    def side(self) -> Side:
        """Which foot it is."""
        return Side(self.facts.side)


def as_json(traced: Traced, version: str) -> dict[str, Any]:
    """Return the record of a traced foot as plain data."""
    facts = traced.facts
    return {
        "tool": {"name": "solewright", "version": version},
        "record": {"kind": KIND, "version": VERSION},
        "photo": {"file": facts.file, "sha256": facts.sha256},
        "side": facts.side,
        "side_confidence": facts.side_confidence,
        "side_evidence": facts.side_evidence,
        "load": facts.load,
        "scale_verified": facts.scale_verified,
        "sheet": dict(traced.sheet),
        "line": dict(traced.line),
        "verdict": traced.report.verdict.value,
        "findings": findings_as_json(traced.report.findings),
        "landmarks": {
            name: {
                "foot_mm": [round(float(v), 2) for v in mark.xyz],
                "sd_mm": round(mark.sd, 2),
                "method": mark.method,
            }
            for name, mark in sorted(traced.landmarks.items())
        },
        "measures": {
            name: (
                {
                    "value": round(m.value, 2),
                    "unit": m.unit,
                    "sd": round(m.sd or 0.0, 2),
                    "method": m.method,
                    "by_hand": m.by_hand,
                }
                if m.value is not None
                else {"value": None, "unit": m.unit, "reason": m.reason}
            )
            for name, m in traced.measures.items()
        },
        "sizes": dict(traced.sizes),
        "typed": traced.typed.record(),
        "ring_mm": np.round(traced.ring, 2).tolist(),
    }


def read(path: str | Path) -> Traced:
    """Return the traced foot in a record.

    Raises
    ------
    footscan.outline.errors.OutlineError
        The file cannot be read, or is not such a record.
    """
    path = Path(path)
    try:
        if path.stat().st_size > LARGEST:
            raise _bad(path, "it is too large")
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise _bad(path, why(error)) from None
    except (ValueError, RecursionError):
        raise _bad(path, "it is no JSON") from None
    try:
        return _traced(path, data)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _bad(path, "a line of it is missing or makes no sense") from None


def _bad(path: Path, why: str) -> OutlineError:
    return OutlineError(
        "not-a-record",
        f"{path.name} is no record of an outline: {why}; write it anew with "
        "'solewright trace PHOTO'",
    )


def _traced(path: Path, data: Any) -> Traced:
    if data["record"] != {"kind": KIND, "version": VERSION}:
        raise _bad(path, "it is of another kind or version")
    side, load = Side(data["side"]), Load(data["load"])
    ring = np.array(data["ring_mm"], dtype=float)
    if ring.ndim != 2 or ring.shape[1] != 2 or len(ring) < 50 or not np.isfinite(ring).all():
        raise ValueError("ring")
    measures = {str(name): _measure(m) for name, m in data["measures"].items()}
    length, breadth = (measures[name].value for name in ("foot_length", "foot_breadth"))
    if length is None or not 145.0 <= length <= 365.0 or breadth is None:
        raise ValueError("length")
    if abs(float(np.ptp(ring[:, 0])) - length) > 1.0:
        raise _bad(path, "its foot length is not that of its own outline")
    findings = tuple(
        Finding(
            code=str(f["code"]),
            severity=Severity(f["severity"]),
            text=str(f["text"]),
            advice=str(f["advice"]),
            region=str(f["region"]),
            value=f["value"],
            limit=f["limit"],
        )
        for f in data["findings"]
    )
    facts = ScanFacts(
        file=str(data["photo"]["file"]),
        sha256=str(data["photo"]["sha256"]),
        unit=Unit.MM,
        mm_per_unit=1.0,
        unit_evidence=str(data["sheet"]["evidence"]),
        side=str(side),
        side_confidence=float(data["side_confidence"]),
        side_evidence=str(data["side_evidence"]),
        kind=KIND,
        load=str(load),
        points=len(ring),
        faces=0,
        scale_verified=data["scale_verified"] is True,
    )
    return Traced(
        facts=facts,
        report=ScanReport(verdict=Verdict(data["verdict"]), findings=findings),
        landmarks={
            str(name): Landmark(
                xyz=np.array(m["foot_mm"], dtype=float),
                sd=float(m["sd_mm"]),
                method=str(m["method"]),
            )
            for name, m in data["landmarks"].items()
        },
        measures=measures,
        sizes=dict(data["sizes"]),
        typed=Typed(**data["typed"]),
        ring=ring,
        sheet=dict(data["sheet"]),
        line=dict(data["line"]),
    )


def _measure(data: Mapping[str, Any]) -> Measure:
    if data["value"] is None:
        return Measure(unit=str(data["unit"]), reason=str(data["reason"]))
    value, sd = float(data["value"]), float(data["sd"])
    if not (math.isfinite(value) and math.isfinite(sd)) or sd < 0:
        raise ValueError("measure")
    return Measure(
        value=value,
        unit=str(data["unit"]),
        sd=sd,
        method=str(data["method"]),
        by_hand=data["by_hand"] is True,
    )
