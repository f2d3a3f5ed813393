"""Sentences say what is wanted; only the command line says how that is typed."""

import re
from pathlib import Path

import click

from footscan.results import Finding, Severity
from insole import cli
from insole.cli import typed
from insole.cli.show import riding
from insole.record.values import Note, NoteLevel
from insole.trials.entry import Trial
from insole.trials.red_flags import FLAGS

ROOT = Path(__file__).resolve().parents[2]
BELOW = ("footscan", "insole/planning", "insole/trials", "insole/record", "insole/shoe")
# options as data: what plans a step, the texts that take them off paper, and their examples
DATA = {"steps.py", "stock.py"}


def options(command: click.Command) -> set[str]:
    """Return every option of a command and of those below it."""
    found = {name for param in command.params for name in param.opts if name.startswith("--")}
    if isinstance(command, click.Group):
        found |= set().union(*(options(one) for one in command.commands.values()))
    return found


def sources() -> list[Path]:
    return sorted(path for room in BELOW for path in (ROOT / room).rglob("*.py"))


def test_what_errors_and_codes_ask_for_is_an_option():
    asked = {
        name
        for path in sources()
        for call in re.findall(r"\.asking\(([^)]*)\)", path.read_text("utf-8"))
        for name in re.findall(r'"(\w+)"', call)
    }
    assert len(asked) > 10
    known = options(cli.cli)
    for name in (*asked, *typed.OF_CODE.values()):
        assert typed.how(name).strip(" ()") in known


def test_no_sentence_below_the_command_line_names_an_option():
    switch = re.compile(r"[\"' (](--[a-z][a-z-]+)")
    said = {
        path.name: found
        for path in sources()
        if path.name not in DATA
        and (found := switch.findall(re.sub(r"``[^`]*``", "", path.read_text("utf-8"))))
    }
    assert said == {}


def test_advice_and_warnings_get_their_option_and_others_none():
    unknown = Finding(
        code="load-unknown", severity=Severity.NOTE, text="", advice="Say which; it counts."
    )
    assert typed.advice(unknown) == "Say which; it counts (--load)."
    other = Finding(code="noise", severity=Severity.NOTE, text="", advice="Scan again.")
    assert typed.advice(other) == "Scan again."
    side = Note(code="medial-side", level=NoteLevel.WARN, text="let it run out")
    assert typed.noted(side) == "let it run out (--medial-edge)"
    fine = Note(code="effect", level=NoteLevel.INFO, text="the support fills the gap")
    assert typed.noted(fine) == "the support fills the gap"


def entry(**fields) -> Trial:
    base = {"number": 4, "case": "larch", "plan": 2, "fingerprint": "0", "date": "2026-05-02"}
    return Trial(**base | {"set_up": {}, "flags": {flag.id: "no" for flag in FLAGS}} | fields)


def test_a_trial_says_how_it_is_answered_or_logged_again():
    assert "to type: --felt or --said" in riding.trial(entry())
    again = riding.trial(entry(answer="same", flags={}))
    assert "to type: --corrects 4 --because TEXT, and --no-red-flags" in again
    unread = riding.trial(entry(answer="same", said="glorp in the wibble"))
    assert "to type: --corrects 4 --because TEXT, and --felt PICK" in unread
    assert "to type" not in riding.trial(entry(answer="better", felt=["too high"]))
    stopped = entry(answer="worse", said="glorp", stopped=["pain"], health=True)
    assert 'to type: --clinician "NAME, YYYY-MM-DD", by itself' in riding.trial(stopped)
    assert "--felt" not in riding.trial(stopped)
    word = entry(ridden=False, clinician="A. Doc, 2026-05-02", flags={})
    assert "to type" not in riding.trial(word)
