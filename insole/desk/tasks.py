"""What worker processes do: measure, plan, fit, build, make. Called by name from the server.

Each task gets what says sentences, and plain arguments; each calls the front door of the package.
A worker keeps the last feet it was given, so that a live plan does not send them again.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from footscan.results import MeasuredFoot
from insole.desk import shown, shown_foot, traced

__all__ = ["TASKS", "UNKNOWN"]

KEPT = 8
UNKNOWN = "foot not known here"  # what a task returns when the foot has to be sent along
FEET: OrderedDict[str, MeasuredFoot] = OrderedDict()
BENCHES: OrderedDict[tuple[Any, ...], Any] = OrderedDict()  # what live plans have in common
Say = Callable[[str], None]


def _foot(key: str, sent: MeasuredFoot | None) -> MeasuredFoot | None:
    if sent is not None:
        FEET[key] = sent
        while len(FEET) > KEPT:
            FEET.popitem(last=False)
    return FEET.get(key)


def measure(say: Say, files: Sequence[Path], stated: Mapping[str, Any]) -> list[MeasuredFoot]:
    """Return the feet in a scan."""
    import footscan

    say("reading the scan, finding the foot, measuring it")
    return list(footscan.measure_feet(list(files), **stated))


def check(say: Say, files: Sequence[Path], stated: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the feet in a scan as a technician sees them."""
    return [
        shown_foot.foot_shown(foot) | {"sole": shown_foot.sole_thumb(foot)}
        for foot in measure(say, files, stated)
    ]


def preview(say: Say, side: str, key: str, sent: MeasuredFoot | None, asked: dict[str, Any]) -> Any:
    """Return one foot's plan for the page, or `UNKNOWN`."""
    import insole

    foot = _foot(key, sent)
    if foot is None:
        return UNKNOWN
    wishes = dict(asked)
    files = {name: wishes.pop(name) for name in ("shoe", "kit", "limits")}
    known = (side, key, *((f, f.stat().st_mtime_ns if f else 0) for f in files.values()))
    if known not in BENCHES:
        left, right = (foot if side == name else None for name in ("left", "right"))
        BENCHES[known] = insole.Bench(left=left, right=right, **files)
        while len(BENCHES) > KEPT:
            BENCHES.popitem(last=False)
    plan = BENCHES[known].plan(**wishes)
    planned = plan.left if side == "left" else plan.right
    assert planned is not None
    return shown.plan_shown(plan, planned)


def plan(say: Say, feet: Mapping[str, MeasuredFoot], asked: dict[str, Any]) -> str:
    """Return the plan of both feet as JSON text."""
    import insole
    from insole.record.plan import to_json

    say("planning both feet")
    return to_json(insole.plan(left=feet.get("left"), right=feet.get("right"), **asked))


def show(say: Say, text: str) -> dict[str, Any]:
    """Return a kept plan for the page, by side."""
    from insole.record.plan import from_json

    kept = from_json(text)
    return {foot.side: shown.plan_shown(kept, foot) for foot in kept.feet}


def fit(
    say: Say, feet: Mapping[str, MeasuredFoot], shoes: Sequence[Path], limits: Path | None
) -> list[dict[str, Any]]:
    """Return the shoes ranked, best first, with the room at each station."""
    import insole

    ranked = insole.fit(
        left=feet.get("left"), right=feet.get("right"), shoes=list(shoes), limits=limits
    )
    return [shown.fit_shown(result) for result in ranked]


def make(say: Say, text: str, out: Path, owned: dict[str, Any], asked: dict[str, Any]) -> str:
    """Make every file of a plan and return the folder's name."""
    from insole.partner import Partner
    from insole.record.plan import from_json
    from insole.workflow import making

    say("building the parts and checking them")
    out.mkdir(parents=True, exist_ok=True)
    wanted = _settings(owned, asked)
    with Partner(making.LOADED_TO_BUILD) as partner:
        return making.make(from_json(text), out, settings=wanted, partner=partner, say=say).name


def plan_page(
    say: Say, text: str, path: Path, owned: dict[str, Any], asked: dict[str, Any]
) -> bytes:
    """Return a plan's page for a person to read, alone, as PDF."""
    from insole.record.plan import from_json
    from insole.workflow import making

    say("drawing the plan on its page")
    try:
        making.plan_page(from_json(text), path, settings=_settings(owned, asked))
        return path.read_bytes()
    finally:
        path.unlink(missing_ok=True)


def warm(say: Say) -> None:
    """Load what planning and making need, which takes seconds the first time."""
    from importlib import import_module

    from insole.workflow import making

    wanted = ("insole.planning.planner", "insole.output.papers.plan_page")
    for name in (*wanted, *making.LOADED_TO_BUILD, *making.LOADED_TO_WRITE):
        import_module(name)


def _settings(owned: dict[str, Any], asked: dict[str, Any]) -> Any:
    """Return how files are wanted (:mod:`insole.desk.how`)."""
    from insole.desk import how
    from insole.record import material_file

    own = owned["materials"]
    table = material_file.load(own) if own is not None else None
    return how.settings(owned, asked, table, owned["stock"])


def artefact(say: Say, file: Path, given: Mapping[str, Any]) -> Any:
    """Return the check of a ball, a bar or a plate in a scan."""
    from footscan import reading
    from footscan.checking import artefact as checks
    from footscan.scan import Unit

    say("fitting the artefact")
    points = reading.read([file]).scaled(Unit(given["unit"]).mm).vertices
    if given["ball"] is None:
        return checks.check_plate(points)
    return checks.check_artefact(
        points,
        diameter=given["ball"],
        spheres=2 if given["spacing"] else 1,
        spacing=given["spacing"],
    )


def old_and_new(say: Say, old: str, new: str) -> bytes | None:
    """Return two versions as one picture (PNG), or None where no support changes."""
    from insole.output.pictures.old_and_new import old_and_new_png
    from insole.record.plan import from_json

    return old_and_new_png(from_json(old), from_json(new))


def sample(say: Say, folder: Path) -> list[Path]:
    """Write the scans of a rider who does not exist, and return left and right."""
    import numpy as np

    from footscan.specimen import made_up, samples
    from footscan.specimen.scanner import ScannerSpec, scan, write_scan

    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for shape in samples.sample_shapes():
        say(f"making up a {shape.side.value} foot")
        seen = scan(
            made_up.build(shape), ScannerSpec(points=24000, noise=0.08), np.random.default_rng(1)
        )
        written.append(write_scan(seen, folder / f"sample_{shape.side.value}.ply"))
    return written


def mesh(say: Say, key: str, sent: MeasuredFoot | None) -> Any:
    """Return a foot's mesh as bytes, or `UNKNOWN`."""
    foot = _foot(key, sent)
    return UNKNOWN if foot is None else shown_foot.mesh_bytes(foot)


def raw(say: Say, key: str, sent: MeasuredFoot | None, files: Sequence[Path]) -> Any:
    """Return the scan of a foot as it came, laid where the foot lies; or `UNKNOWN`."""
    from footscan import reading

    foot = _foot(key, sent)
    return UNKNOWN if foot is None else shown_foot.raw_bytes(foot, reading.read(list(files)))


TASKS: dict[str, Callable[..., Any]] = {
    **traced.TASKS,
    "artefact": artefact,
    "check": check,
    "fit": fit,
    "make": make,
    "measure": measure,
    "mesh": mesh,
    "old_and_new": old_and_new,
    "plan": plan,
    "plan_page": plan_page,
    "preview": preview,
    "raw": raw,
    "sample": sample,
    "show": show,
    "warm": warm,
}
