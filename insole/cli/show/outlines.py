"""What is shown of traced outlines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from insole.cli.typed import advice

if TYPE_CHECKING:
    from footscan.outline.insole import InsoleOutline
    from footscan.outline.traced import Traced

__all__ = ["insole", "insole_record", "traced"]

COVERAGE = 1.96  # 95 % of a normal spread


def traced(foot: Traced) -> str:
    """Return a traced foot as text: side, measures with their 95 % band, findings."""
    from insole.output.pictures.outline import rows

    lines = [
        f"{foot.facts.file}: {foot.side} foot, from an outline; {foot.report.verdict}",
        f"   side: {foot.facts.side_evidence}",
        f"   sheet: {foot.sheet['words']}, {foot.sheet['evidence']}; sides ± "
        f"{foot.sheet['tolerance_mm']:g} mm",
    ]
    lines += [f"   {words:22} {value}" for words, value in rows(foot)]
    lines.append(f"   Mondopoint {foot.sizes['mondopoint']}; ± is 95 %")
    lines += [f"   {f.severity}: {f.text}; {advice(f)}" for f in foot.report.findings]
    return "\n".join(lines)


def insole(found: InsoleOutline, path: Path) -> str:
    """Return what a shoe file takes from the outline of a stock insole."""
    band = COVERAGE * found.sd
    return "\n".join(
        (
            f"{found.file}: {found.side} stock insole on {found.paper}",
            f"   length {found.length:.1f}, ball {found.ball_width:.1f}, heel "
            f"{found.heel_width:.1f} "
            f"mm, each ± {band:.1f} mm or less (95 %)",
            f"   outline in {path}; for a new shoe file, with the drop measured in the shoe:",
            f"   solewright shoe new SHOE.toml --name NAME --length {found.length:.0f} "
            f"--ball-width {found.ball_width:.0f} --heel-width {found.heel_width:.0f} --drop MM "
            f"--outline {path} --side {found.side}",
        )
    )


def insole_record(found: InsoleOutline, path: Path) -> dict[str, Any]:
    """Return the same as plain data, mm."""
    return {
        "photo": found.file,
        "side": str(found.side),
        "paper": found.paper,
        "length": round(found.length, 2),
        "ball_width": round(found.ball_width, 2),
        "heel_width": round(found.heel_width, 2),
        "sd": found.sd,
        "outline": str(path),
    }
