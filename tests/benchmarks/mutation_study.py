"""Small faults put into the program one at a time: which of them does no test notice?

    python tests/benchmarks/mutation_study.py [--count 150] [--seed 1] [--rooms planning,parts]
    python tests/benchmarks/mutation_study.py --only insole/planning/wedging.py [--count 40]
    python tests/benchmarks/mutation_study.py --dangers [--wanted bench.py] [--first 0 --count 50]
    python tests/benchmarks/mutation_study.py --limits wedge.contour_step,...   thresholds by 4 %

A fault is one change of the syntax tree: a number by 4 %, a sign, a comparison, min for max, and
for or, a word for its opposite (left, medial, front), a condition turned round. It is made in a
copy of the house, and those test files run that import the module, or have its name. A fault that
all of them pass survives, and is printed with its line: read it, write the test that would have
noticed, or say why it changes nothing that anybody could see.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import dangers

ROOT = Path(__file__).resolve().parents[2]
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
SECONDS = 420


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
        elif isinstance(value, int) and abs(value) > 1:
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


def tests_of(file: str, most: int) -> list[str]:
    """Return the test files that import a module or have its name, those of its name first."""
    module = file.removesuffix(".py").replace("/", ".")
    stem = module.rpartition(".")[2]
    named, others = [], []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        if path.name.startswith(("test_browser", "test_main_job")):
            continue
        if path.stem in (f"test_{stem}", f"test_{stem}s"):
            named.append(path)
        elif module in set(_imported(path)):
            others.append(path)
    if not named and not others:  # a module that no test names: the tests of its room
        room = module.split(".")[1]
        near = {
            "planning": ["test_planner", "test_support"],
            "parts": ["test_build", "test_part"],
            "output": ["test_folder"],
        }.get(room, [])
        others = [path for path in (ROOT / "tests").rglob("test_*.py") if path.stem in near]
    return [str(path.relative_to(ROOT)) for path in (*named, *others)][:most]


def tried(fault: Fault, most: int) -> tuple[str, float]:
    """Return "noticed", "survived", "slow" or "no test", and the seconds that it took."""
    tests = tests_of(fault.file, most)
    if not tests:
        return "no test", 0.0
    began = time.monotonic()
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        copy = Path(folder)
        for name in ("footscan", "insole", "tests", "sample_scans"):
            shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", copy)
        (copy / fault.file).write_text(faulty(fault), encoding="utf-8")
        try:
            done = subprocess.run(
                [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", *tests],
                cwd=copy,
                capture_output=True,
                timeout=SECONDS,
                check=False,
                env=os.environ
                | {"PYTHONPATH": str(copy), "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"},
            )
        except subprocess.TimeoutExpired:
            return "slow", time.monotonic() - began
    return ("survived" if done.returncode == 0 else "noticed"), time.monotonic() - began


def limits_study(names: list[str]) -> int:
    """Change thresholds of limits.toml by 4 %, one at a time, in the same way."""
    import re

    bad = 0
    for name in names:
        with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
            copy = Path(folder)
            for part in ("footscan", "insole", "tests", "sample_scans"):
                shutil.copytree(
                    ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__")
                )
            shutil.copy(ROOT / "pyproject.toml", copy)
            path = copy / "insole" / "record" / "limits.toml"
            table, _, key = name.rpartition(".")
            head, sep, rest = path.read_text(encoding="utf-8").partition(f"[{table}]")
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
            path.write_text(head + sep + new, encoding="utf-8")
            done = subprocess.run(
                [
                    sys.executable,
                    "-m",
                    "pytest",
                    "-x",
                    "-q",
                    "--no-header",
                    "tests/insole/test_thresholds.py",
                ],
                cwd=copy,
                capture_output=True,
                check=False,
                env=os.environ | {"PYTHONPATH": str(copy), "OMP_NUM_THREADS": "1"},
            )
            bad += done.returncode == 0
            print(f"  {name} by 4 %: {'survived' if done.returncode == 0 else 'noticed'}")
    return bad


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, help="150; of the list: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rooms", default=",".join(ROOMS))
    parser.add_argument("--only", default="")
    parser.add_argument("--limits", default="")
    parser.add_argument("--most", type=int, default=5, help="test files for one fault")
    parser.add_argument("--lanes", type=int, default=1)
    parser.add_argument("--list", action="store_true", help="print the faults, try none")
    parser.add_argument("--dangers", action="store_true", help="the faults of danger_list.toml")
    parser.add_argument("--wanted", default="", help="of these, those with such words")
    parser.add_argument("--first", type=int, default=0)
    args = parser.parse_args()
    if args.dangers:
        return 1 if dangers.study(args.wanted, args.first, args.count or 10_000) else 0
    if args.limits:
        return 1 if limits_study(args.limits.split(",")) else 0
    rooms = [args.only] if args.only else args.rooms.split(",")
    known = [fault for path in modules(rooms) for fault in faults_in(path)]
    chosen = random.Random(args.seed).sample(known, min(args.count or 150, len(known)))
    print(f"{len(chosen)} of {len(known)} faults in {len(modules(rooms))} modules", flush=True)
    if args.list:
        for fault in chosen:
            print(f"  {fault.file}:{fault.line}: {fault.words}  {tests_of(fault.file, args.most)}")
        return 0
    count: dict[str, int] = {}
    with ThreadPoolExecutor(max_workers=args.lanes) as pool:
        for fault, (result, took) in zip(
            chosen, pool.map(lambda one: tried(one, args.most), chosen), strict=True
        ):
            count[result] = count.get(result, 0) + 1
            text = (ROOT / fault.file).read_text(encoding="utf-8").splitlines()[fault.line - 1]
            print(
                f"  {result:8} {took:4.0f} s  {fault.file}:{fault.line}: {fault.words}"
                + (f" | {text.strip()}" if result != "noticed" else ""),
                flush=True,
            )
    decided = count.get("noticed", 0) + count.get("survived", 0)  # a slow one decides nothing
    score = 100 * (decided - count.get("survived", 0)) / max(decided, 1)
    print(f"{count}: {score:.0f} % of {decided} noticed")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
