"""A measured foot as plain data, as files and screens have it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from footscan.results import Finding, MeasuredFoot
from footscan.scan import Array

__all__ = ["as_json", "findings_as_json"]


def findings_as_json(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Return findings as records have them."""
    return [
        {
            "code": f.code,
            "severity": f.severity.value,
            "text": f.text,
            "advice": f.advice,
            "region": f.region,
            "value": f.value,
            "limit": f.limit,
        }
        for f in findings
    ]


def as_json(measured: MeasuredFoot, version: str) -> dict[str, Any]:
    """Return the record that ``measure --json`` prints for one scan."""
    facts = measured.facts
    inverse = np.linalg.inv(measured.foot.pose)
    return {
        "tool": {"name": "solewright", "version": version},
        "scan": {
            "file": facts.file,
            "sha256": facts.sha256,
            "unit": facts.unit.value if facts.unit else None,
            "mm_per_unit": facts.mm_per_unit,
            "unit_evidence": facts.unit_evidence,
            "side": facts.side,
            "side_confidence": facts.side_confidence,
            "side_evidence": facts.side_evidence,
            "kind": facts.kind,
            "load": facts.load,
            "points": facts.points,
            "faces": facts.faces,
        },
        "verdict": measured.report.verdict.value,
        "findings": findings_as_json(measured.report.findings),
        "pose": measured.foot.pose.tolist(),
        "axis_method": measured.foot.axis_method,
        "landmarks": {
            name: {
                "foot_mm": _rounded(mark.xyz),
                "scanner_mm": _rounded(inverse[:3, :3] @ mark.xyz + inverse[:3, 3]),
                "sd_mm": round(mark.sd, 2),
                "method": mark.method,
            }
            | (
                {"automatic_foot_mm": _rounded(mark.automatic)}
                if mark.automatic is not None
                else {}
            )
            for name, mark in sorted(measured.landmarks.items())
        },
        "measures": {
            name: (
                {"value": round(m.value, 4), "unit": m.unit, "sd": m.sd, "method": m.method}
                if m.value is not None
                else {"value": None, "unit": m.unit, "reason": m.reason}
            )
            for name, m in measured.measures.items()
        },
        "sizes": dict(measured.sizes),
    }


def _rounded(xyz: Array) -> list[float]:
    return [round(float(value), 3) for value in xyz]
