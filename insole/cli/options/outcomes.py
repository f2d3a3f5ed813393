"""What came of each scan of a command: feet or errors, progress, records, pictures.

Shots -> outcomes_of -> Outcome -> records_of, Pictures
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import insole
from footscan.files import why
from insole.cli.typed import how

if TYPE_CHECKING:
    from footscan.results import MeasuredFoot
    from insole.workflow.request import Shots

__all__ = [
    "Outcome",
    "Pictures",
    "dumps",
    "outcomes_of",
    "png_wanted",
    "progress",
    "quiet_or",
    "records_of",
    "speak",
]

LONG_LIST = 3  # scans; more are shown a bar


def speak(text: str) -> None:
    """Print a sentence on standard error; what would steer the screen is shown as ``?``."""
    from footscan.typed import shown

    click.echo(shown(text), err=True)


def quiet_or(quiet: bool) -> Callable[[str], None]:
    """Return what says sentences, or says nothing."""
    return (lambda text: None) if quiet else speak


@dataclass(slots=True)
class Outcome:
    """What came of one scan: its feet, or what was wrong with it."""

    name: str
    stem: str
    feet: list[MeasuredFoot]
    error: str = ""

    def complain(self) -> None:
        """Say what was wrong, if anything was."""
        if self.error:
            speak(f"solewright: {self.error}")


def outcomes_of(shots: Sequence[Shots], quiet: bool) -> Iterator[Outcome]:
    """Yield what comes of each scan, in order; long lists show how far they are."""
    from footscan.errors import FootscanError
    from insole.workflow import measuring

    with progress(len(shots), quiet) as step:
        for shot, result in zip(shots, measuring.measure_each(shots), strict=True):
            name = " + ".join(str(path) for path in shot.files)
            found = Outcome(name=name, stem=shot.files[0].stem, feet=[])
            if isinstance(result, FootscanError):
                # it may begin with the name already, without folders
                short = " + ".join(path.name for path in shot.files)
                sentence = str(result).removeprefix(f"{short}: ")
                found.error = sentence if name in sentence else f"{name}: {sentence}"
                found.error += how(*result.asks)
            else:
                found.feet = result
            step()
            yield found


@contextmanager
def progress(total: int, quiet: bool) -> Iterator[Callable[[], None]]:
    """Show a bar on standard error for a long list at a terminal; yield what moves it on."""
    if quiet or total <= LONG_LIST or not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    columns = ("scans", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("scans", total=total)
        yield lambda: bar.advance(task)


def records_of(outcomes: Sequence[Outcome]) -> Any:
    """Return the JSON of one scan, or the list of several."""
    from footscan import told

    records: list[dict[str, Any]] = []
    for outcome in outcomes:
        if outcome.error:
            records.append({"scan": outcome.name, "error": outcome.error})
        records += [told.as_json(foot, insole.__version__) for foot in outcome.feet]
    return records[0] if len(records) == 1 else records


class Pictures:
    """Writes one picture per foot: into a folder, or beside a file of the name given."""

    def __init__(self, target: Path, say: Callable[[str], None]) -> None:
        self.folder = target if target.is_dir() or not target.suffix else None
        if self.folder is None:
            png_wanted(target)
        self.target, self.say, self.taken = target, say, set[Path]()

    def __call__(self, stem: str, feet: Sequence[MeasuredFoot]) -> None:
        """Write the pictures of the feet in one scan."""
        from insole.errors import OutputError
        from insole.output.pictures import scan as scan_picture

        for foot in feet:
            path = self._free(stem, foot.facts.side)
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                reason = why(error)
                raise OutputError(
                    f"the folder {path.parent} cannot be made: {reason}; choose another --picture"
                ) from None
            scan_picture.write_scan(path, foot)
            self.say(f"picture written to {path}")

    def _free(self, stem: str, side: str) -> Path:
        """Return a name that no picture of this run has."""
        if self.folder is not None:
            names = (self.folder / f"{stem}-{side}{tail}.png" for tail in self._tails())
        else:
            base = self.target
            names = (base.with_stem(f"{base.stem}{tail}") for tail in self._tails())
        path = next(path for path in names if path not in self.taken)
        self.taken.add(path)
        return path

    @staticmethod
    def _tails() -> Iterator[str]:
        return chain([""], (f"-{number}" for number in count(2)))


def png_wanted(path: Path) -> None:
    """Refuse a picture under another name than .png."""
    if path.suffix.lower() != ".png":
        raise click.UsageError(f"--picture wants a name that ends in .png, got {path.name!r}")


def dumps(value: object) -> str:
    """Return JSON as every command prints it."""
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False)
