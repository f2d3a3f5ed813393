"""What workers do with photographed outlines: trace a foot or an insole, rank shoes for them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from insole.desk import shown

__all__ = ["TASKS"]

Say = Callable[[str], None]
FIRST_TRIAL = "first-trial.pdf"


def outline(say: Say, photo: Path, out: Path, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Trace a foot, write record and picture into `out`, and return what was found."""
    from footscan.errors import FootscanError
    from footscan.outline.trace import Asked
    from footscan.outline.typed import Typed
    from footscan.scan import Load, Side
    from insole import __version__, remote

    say("looking for sheet, line and foot")
    one = Asked(
        paper=asked["paper"],
        side=Side(asked["side"]) if asked["side"] else None,
        barrel=asked["pen"],
        load=Load(asked["load"]) if asked["load"] else Load.UNKNOWN,
        typed=Typed(**asked["typed"]),
    )
    (found,) = remote.trace_each([photo], [one])
    if isinstance(found, FootscanError):
        raise found
    kept = remote.keep(found, out, __version__, set(out.glob("*.json")))
    told = _told(found.traced, kept.record, kept.picture)
    return told | {"replaced": _replaced(kept.record, told["side"])}


def _replaced(record: Path, side: str) -> list[str]:
    """Drop what an earlier photo of this foot gave, and return the names of those photos.

    A set is one rider's pair: a photo that was taken again stands for the one before.
    """
    from footscan.errors import FootscanError
    from footscan.outline import traced

    names = []
    for other in sorted(record.parent.glob("*.outline.json")):
        if other == record:
            continue
        try:
            before = traced.read(other)
        except FootscanError:
            continue
        if str(before.side) == side:
            names.append(before.facts.file)
            for path in (other, other.with_name(other.name.replace(".json", ".png"))):
                path.unlink(missing_ok=True)
    return names


def outline_record(say: Say, path: Path) -> dict[str, Any]:
    """Return what a record of an outline says."""
    from footscan.outline import traced

    told = _told(traced.read(path), path, None)
    return told | {"replaced": _replaced(path, told["side"])}


def _told(foot: Any, record: Path, picture: Path | None) -> dict[str, Any]:
    from insole.output.pictures.outline import rows

    return {
        "file": foot.facts.file,
        "side": str(foot.side),
        "side_words": foot.facts.side_evidence,
        "verdict": str(foot.report.verdict.value),
        "sheet": foot.sheet["words"],
        "rows": [*map(list, rows(foot)), ["Mondopoint", str(foot.sizes["mondopoint"])]],
        "findings": [
            {"level": str(f.severity.value), "text": f.text, "advice": f.advice}
            for f in foot.report.findings
        ],
        "record": record.name,
        "picture": picture.name if picture is not None else "",
    }


def insole_outline(say: Say, photo: Path, out: Path, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Trace a stock insole and write its outline for a shoe file into `out`."""
    from footscan.scan import Side
    from insole import remote

    say("looking for sheet and line")
    found = remote.trace_insole(photo, Side(asked["side"]), asked["paper"], asked["pen"])
    path = remote.keep_insole(found, out)
    band = 1.96 * found.sd
    names = (("length", found.length), ("ball", found.ball_width), ("heel", found.heel_width))
    return {
        "file": found.file,
        "side": str(found.side),
        "insole": True,
        "sheet": found.paper,
        "rows": [[name, f"{value:.1f} ± {band:.1f} mm"] for name, value in names],
        "findings": [],
        "record": path.name,
        "picture": "",
    }


def outline_fit(
    say: Say, folder: Path, shoes: Sequence[Path], kit: Path | None, limits: Path | None
) -> dict[str, Any]:
    """Rank shoes for the outlines of a folder and write the page of a first trial beside them."""
    from insole import remote

    records = sorted(folder.glob("*.outline.json"))
    page = folder / FIRST_TRIAL
    page.unlink(missing_ok=True)
    ranked = remote.first_trial(records, shoes, page, kit=kit, own_limits=limits)
    return {"ranked": [shown.fit_shown(one) for one in ranked], "page": FIRST_TRIAL}


TASKS: dict[str, Callable[..., Any]] = {
    "insole_outline": insole_outline,
    "outline": outline,
    "outline_fit": outline_fit,
    "outline_record": outline_record,
}
