"""Dangerous faults of one line put into the program: does anything notice?

The faults stand in `danger_list.toml`: file, text as it is, text as it would be, what that would do
to a rider, and the tests of its room. The first of them is mostly a whole folder, made and read
back by the program itself. A fault whose text is no longer there, or there twice, is reported.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from faulty_copy import ROOT, Copy, Outcome

LIST = Path(__file__).with_name("danger_list.toml")
SECONDS = 900.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Danger:
    """A fault of one line, and who should notice it; `note` says why nothing can."""

    kind: str
    file: str
    old: str
    new: str
    harm: str
    tests: list[str]
    note: str = ""

    def wrong(self) -> str:
        """Return why it cannot be put in, if so."""
        path = ROOT / self.file
        count = path.read_text(encoding="utf-8").count(self.old) if path.is_file() else 0
        return "" if count == 1 else f"its text is there {count} times"


def known() -> list[Danger]:
    """Return the list, tests by their paths."""
    found = tomllib.loads(LIST.read_text(encoding="utf-8"))
    paths = found["tests"]
    return [
        Danger(**entry | {"tests": [paths.get(name, name) for name in entry["tests"]]})
        for entry in found["fault"]
    ]


def study(wanted: str, first: int, count: int) -> int:
    """Try the faults of the list, print each, and return how many nobody noticed."""
    every = [one for one in known() if wanted in f"{one.kind} {one.file} {one.old} {one.harm}"]
    chosen = every[first : first + count]
    told: Counter[str] = Counter()
    with Copy() as copy:
        for number, one in enumerate(chosen, first):
            drifted = one.wrong()
            if drifted:
                out = Outcome("drifted", drifted, 0.0)
            else:
                text = copy.text(one.file).replace(one.old, one.new)
                out = copy.tried(one.file, text, one.tests, SECONDS)
            word = "explained" if out.word == "survived" and one.note else out.word
            told[word] += 1
            by = one.note if word == "explained" else out.by
            head = f"{number:4} {word:9} {out.seconds:5.1f} s {one.kind:7} {one.file}"
            print(f"{head}: {one.harm} | {by}", flush=True)
    decided = told["noticed"] + told["survived"]
    score = 100 * told["noticed"] / max(decided, 1)
    print(f"{dict(told)}: {score:.1f} % of {decided} noticed")
    return decided - told["noticed"] + told["drifted"] + told["broken"]
