"""Small faults put into the program one at a time: which of them does no test notice?

    python tests/benchmarks/mutation_study.py [--count 150] [--seed 1] [--rooms planning,parts]
    python tests/benchmarks/mutation_study.py --only insole/planning/wedging.py [--count 40]
    python tests/benchmarks/mutation_study.py --dangers [--wanted bench.py] [--first 0 --count 50]
    python tests/benchmarks/mutation_study.py --limits wedge.contour_step,...   thresholds by 4 %

A fault is one change of the syntax tree: a number by 4 %, a sign, a comparison, min for max, and
for or, a word for its opposite (left, medial, front), a condition turned round. It is made in a
copy of the house, and tests run against it, the nearest first (`--list` shows which), up to the
first that fails. A fault that all of them pass survives, and is printed with its line: read it,
write the test that would have noticed, or say in `changes_nothing.toml` why it changes nothing that
anybody could see. Those of the list are counted apart and decide nothing.
"""

from __future__ import annotations

import argparse
import ast
import random
import re
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import dangers
from faulty_copy import ROOT, Copy, Outcome

ROOMS = {
    "planning": "insole/planning",
    "parts": "insole/parts",
    "output": "insole/output",
    "pose": "footscan/measuring/pose.py",
}
WORDS = {
    "left": "right",
    "right": "left",
    "medial": "lateral",
    "lateral": "medial",
    "front": "rear",
    "rear": "front",
    "big-toe side": "little-toe side",
    "little-toe side": "big-toe side",
    "LEFT": "RIGHT",
    "RIGHT": "LEFT",
}
COMPARE = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
REACH = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
CALLS = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "sin": "cos",
    "cos": "sin",
    "argmin": "argmax",
    "argmax": "argmin",
    "floor": "ceil",
    "ceil": "floor",
    "any": "all",
    "all": "any",
    "radians": "degrees",
}
WHITE = 255  # of a picture: there is none above it
NOTHING = Path(__file__).with_name("changes_nothing.toml")
LIMITS = "insole/record/limits.toml"
SECONDS = 900.0  # of a clock: other work may go on beside it
FAR, MOST = 4, 10  # imports between a module and a test, and test files so far away
SLOW = (
    "tests/desk/",
    "tests/test_",
    "tests/insole/test_batch",
    "tests/insole/test_partner",
    "tests/insole/commands/test_any",
)
APPROVED = "tests/insole/test_approved.py"
WHOLE = (  # folders made from end to end and read back, plans against hand-worked figures
    "tests/insole/readback/test_files_alone.py",
    "tests/insole/readback/test_cut_faults.py::test_the_folder_as_it_was_made_is_read_without_a_word",
    "tests/insole/readback/test_sound_folders.py",
    "tests/insole/test_planner.py",
    "tests/outside/test_places_by_hand.py",
)


@dataclass(frozen=True)
class Fault:
    """A place in a module and what is done there."""

    file: str
    line: int
    number: int  # of the change within the module, counted as the tree is walked
    words: str


class _Changer(ast.NodeTransformer):
    """Counts the changes that could be made, and makes the wanted one."""

    def __init__(self, wanted: int = -1) -> None:
        self.wanted, self.count = wanted, 0
        self.found: list[tuple[int, str]] = []

    def _turn(self, node: ast.AST, words: str) -> bool:
        self.found.append((getattr(node, "lineno", 0), words))
        self.count += 1
        return self.count - 1 == self.wanted

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        return node if isinstance(node.value, ast.Constant) else self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        if node.value is not None:
            node.value = self.visit(node.value)
        return node

    def visit_arguments(self, node: ast.arguments) -> ast.AST:
        node.defaults = [self.visit(one) for one in node.defaults]
        node.kw_defaults = [one and self.visit(one) for one in node.kw_defaults]
        return node

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        node.body = [self.visit(one) for one in node.body]  # not what it is declared as
        return node

    def visit_keyword(self, node: ast.keyword) -> ast.AST:
        return node if node.arg == "strict" else self.generic_visit(node)  # of lists as long anyway

    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        return node  # wording of errors is not what this study is about

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        return node

    def visit_FormattedValue(self, node: ast.FormattedValue) -> ast.AST:
        return node

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        value = node.value
        if isinstance(value, bool):
            if self._turn(node, f"{value} for {not value}"):
                return ast.copy_location(ast.Constant(not value), node)
        elif isinstance(value, float) and value and abs(value) > 1e-5 and value != 1.0:
            if self._turn(node, f"{value:g} by 4 %"):
                return ast.copy_location(ast.Constant(value * 1.04), node)
        elif isinstance(value, int) and abs(value) > 1 and value != WHITE:
            if self._turn(node, f"{value} by one"):
                return ast.copy_location(ast.Constant(value + 1), node)
        elif isinstance(value, str) and value in WORDS and self._turn(node, f"{value} exchanged"):
            return ast.copy_location(ast.Constant(WORDS[value]), node)
        return node

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        self.generic_visit(node)
        if type(node.ops[0]) in COMPARE and self._turn(node, "comparison turned round"):
            node.ops[0] = COMPARE[type(node.ops[0])]()
        return node

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        self.generic_visit(node)
        text = isinstance(node.left, ast.Constant | ast.JoinedStr) and isinstance(
            getattr(node.left, "value", ""), str
        )
        if type(node.op) in REACH and not text:
            new = REACH[type(node.op)]
            if self._turn(node, f"{type(node.op).__name__} for {new.__name__}"):
                node.op = new()
        return node

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.AST:
        self.generic_visit(node)
        if isinstance(node.op, ast.USub | ast.Not) and self._turn(
            node, f"{type(node.op).__name__} left out"
        ):
            return node.operand
        return node

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        self.generic_visit(node)
        if self._turn(node, "and for or"):
            node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        return node

    def visit_Call(self, node: ast.Call) -> ast.AST:
        self.generic_visit(node)
        name = node.func
        key = name.attr if isinstance(name, ast.Attribute) else getattr(name, "id", "")
        if key in CALLS and self._turn(node, f"{key} for {CALLS[key]}"):
            if isinstance(name, ast.Attribute):
                name.attr = CALLS[key]
            else:
                node.func = ast.copy_location(ast.Name(CALLS[key], ast.Load()), name)
        return node


def modules(rooms: list[str]) -> list[Path]:
    found: list[Path] = []
    for room in rooms:
        place = ROOT / ROOMS.get(room, room)
        found += sorted(place.rglob("*.py")) if place.is_dir() else [place]
    return [path for path in found if path.name != "__init__.py"]


def faults_in(path: Path) -> list[Fault]:
    changer = _Changer()
    changer.visit(ast.parse(path.read_text(encoding="utf-8")))
    name = str(path.relative_to(ROOT))
    return [Fault(name, line, k, words) for k, (line, words) in enumerate(changer.found)]


def faulty(fault: Fault) -> str:
    """Return the module's text with the fault in it."""
    tree = ast.parse((ROOT / fault.file).read_text(encoding="utf-8"))
    tree = _Changer(fault.number).visit(tree)
    return ast.unparse(ast.fix_missing_locations(tree))


def _imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@lru_cache(maxsize=1)
def _importers() -> dict[str, set[str]]:
    """Return by module or test file who imports it, in functions too; files from the root."""
    files = [p for room in ("footscan", "insole", "tests") for p in (ROOT / room).rglob("*.py")]
    known = {_module(path): str(path.relative_to(ROOT)) for path in files}
    found: dict[str, set[str]] = {}
    for path in files:
        for name in _imported(path):
            if name in known and path.name != "__init__.py":
                found.setdefault(known[name], set()).add(str(path.relative_to(ROOT)))
    return found


def _module(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def tests_of(file: str) -> tuple[list[str], list[str]]:
    """Return the test files to try a fault against first, and those to try it against then.

    First those of the module's name and those that import it. Then the approved outputs, those that
    import who imports it, what speaks of it before the others and nearest first, and what is made
    from end to end and read back. Slow ones are left out.
    """
    stem, away, ring, seen = Path(file).stem, 0, {file}, {file}
    near: dict[str, int] = {}
    kin: set[str] = set()  # tests named for modules on the way
    while ring and away < FAR:
        kin |= {f"test_{Path(one).stem}" for one in ring}
        away += 1
        ring = {one for name in ring for one in _importers().get(name, ())} - seen
        seen |= ring
        near |= dict.fromkeys((one for one in ring if Path(one).name.startswith("test_")), away)
    near = {one: far for one, far in near.items() if not one.startswith(SLOW)}
    every = [path for path in (ROOT / "tests").rglob("test_*.py") if not stem.startswith("test")]
    ours = [p for p in every if stem == p.stem[5:] or stem.startswith(f"{p.stem[5:]}_")]
    ours += [p for p in every if p.stem == f"test_{stem}s"]
    named = sorted(str(path.relative_to(ROOT)) for path in ours)
    order = sorted(
        near,
        key=lambda one: (
            near[one] > 1 and not _speaks(one, stem),
            near[one],
            Path(one).stem not in kin,
            one,
        ),
    )
    first = [*named, *(one for one in order if near[one] == 1 and one not in named)]
    then = [one for one in order if one not in (*first, APPROVED)][:MOST]
    known = {*first, *then}
    rest = [one for one in WHOLE if one.partition("::")[0] not in known]
    return first, [APPROVED, *then, *rest]


@lru_cache(maxsize=4096)
def _speaks(test: str, stem: str) -> bool:
    """Return whether a test's words name a module."""
    return stem in (ROOT / test).read_text(encoding="utf-8")


def tried(copy: Copy, fault: Fault) -> Outcome:
    """Return how the tests of a fault ended, the nearest first."""
    first, then = tests_of(fault.file)
    text, spent = faulty(fault), 0.0
    for tests in (first, then):
        if not tests:
            continue
        out = copy.tried(fault.file, text, tests, SECONDS)
        spent += out.seconds
        if out.word != "survived":
            break
    return replace(out, seconds=spent)


def changes_nothing() -> dict[tuple[str, str, str], str]:
    """Return why a fault changes nothing, by file, the line it stands in, and its words."""
    found = tomllib.loads(NOTHING.read_text(encoding="utf-8"))["fault"]
    return {(one["file"], one["line"], one["words"]): one["why"] for one in found}


def limits_study(names: list[str]) -> int:
    """Change thresholds of limits.toml by 4 %, one at a time, in the same way."""
    bad = 0
    with Copy() as copy:
        whole = copy.text(LIMITS)
        for name in names:
            table, _, key = name.rpartition(".")
            head, sep, rest = whole.partition(f"[{table}]")
            new = re.sub(
                rf"(?m)^({re.escape(key)} = {{ value = )(-?[\d.]+)",
                lambda m: f"{m[1]}{float(m[2]) * 1.04:.6g}",
                rest,
                count=1,
            )
            if not sep or new == rest:
                print(f"  {name}: not found")
                bad += 1
                continue
            tests = ["tests/insole/test_thresholds.py"]
            out = copy.tried(LIMITS, head + sep + new, tests, SECONDS)
            bad += out.word == "survived"
            print(f"  {name} by 4 %: {out.word}", flush=True)
    return bad


def sample_study(rooms: list[str], count: int, seed: int, first: int) -> None:
    """Try a random sample of all faults, and print each and the score by room."""
    known = [fault for path in modules(rooms) for fault in faults_in(path)]
    chosen = random.Random(seed).sample(known, min(count, len(known)))
    print(f"{len(chosen)} of {len(known)} faults in {len(modules(rooms))} modules", flush=True)
    told: dict[str, Counter[str]] = {"all": Counter()}
    reasons = changes_nothing()
    with Copy() as copy:
        for number, fault in enumerate(chosen[first:], first):
            text = copy.text(fault.file).splitlines()[fault.line - 1].strip()
            why = reasons.get((fault.file, text, fault.words))
            out = Outcome("explained", why, 0.0) if why else tried(copy, fault)
            for name in ("all", _room(fault.file)):
                told.setdefault(name, Counter())[out.word] += 1
            print(
                f"{number:4} {out.word:9} {out.seconds:5.1f} s {fault.file}:{fault.line}: "
                f"{fault.words} | {out.by or text}",
                flush=True,
            )
    for name, words in sorted(told.items()):
        print(f"{name}: {dict(words)}: {score(words['noticed'], words['survived'])}")


def _room(file: str) -> str:
    return next((name for name, place in ROOMS.items() if file.startswith(place)), file)


def score(noticed: int, survived: int) -> str:
    """Return the share noticed with its band of 95 % (Wilson); slow ones decide nothing."""
    from scipy.stats import binomtest

    if not noticed + survived:
        return "none decided"
    band = binomtest(noticed, noticed + survived).proportion_ci(method="wilson")
    return (
        f"{100 * noticed / (noticed + survived):.1f} % of {noticed + survived} noticed "
        f"({100 * band.low:.0f} to {100 * band.high:.0f} %)"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, help="150; of the list: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rooms", default=",".join(ROOMS))
    parser.add_argument("--only", default="")
    parser.add_argument("--limits", default="")
    parser.add_argument("--list", action="store_true", help="print the faults, try none")
    parser.add_argument("--dangers", action="store_true", help="the faults of danger_list.toml")
    parser.add_argument("--wanted", default="", help="of these, those with such words")
    parser.add_argument("--first", type=int, default=0, help="number of the first to try")
    args = parser.parse_args()
    if args.dangers:
        return 1 if dangers.study(args.wanted, args.first, args.count or 10_000) else 0
    if args.limits:
        return 1 if limits_study(args.limits.split(",")) else 0
    rooms = [args.only] if args.only else args.rooms.split(",")
    if args.list:
        for path in modules(rooms):
            print(f"{path.relative_to(ROOT)}: {len(faults_in(path))} faults")
            for tests in tests_of(str(path.relative_to(ROOT))):
                print(f"    {' '.join(tests)}")
        return 0
    sample_study(rooms, args.count or 150, args.seed, args.first)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
