"""What the desk does for its pages: feet at hand, jobs that can be followed and cancelled.

pages, api -> Service -> Home (what is kept), Worker (heavy work)

A lane per foot plans live, so that left and right never wait for each other; a third worker
keeps versions and makes parts.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import re
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Literal

from footscan.errors import FootscanError
from footscan.results import MeasuredFoot
from insole.desk import tasks, wishes
from insole.desk.owned import own
from insole.desk.store import DeskCase, Draft, Home, ScanUse, Side
from insole.desk.workers import CANCELLED, TICKET, Stopped, Ticket, Worker
from insole.errors import InsoleError
from insole.output.phrases import capital, paper

__all__ = ["Job", "Service"]

FEET_KEPT, JOBS_KEPT, PLANS_KEPT = 24, 200, 12
# rooms of a made folder in the order in which they are written, and what is done then
ROOMS = (
    ("print", "writing the printer's files"),
    ("cut", "writing the cutter's files"),
    ("paper", "writing the papers"),
    ("manifest.json", "reading every file back"),
)
SIDES: tuple[Side, ...] = ("left", "right")


@dataclass(slots=True)
class Job:
    """Long work: what it is, how far it is, what came of it."""

    id: str
    what: str
    worker: Worker
    ticket: Ticket = field(default_factory=Ticket)
    state: Literal["running", "done", "failed", "cancelled"] = "running"
    words: str = "waiting for its turn"
    result: dict[str, Any] = field(default_factory=dict)

    def shown(self) -> dict[str, Any]:
        """Return the job for a page."""
        return {
            "id": self.id,
            "what": self.what,
            "state": self.state,
            "words": self.words,
            "result": self.result,
        }


def _first(job: Job) -> Callable[[str], None]:
    """Return what tells that making began; its notes stand on the papers."""

    def saying(sentence: str) -> None:
        if job.words.startswith("waiting"):
            job.words = f"step 1 of {len(ROOMS) + 1}, building the parts and checking them"

    return saying


class Service:
    """Everything behind the pages."""

    def __init__(self, home: Home) -> None:
        self.home = home
        self.lanes: dict[Side, Worker] = {side: Worker() for side in SIDES}
        self.bench = Worker()
        self.jobs: OrderedDict[str, Job] = OrderedDict()
        self._feet: OrderedDict[str, MeasuredFoot] = OrderedDict()
        self.drops: OrderedDict[tuple[str, str, str], str] = OrderedDict()
        self._busy: dict[str, asyncio.Lock] = {}
        self._cases: dict[str, asyncio.Lock] = {}
        self._running: set[asyncio.Task[Any]] = set()
        self._warm = False
        self._plans: OrderedDict[str, str] = OrderedDict()
        self.ahead = True  # whether the support page has the next plan drawn while it is looked at

    def close(self) -> None:
        """End all workers."""
        for worker in (*self.lanes.values(), self.bench):
            worker.close()

    def forget(self) -> None:
        """Drop the plans at hand: a rider was erased."""
        self._plans.clear()

    def lock(self, case: str) -> asyncio.Lock:
        """Return what holds a case while it is changed: read, change and keep are one step."""
        return self._cases.setdefault(case, asyncio.Lock())

    def plain(self, text: str) -> str:
        """Return a sentence for a page: no folder of this machine, no switch of the command line.

        Examples
        --------
        >>> from tempfile import TemporaryDirectory
        >>> with TemporaryDirectory() as home:
        ...     Service(Home(Path(home))).plain(f"{home}/cases/a/plan.json is damaged")
        'plan.json is damaged'
        >>> with TemporaryDirectory() as home:
        ...     Service(Home(Path(home))).plain("too wide; give --bevel 1.9@30 or less")
        'Too wide; give bevel 1.9@30 or less'
        """
        for folder in {str(self.home.folder), str(self.home.folder.resolve())}:
            text = re.sub(re.escape(folder) + r"(?:[/\\][^\s:;,/\\]+)*[/\\]", "", text)
            text = text.replace(folder, "the desk's folder")
        first = text.partition(" ")[0].rstrip(".:,")
        text = re.sub(r"(?<!\S)--([a-z][a-z-]*)", lambda m: m[1].replace("-", " "), paper(text))
        return text if "." in first else capital(text)  # a file's name stays

    # -------------------------------------------------------------- jobs

    def start(
        self, what: str, worker: Worker, work: Callable[[Job], Awaitable[dict[str, Any]]]
    ) -> Job:
        """Start a job and return it at once."""
        job = Job(id=secrets.token_hex(8), what=what, worker=worker)
        self.jobs[job.id] = job
        for old in [j.id for j in self.jobs.values() if j.state != "running"]:
            if len(self.jobs) <= JOBS_KEPT:
                break
            del self.jobs[old]
        task = asyncio.get_running_loop().create_task(self._do(job, work))
        self._running.add(task)
        task.add_done_callback(self._running.discard)
        return job

    async def _do(self, job: Job, work: Callable[[Job], Awaitable[dict[str, Any]]]) -> None:
        TICKET.set(job.ticket)
        try:
            job.result = await work(job)
            job.state, job.words = "done", "done"
        except Stopped as error:
            cancelled = "cancelled" in str(error)
            job.state, job.words = "cancelled" if cancelled else "failed", self.plain(str(error))
        except FootscanError as error:
            job.state, job.words = "failed", self.plain(str(error))
            job.result = {**(job.result or {}), "refused": error.exit_code == 4}
        except Exception as error:
            job.state = "failed"
            job.words = f"A fault in the program itself ({type(error).__name__}); report it"

    def warm(self) -> None:
        """Have the bench load what a plan and its page need, once, while the fitter reads."""
        if not self._warm:
            self._warm = True
            task = asyncio.get_running_loop().create_task(self.bench.run("warm"))
            self._running.add(task)
            task.add_done_callback(self._warmed)

    def _warmed(self, task: asyncio.Task[Any]) -> None:
        self._running.discard(task)
        self._warm = not task.cancelled() and task.exception() is None  # else tried again

    def free_lane(self) -> Worker:
        """Return the lane with the least to do."""
        busy = [job.worker for job in self.jobs.values() if job.state == "running"]
        return min(self.lanes.values(), key=busy.count)

    def say(self, job: Job) -> Callable[[str], None]:
        """Return what tells a job's progress."""

        def saying(sentence: str) -> None:
            job.words = self.plain(sentence)

        return saying

    # -------------------------------------------------------------- feet

    def first_of_drop(self, drop: str, case: str, side: str, sha256: str) -> bool:
        """Return whether a scan is the first of that foot among files dropped together."""
        if not drop:
            return True
        first = self.drops.setdefault((drop, case, side), sha256)
        while len(self.drops) > JOBS_KEPT:
            self.drops.popitem(last=False)
        return first == sha256

    def stated(self, use: ScanUse, side: str) -> dict[str, Any]:
        """Return what was stated of a scan, for :func:`footscan.measure`."""
        log = {"scanner_log": str(self.home.scanner_log), "scanner": use.scanner}
        return (
            {
                "load": use.load,
                "side": side if use.side_stated else None,
                "foot_length": use.foot_length,
                "landmarks": use.landmarks,
                "by_eye": sorted(set(use.landmarks) - set(use.felt)),
            }
            | ({"card": True} if use.card else {})
            | (log if use.scanner else {})
        )

    def key(self, use: ScanUse, side: str) -> str:
        """Return what names a measured foot: its scan's content and all that was stated."""
        checked = [date.today().isoformat(), self._log_stamp()] if use.scanner else []
        text = json.dumps(
            [use.sha256, use.file, side, self.stated(use, side), checked], sort_keys=True
        )
        return hashlib.sha256(text.encode()).hexdigest()

    def _log_stamp(self) -> int:
        """Return when a scanner was checked last: what it vouches for may be another by then."""
        log = self.home.scanner_log
        return log.stat().st_mtime_ns if log.exists() else 0

    def remember(self, key: str, foot: MeasuredFoot) -> None:
        """Keep a measured foot at hand."""
        self._feet[key] = foot
        self._feet.move_to_end(key)
        while len(self._feet) > FEET_KEPT:
            self._feet.popitem(last=False)

    async def foot(self, case: DeskCase, side: Side, draft: Draft) -> tuple[str, MeasuredFoot]:
        """Return a case's measured foot with its key; measured anew after a restart.

        Raises
        ------
        footscan.errors.FootscanError
            There is no scan of that foot, or it cannot be measured.
        """
        use = draft.scans.get(side)
        if use is None:
            raise InsoleError(
                f"there is no scan of the {side} foot yet; drop one on the scans page"
            )
        key = self.key(use, side)
        lock = self._busy.setdefault(key, asyncio.Lock())
        async with lock:
            if key not in self._feet:
                files = [case.scan_path(use)]
                found = await self.lanes[side].run("measure", files, self.stated(use, side))
                mine = [foot for foot in found if foot.facts.side == side]
                if not mine:
                    raise InsoleError(f"the scan {use.file} does not show a {side} foot any more")
                self.remember(key, mine[0])
        self._busy.pop(key, None)
        return key, self._feet[key]

    async def feet(self, case: DeskCase, draft: Draft) -> dict[str, MeasuredFoot]:
        """Return the measured feet of a case by side."""
        if not draft.scans:
            raise InsoleError("there is no scan yet; drop one or two on the scans page")
        found = await asyncio.gather(*(self.foot(case, side, draft) for side in draft.scans))
        return {side: foot for side, (_, foot) in zip(draft.scans, found, strict=True)}

    async def with_foot(
        self, task: str, case: DeskCase, side: Side, draft: Draft, *rest: Any
    ) -> Any:
        """Return what a task in a foot's lane returns, which gets the foot sent when it asks."""
        key, foot = await self.foot(case, side, draft)
        lane = self.lanes[side]
        head = (side,) if task == "preview" else ()
        found = await lane.run(task, *head, key, None, *rest)
        if isinstance(found, str) and found == tasks.UNKNOWN:
            found = await lane.run(task, *head, key, foot, *rest)
        return found

    # -------------------------------------------------------------- plans

    def preview_asked(self, case: DeskCase, draft: Draft, side: str) -> dict[str, Any]:
        """Return what a live plan of one foot asks for: no version, that foot's wishes only."""
        return wishes.asked(self.home, case, draft, case.next_version(), side)

    async def planned(
        self,
        case: DeskCase,
        draft: Draft,
        version: int,
        say: Callable[[str], None] = lambda sentence: None,
    ) -> str:
        """Return the plan of both feet as JSON text; those asked for last are at hand.

        The text is the same as planned anew: what names it is all that planning is given, and
        every file in the folder of shoes.
        """
        feet = await self.feet(case, draft)
        asked = wishes.asked(self.home, case, draft, version)
        stamps = []
        for path in (*self.home.shoes.iterdir(), asked["kit"], asked["limits"]):
            if path is not None:
                with contextlib.suppress(OSError):  # another process's unfinished file may go
                    known = path.stat()
                    stamps.append((str(path), known.st_mtime_ns, known.st_size))
        scans = {side: self.key(use, side) for side, use in draft.scans.items()}
        given = json.dumps([scans, asked, sorted(stamps)], default=repr, sort_keys=True)
        key = hashlib.sha256(given.encode()).hexdigest()
        async with self._busy.setdefault(key, asyncio.Lock()):
            if key not in self._plans:
                self._plans[key] = await self.bench.run("plan", feet, asked, say=say)
                while len(self._plans) > PLANS_KEPT:
                    self._plans.popitem(last=False)
            text = self._plans[key]
        self._busy.pop(key, None)
        return text

    async def keep_plan(self, case: DeskCase, draft: Draft, job: Job) -> dict[str, Any]:
        """Plan both feet and keep the plan under the next number; the same plan is kept once."""
        from insole.record.plan import from_json
        from insole.workflow.keeping import refuse_stopped

        for _ in range(5):
            version = case.next_version()
            made = from_json(await self.planned(case, draft, version, self.say(job)))
            refuse_stopped(made, self.home.cases_folder)
            if version > 1:
                last = case.case.plan(version - 1)
                if last.model_copy(update={"version": version}) == made:
                    return {"version": version - 1, "new": False}
            if job.ticket.cancelled:  # it was planned for another job
                raise Stopped(CANCELLED)
            try:
                case.case.add_plan(made)
            except InsoleError:
                if case.next_version() == version:
                    raise
                continue  # the command line kept one meanwhile
            return {"version": version, "new": True}
        raise InsoleError("plans are being kept by somebody else at the same time; try again")

    async def make(
        self, case: DeskCase, version: int, job: Job, asked: dict[str, Any]
    ) -> dict[str, Any]:
        """Make every file of a kept plan, as `asked` (:mod:`insole.desk.how`)."""
        owned = self.owned()
        text = self.unstopped(case, version)
        watch = asyncio.create_task(self._watched(case.made, job))
        try:
            name = await self.bench.run("make", text, case.made, owned, asked, say=_first(job))
        finally:
            watch.cancel()
        return {"version": version, "folder": name}

    def unstopped(self, case: DeskCase, version: int) -> str:
        """Return a kept plan as JSON text, when nothing stops the making of its parts by now.

        Raises
        ------
        insole.errors.RefusedError
            An answer of the case, or a trial of its plans, stops.
        """
        from insole.record.plan import to_json
        from insole.record.questions import decide
        from insole.workflow.keeping import refuse_stopped

        draft, plan = case.draft(), case.case.plan(version)
        decide(draft.answers, draft.clinician)  # it may have been said after the plan was kept
        refuse_stopped(plan, self.home.cases_folder)
        return to_json(plan)

    def owned(self) -> dict[str, Any]:
        """Return what the workshop owns, as making asks for it."""
        shop = self.home.workshop()
        found: dict[str, Any] = {"bed": shop.bed, "sheet": shop.sheet, "kerf": shop.kerf}
        return found | {word: own(self.home.folder, word) for word in ("materials", "stock")}

    async def _watched(self, made: Path, job: Job) -> None:
        """Say which files of a folder are being written, by what there is of it."""
        while True:
            await asyncio.sleep(0.4)
            rooms = {p.name for p in made.glob(".making-*/*")}
            step = max((k for k, (room, _) in enumerate(ROOMS, 1) if room in rooms), default=0)
            if step:
                job.words = f"step {step + 1} of {len(ROOMS) + 1}, {ROOMS[step - 1][1]}"

    def made_folder(self, case: DeskCase, version: int) -> Path | None:
        """Return the folder that was made of a plan version, or None."""
        from insole.output.folder import folder_name

        folder = case.made / folder_name(case.case.plan(version))
        return folder if (folder / "manifest.json").is_file() else None
