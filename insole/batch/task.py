"""One case of many: what is asked of it, and what came of it as plain data.

    Task -> work -> Record; files as ``measure --json``, ``plan`` and ``make`` write them

A task is done by another process or another machine, so that task and record are plain, and no
error leaves :func:`work`: whatever is wrong with a case is a sentence in its record.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import threading
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

import insole
from footscan import told
from footscan.cores import one_thread
from footscan.errors import FootscanError, SideError
from footscan.files import why, write_whole
from footscan.results import Measure, MeasuredFoot
from insole.batch.thumbs import sole_png
from insole.errors import InsoleError, RefusedError
from insole.record.least import sd_shown
from insole.workflow import keeping, making, measuring, plans
from insole.workflow.request import Request

if TYPE_CHECKING:
    from insole.output.settings import Settings
    from insole.record.plan import Plan

__all__ = ["FAULT", "FootRecord", "Goal", "Record", "Task", "work"]

FAULT = 70  # exit code of a fault of ours
_ALONE = threading.Lock()  # a cluster's worker may have threads: cases are done one by one


class Goal(StrEnum):
    """How far each case is taken."""

    MEASURES = "measures"
    PLAN = "plan"
    PARTS = "parts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is asked of one case.

    Attributes
    ----------
    key : str
        Hash of all that goes in; the same key gives the same files.
    case : str
        Names the case.
    sides : tuple of str
        Side of each scan by its file's name; empty where that says nothing.
    request : Request
        As ``plan`` and ``make`` ask for it; for measures only its scans count.
    to : Goal
    out : Path
        Folder of all results; the same for whoever does the task.
    settings : Settings or None
        How files are wanted; for parts.
    edges_checked : bool
        Somebody has read the thick edges of the wedges.
    """

    key: str
    case: str
    sides: tuple[str, ...]
    request: Request
    to: Goal
    out: Path
    settings: Settings | None = None
    edges_checked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FootRecord:
    """What the summary shows of one foot; `picture` is a PNG in base64."""

    side: str
    file: str
    verdict: str
    findings: tuple[str, ...]
    measures: dict[str, tuple[float | None, str, float | None]]
    sizes: dict[str, Any]
    picture: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What came of one case.

    Attributes
    ----------
    key, case, to : str
        Of the task.
    files : tuple of str
        Names of its scans.
    message : str
        What was wrong, one sentence; empty when the case is done.
    asks : tuple of str
        What could be stated or wished to mend it, by name.
    exit_code : int
        What ``make`` would have returned.
    feet : tuple of FootRecord
        The feet that could be measured, left first.
    products : dict of str to str
        Hash of each result by its path below `out`: a record, a plan, a folder's manifest.
    said : tuple of str
        What the maker of the parts is told.
    """

    key: str
    case: str
    to: str
    files: tuple[str, ...]
    message: str = ""
    asks: tuple[str, ...] = ()
    exit_code: int = 0
    feet: tuple[FootRecord, ...] = ()
    products: dict[str, str] = field(default_factory=dict)
    said: tuple[str, ...] = ()

    @property
    def done(self) -> bool:
        """Whether the case got as far as it was wanted."""
        return not self.message

    def to_json(self) -> str:
        """Return the record as JSON text."""
        return json.dumps(asdict(self), ensure_ascii=False, indent=1) + "\n"

    @classmethod
    def from_json(cls, text: str) -> Record:
        """Return the record in JSON text.

        Raises
        ------
        ValueError, KeyError, TypeError
            It is no record.
        """
        data = json.loads(text)
        feet = [
            FootRecord(
                **{
                    **foot,
                    "findings": tuple(foot["findings"]),
                    "measures": {name: tuple(value) for name, value in foot["measures"].items()},
                }
            )
            for foot in data.pop("feet")
        ]
        files, said, asks = (tuple(data.pop(name)) for name in ("files", "said", "asks"))
        return cls(**data, feet=tuple(feet), files=files, said=said, asks=asks)


def work(task: Task) -> Record:
    """Return what came of a case; its files are written whole or not at all."""
    one_thread()
    with _ALONE:
        found: list[MeasuredFoot] = []
        said: list[str] = []
        products: dict[str, str] = {}
        message, code = "", 0
        asks: tuple[str, ...] = ()
        try:
            products = _taken_on(task, found, said)
        except FootscanError as error:
            message, code, asks = str(error), error.exit_code, error.asks
        except MemoryError:
            message, code = "not enough memory; export the scans with fewer points", 3
        except Exception as error:
            if os.environ.get("SOLEWRIGHT_TRACEBACK"):
                raise
            words = f"a fault in the program itself ({type(error).__name__}: {error}); run this "
            message = f"{words}case alone with SOLEWRIGHT_TRACEBACK=1 to see where, and report it"
            code = FAULT
        files = [path.name for shots in task.request.scans for path in shots.files]
        return Record(
            key=task.key,
            case=task.case,
            to=str(task.to),
            files=tuple(files),
            message=message,
            asks=asks,
            exit_code=code,
            feet=tuple(_foot_record(foot) for foot in found),
            products=products,
            said=tuple(said),
        )


def _taken_on(task: Task, found: list[MeasuredFoot], said: list[str]) -> dict[str, str]:
    """Take a case as far as is wanted, and return hashes of what was written."""
    results: list[list[MeasuredFoot] | FootscanError] = []

    def feet() -> tuple[MeasuredFoot | None, MeasuredFoot | None]:
        results.extend(measuring.measure_all(task.request.scans, at_once=False))
        ok = [
            foot for result in results if not isinstance(result, FootscanError) for foot in result
        ]
        found.extend(sorted(ok, key=lambda foot: foot.facts.side))
        pair = measuring.left_and_right(results)
        _names_hold(task, results)
        return pair

    if task.to is Goal.MEASURES:
        feet()
        return _write_measures(task, results)
    plan = plans.plan_measured(task.request, feet)
    if task.to is Goal.PLAN:
        keeping.refuse_other_plan(plan, task.out)
        path = plans.save_plan(plan, task.out)
        keeping.keep_plan(plan, task.out)
        return _hashed(task.out, path)
    return _make(task, plan, said)


def _make(task: Task, plan: Plan, said: list[str]) -> dict[str, str]:
    """Make a plan's parts, as ``make`` does."""
    home = keeping.case_home(plan, task.out)
    keeping.refuse_other_plan(plan, home)
    edges = making.thick_edges(plan)
    if edges and not task.edges_checked:
        raise RefusedError(
            f"read the thick edges ({'; '.join(edges)}), and if they are right say so and run again"
        ).asking("thick_edges_checked")
    folder = making.make(plan, task.out, settings=task.settings, say=said.append)
    keeping.keep_plan(plan, home)
    return _hashed(task.out, folder / "manifest.json")


def _names_hold(task: Task, results: list[list[MeasuredFoot] | FootscanError]) -> None:
    """Refuse a scan that shows the other foot than its file's name says.

    Raises
    ------
    footscan.errors.SideError
        Either the name or the scan is wrong: a part for the wrong foot would follow.
    """
    for side, shots, result in zip(task.sides, task.request.scans, results, strict=True):
        if not side or shots.options.side is not None or isinstance(result, FootscanError):
            continue
        if len(result) == 1 and result[0].facts.side != side:
            raise SideError(
                f"{shots.files[0].name} is named {side} and shows a {result[0].facts.side} foot; "
                "rename it, or scan again if it was mirrored"
            )


def _write_measures(
    task: Task, results: list[list[MeasuredFoot] | FootscanError]
) -> dict[str, str]:
    """Write what ``measure --json`` prints for the scans."""
    records = [
        told.as_json(foot, insole.__version__)
        for result in results
        if not isinstance(result, FootscanError)
        for foot in result
    ]
    text = json.dumps(
        records[0] if len(records) == 1 else records, indent=1, ensure_ascii=False, allow_nan=False
    )
    path = task.out / f"{task.case}-measures.json"
    try:
        write_whole(path, f"{text}\n".encode())
    except OSError as error:
        reason = why(error)
        raise InsoleError(f"{path} cannot be written: {reason}; choose another folder").asking(
            "out"
        ) from None
    return _hashed(task.out, path)


def _hashed(out: Path, path: Path) -> dict[str, str]:
    return {path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()}


def _band(measure: Measure, foot: MeasuredFoot) -> float | None:
    """Return the standard deviation to show: no closer than a scale that nobody verified allows."""
    if measure.sd is None:
        return None
    return sd_shown(measure.sd, measure.unit, scale_verified=foot.facts.scale_verified)


def _foot_record(foot: MeasuredFoot) -> FootRecord:
    """Return what the summary shows of a foot."""
    return FootRecord(
        side=foot.facts.side,
        file=foot.facts.file,
        verdict=foot.report.verdict.value,
        findings=tuple(f.code for f in (foot.report.deciding or foot.report.findings)),
        measures={name: (m.value, m.unit, _band(m, foot)) for name, m in foot.measures.items()},
        sizes=dict(foot.sizes),
        picture=base64.b64encode(sole_png(foot.foot)).decode(),
    )
