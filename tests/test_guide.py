"""The guides name files, folders and modules: each of them is there."""

from __future__ import annotations

import re
from fnmatch import fnmatch
from functools import cache
from pathlib import Path

import pytest

from insole.record.limits import default_limits

ROOT = Path(__file__).parents[1]
ROOMS = ("footscan", "insole", "tests", "sample_scans", "docs")
KINDS = (".py", ".toml", ".md", ".css", ".npz", ".txt", ".typed")
OF_A_WORKSHOP = {"stock.toml"}  # named in the guides, and not ours
WRITTEN = {"json", "csv", "html", "ply", "pdf", "png", "stl", "js"}  # endings, no names in a module


@cache
def tree() -> frozenset[str]:
    """Return all files and folders, folders with a slash behind them."""
    found = {p.name for p in ROOT.iterdir() if p.is_file()}
    for room in ROOMS:
        found.add(f"{room}/")
        for path in (ROOT / room).rglob("*"):
            name = path.relative_to(ROOT).as_posix()
            found.add(f"{name}/" if path.is_dir() else name)
    return frozenset(name for name in found if "__pycache__" not in name)


@cache
def names(guide: str) -> tuple[str, ...]:
    """Return the words in backticks, and those of the commands, that could name something here."""
    text = (ROOT / guide).read_text(encoding="utf-8")
    blocks = re.findall(r"```.*?```", text, re.S)
    inline = re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.S))
    words = {word for phrase in inline for word in phrase.split()}
    words |= {word for block in blocks for word in block.split() if word.startswith("tests/")}
    return tuple(sorted(words))


def is_there(name: str) -> bool:
    """Return whether a file or folder ends so; rooms above it may be left out."""
    if "*" in name:
        return any(fnmatch(one, f"*{name}") for one in tree())
    return any(f"/{one}".endswith(f"/{name}") for one in tree())


def modules(dotted: str) -> list[Path]:
    """Return the files of the modules that a dotted name may mean."""
    path = dotted.replace(".", "/")
    ends = (f"/{path}.py", f"/{path}/__init__.py")
    return [ROOT / one for one in tree() if f"/{one}".endswith(ends)]


def is_named(dotted: str) -> bool:
    """Return whether a dotted name is a module, or a module's or class's own name."""
    home, _, last = dotted.rpartition(".")
    own = re.escape(last).replace(r"\*", r"\w*")
    bound = re.compile(rf'^ *(def |class )?{own}\b *[:(=]|"{own}"', re.M)
    texts = (path.read_text(encoding="utf-8") for path in modules(home))
    return bool(modules(dotted)) or any(bound.search(text) for text in texts)


def missing(guide: str) -> list[str]:
    """Return what a guide names and is not there."""
    gone = []
    for name in names(guide):
        if "=" in name or name.startswith(("..", "~", "--", ".venv")) or name in OF_A_WORKSHOP:
            continue
        if name.endswith(KINDS) or name.startswith(tuple(f"{room}/" for room in ROOMS)):
            there = is_there(name) or is_there(f"{name}/")
        elif re.fullmatch(r"[a-z_]+(\.[A-Za-z_]+\*?)+", name):
            last = name.rpartition(".")[2]
            there = last in WRITTEN or name in default_limits() or is_named(name)
        else:
            continue
        if not there:
            gone.append(name)
    return gone


@pytest.mark.parametrize("guide", ["README.md", "DEVELOPERS.md"])
def test_all_that_a_guide_names_is_there(guide: str) -> None:
    assert missing(guide) == []


def test_a_name_that_is_not_there_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    gone = ("footscan/measuring/no.py", "specimen_truth.py", "pose.no_such", "tests/insole/no/")
    there = ("pose.settle", "measuring/measures.py", "footscan/quality/", "keepout.ball_clear")
    monkeypatch.setattr(f"{__name__}.names", lambda _: (*gone, *there))
    assert missing("README.md") == list(gone)


def test_both_guides_name_many_places() -> None:
    readme = {*names("README.md")}
    assert {"insole/record/limits.toml", "tests/benchmarks/landmark_study.py"} <= readme
    assert len(names("DEVELOPERS.md")) > 150
