"""One run over a folder: cases in, records out, the summary kept up to date.

    scans -> cases -> tasks -> crew or cluster -> records -> ledger, summary

Tasks are handed out only as fast as they are done, so that memory does not grow with the number of
cases. The summary is replaced whole every few cases and at the end, also when the run is broken
off; what was done then is not done again.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from footscan.errors import FootscanError
from footscan.files import BusyError, alone, why
from insole.batch import summary
from insole.batch.ledger import Ledger, key_of
from insole.batch.pairing import Case, Pattern, cases_of, scans_in
from insole.batch.task import Goal, Record, Task
from insole.batch.watching import Watcher
from insole.errors import InsoleError
from insole.output.settings import Settings
from insole.workflow.request import Request

__all__ = ["Asked", "Counts", "Hands", "run", "time_left"]

SUMMARY_EVERY = 20  # cases
LOOK_S = 2.0  # between two looks at a folder that is watched


class Hands(Protocol):
    """Who does tasks: :class:`insole.batch.crew.Crew` or :class:`insole.batch.cluster.Cluster`."""

    @property
    def busy(self) -> int: ...  # noqa: D102
    @property
    def free(self) -> int: ...  # noqa: D102
    def submit(self, task: Task) -> None: ...  # noqa: D102
    def collect(self, wait_s: float) -> list[Record]: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked of all cases.

    Attributes
    ----------
    folder, out : Path
        Where scans lie, where results go.
    to : Goal
    request_for : callable
        Gives the request of one case: what the fitter wants of every rider.
    settings : Settings or None
        How files are wanted; for parts.
    edges_checked : bool
        Somebody has read the thick edges of the wedges.
    pattern : Pattern or None
        How files are named; None tells it from words in their names.
    watch : bool
        Go on looking for scans until the run is broken off. A foot waits for the other one.
    """

    folder: Path
    out: Path
    to: Goal
    request_for: Callable[[Case], Request]
    settings: Settings | None = None
    edges_checked: bool = False
    pattern: Pattern | None = None
    watch: bool = False


@dataclass(slots=True)
class Counts:
    """How a run stands.

    Attributes
    ----------
    total : int
        Cases known so far.
    fresh, skipped, failed : int
        Done now, done by an earlier run, not to be done.
    left_out : list of Path
        Files that belong to no case.
    """

    total: int = 0
    fresh: int = 0
    skipped: int = 0
    failed: int = 0
    left_out: list[Path] = field(default_factory=list)

    @property
    def over(self) -> int:
        """Cases that need no more work."""
        return self.fresh + self.skipped + self.failed


def run(
    asked: Asked,
    hands: Hands,
    note: Callable[[Record, Counts], None] = lambda record, counts: None,
    *,
    look_s: float = LOOK_S,
    clock: Callable[[], float] = time.monotonic,
) -> Counts:
    """Take every case in a folder as far as is asked, and return the counts.

    Parameters
    ----------
    asked : Asked
    hands : Hands
        Who does the tasks; stays open.
    note : callable
        Gets each record as it comes, with the counts so far.
    look_s : float
        Seconds between two looks at a folder that is watched.
    clock : callable
        Tells seconds: cases that are done quickly must not hurry the looks.

    Raises
    ------
    footscan.errors.FootscanError
        There is no such folder, no scan in it, another run writes the same results, or the
        results cannot be written. A case that cannot be done raises nothing.
    """
    if not asked.folder.is_dir():
        raise InsoleError(f"there is no folder {asked.folder}; check the path")
    try:
        asked.out.mkdir(parents=True, exist_ok=True)
        with alone(asked.out / summary.TABLE, wait=0.0):
            return _Run(asked, hands, note, clock).all(look_s)
    except BusyError:
        raise InsoleError(
            f"another batch writes into {asked.out}; wait for it or choose another folder"
        ).asking("out") from None
    except OSError as error:
        reason = why(error)
        raise InsoleError(f"{asked.out} cannot be written: {reason}; choose another folder").asking(
            "out"
        ) from None


def time_left(elapsed_s: float, counts: Counts) -> str:
    """Return in words how long the rest takes if it goes on as so far; nothing at the end.

    Examples
    --------
    >>> time_left(60.0, Counts(total=9, fresh=2, skipped=1))
    'about 3 min left'
    """
    worked, rest = counts.fresh + counts.failed, counts.total - counts.over
    if worked == 0 or rest <= 0:
        return ""
    seconds = elapsed_s / worked * rest
    if seconds < 90:
        return f"about {max(1, round(seconds))} s left"
    return (
        f"about {round(seconds / 60)} min left"
        if seconds < 5400
        else (f"about {seconds / 3600:.1f} h left")
    )


class _Run:
    """The state of one run."""

    def __init__(
        self,
        asked: Asked,
        hands: Hands,
        note: Callable[[Record, Counts], None],
        clock: Callable[[], float],
    ) -> None:
        self.asked, self.hands, self.note, self.clock = asked, hands, note, clock
        self.ledger, self.counts = Ledger(asked.out), Counts()
        self.records: dict[str, Record] = {}
        self.done_before: set[str] = set()  # by an earlier run, and not again in this one
        self.waiting: deque[Case] = deque()
        self.halves: list[Case] = []
        self.watcher = Watcher()
        self.taken: set[tuple[tuple[Path, tuple[int, int]], ...]] = set()
        self.unwritten = 0

    def all(self, look_s: float) -> Counts:
        """Do all cases; the summary is written whatever happens."""
        asked, hands, next_look = self.asked, self.hands, self.clock()
        if not asked.watch:
            self._found()
        try:
            while True:
                if asked.watch and self.clock() >= next_look:
                    self._look()
                    next_look = self.clock() + look_s
                while self.waiting and hands.free:
                    self._begin(self.waiting.popleft())
                if not asked.watch and not self.waiting and not hands.busy:
                    break
                for record in hands.collect(look_s):
                    self._keep(record)
        finally:
            self._write()
        return self.counts

    def _found(self) -> None:
        """Take every case that is in the folder now."""
        files = scans_in(self.asked.folder, self.asked.out)
        cases, self.counts.left_out = cases_of(self.asked.folder, files, self.asked.pattern)
        if not cases:
            raise InsoleError(
                f"{self.asked.folder} holds no scan that could be told; check the folder"
                + (" and how its files are named" if self.asked.pattern else "")
            ).asking(*(["pairs"] if self.asked.pattern else []))
        self.waiting.extend(cases)
        self.counts.total = len(cases)

    def _look(self) -> None:
        """Take the cases whose files are complete and were not taken as they are now."""
        complete = set(self.watcher.complete(scans_in(self.asked.folder, self.asked.out)))
        cases, self.counts.left_out = cases_of(self.asked.folder, complete, self.asked.pattern)
        self.halves = [case for case in cases if case.half]
        for case in cases:
            state = tuple((path, self.watcher.state(path)) for path in case.files)
            if case.half or state in self.taken:
                continue
            self.taken.add(state)
            self.waiting.append(case)
            self.counts.total += case.name not in self.records
            self.unwritten = SUMMARY_EVERY

    def _begin(self, case: Case) -> None:
        """Give a case to be done, unless it is done already or cannot be."""
        asked = self.asked
        try:
            if case.fault:
                raise InsoleError(case.fault).asking("pairs")
            request = asked.request_for(case)
            key = key_of(case.name, request, asked.to, asked.settings, asked.edges_checked)
        except FootscanError as error:
            self._keep(
                Record(
                    key="",
                    case=case.name,
                    to=str(asked.to),
                    message=str(error),
                    asks=error.asks,
                    files=tuple(path.name for path in case.files),
                    exit_code=error.exit_code,
                )
            )
            return
        if (known := self.ledger.find(key)) is not None:
            self._keep(known, skipped=True)
            return
        self.hands.submit(
            Task(
                key=key,
                case=case.name,
                sides=tuple(side for side, _ in case.scans),
                request=request,
                to=asked.to,
                out=asked.out,
                settings=asked.settings,
                edges_checked=asked.edges_checked,
            )
        )

    def _keep(self, record: Record, *, skipped: bool = False) -> None:
        """Remember what came of a case, and say so."""
        counts, again = self.counts, self.records.get(record.case)
        if again is not None:  # a file that came anew in a watched folder
            before = record.case in self.done_before
            counts.skipped -= before
            counts.fresh -= again.done and not before
            counts.failed -= not again.done
        self.records[record.case] = record
        (self.done_before.add if skipped else self.done_before.discard)(record.case)
        counts.skipped += skipped
        counts.fresh += record.done and not skipped
        counts.failed += not record.done
        if not skipped:
            self.ledger.keep(record)
        self.note(record, counts)
        self.unwritten += 1
        if self.unwritten >= SUMMARY_EVERY:
            with suppress(InsoleError):  # somebody has the table open: the next one, or the last
                self._write()

    def _write(self) -> None:
        self.unwritten = 0
        summary.write(self.asked.out, self.records.values(), _waits(self.halves))


def _waits(halves: Sequence[Case]) -> list[str]:
    """Return a sentence for each foot that waits for the other."""
    other = {"left": "right", "right": "left"}
    return [
        f"{case.name} waits for the {other[case.scans[0][0]]} foot; {case.files[0].name} is there"
        for case in halves
    ]
