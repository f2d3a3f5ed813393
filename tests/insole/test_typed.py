"""Sentences say what is wanted; only the command line says how that is typed."""

import ast
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
BELOW = sorted(
    path
    for room in ("footscan", "insole")
    for path in (ROOT / room).rglob("*")
    if path.suffix in (".py", ".html", ".js", ".toml") and "cli" not in path.parts
)
# a plan's record keeps by option what was stated of its scans: data, and no sentence
DATA = re.compile(r"--(without-arch)?")


def options(command: click.Command) -> set[str]:
    """Return every option of a command and of those below it."""
    found = {name for param in command.params for name in param.opts if name.startswith("--")}
    if isinstance(command, click.Group):
        found |= set().union(*(options(one) for one in command.commands.values()))
    return found


def spoken(path: Path) -> list[str]:
    """Return the texts of a file that somebody may see: of a module none that tells of the code."""
    text = path.read_text("utf-8")
    if path.suffix != ".py":
        return [re.sub(r"var\(--[^)]*\)", "", text)]  # a colour by its role
    tree, told = ast.parse(text), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[0] if node.body else None
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                told.add(id(first.value))
    texts = (one for one in ast.walk(tree) if isinstance(one, ast.Constant) and id(one) not in told)
    return [one.value for one in texts if isinstance(one.value, str)]


def test_what_errors_and_codes_ask_for_is_an_option():
    asked = {
        name
        for path in BELOW
        for call in re.findall(r"\.asking\(([^)]*)\)", path.read_text("utf-8"))
        for name in re.findall(r'"(\w+)"', call)
    }
    assert len(asked) > 10
    known = options(cli.cli)
    for name in (*asked, *typed.OF_CODE.values()):
        assert typed.how(name).strip(" ()") in known


def test_no_sentence_below_the_command_line_names_an_option():
    # after setProperty stands a name of the style sheet's own
    switch = re.compile(r"(?<![\w<!-])(?<!setProperty\(\")--[a-z][a-z-]+")
    said = {
        str(path.relative_to(ROOT)): found
        for path in BELOW
        if (
            found := [
                one
                for text in spoken(path)
                if not DATA.fullmatch(text)
                for one in switch.findall(text)
            ]
        )
    }
    assert said == {}
    assert len(BELOW) > 350


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
