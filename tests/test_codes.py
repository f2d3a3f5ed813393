"""A code that somebody asks for is one that somebody gives: a misspelt one would never be met."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LEAST = 4  # letters of a code that is put together: fewer would be any code
MODULES = [path for room in ("footscan", "insole") for path in sorted((ROOT / room).rglob("*.py"))]


@pytest.fixture(scope="module")
def trees() -> dict[Path, ast.Module]:
    return {path: ast.parse(path.read_text(encoding="utf-8")) for path in MODULES}


def takes_code(trees: dict[Path, ast.Module]) -> dict[str, int]:
    """Return functions that take a code, with its place among the arguments."""
    found = {}
    for tree in trees.values():
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                names = [one.arg for one in node.args.args]
                if "code" in names:
                    found[node.name] = names.index("code") - (names[0] in ("self", "cls"))
    return found


def patterns(node: ast.expr) -> Iterator[str]:
    """Return the codes that an expression may be, as patterns."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield re.escape(node.value)
    elif isinstance(node, ast.JoinedStr):
        plain = [str(part.value) for part in node.values if isinstance(part, ast.Constant)]
        if len("".join(plain)) >= LEAST:
            yield "".join(
                re.escape(str(part.value)) if isinstance(part, ast.Constant) else "[a-z_-]+"
                for part in node.values
            )
    elif isinstance(node, ast.IfExp):
        yield from patterns(node.body)
        yield from patterns(node.orelse)


def calls(tree: ast.Module) -> Iterator[tuple[ast.Call, ast.AST]]:
    """Return each call with the function that it stands in."""
    for around in ast.walk(tree):
        if isinstance(around, ast.FunctionDef):
            for node in ast.walk(around):
                if isinstance(node, ast.Call):
                    yield node, around


def constants_of(tree: ast.Module) -> dict[str, ast.expr]:
    """Return what a module's names are set to."""
    return {
        target.id: node.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }


def is_name(node: ast.expr, among: dict[str, ast.expr]) -> bool:
    return isinstance(node, ast.Name) and node.id in among


def given(trees: dict[Path, ast.Module]) -> list[re.Pattern[str]]:
    """Return patterns of all codes that findings and notes are given."""
    takers, found = takes_code(trees), set()
    for tree in trees.values():
        constants = constants_of(tree)
        for node, around in calls(tree):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            name = node.func.id if isinstance(node.func, ast.Name) else name
            at = takers.get(name, 0 if name in ("Note", "Finding") else None)
            codes = [word.value for word in node.keywords if word.arg == "code"]
            if at is not None and len(node.args) > at:
                codes.append(node.args[at])
            for code in codes:
                places = [code]
                if isinstance(code, ast.Name):  # its words stand in the function or in a table
                    places = [part for part in ast.walk(around) if isinstance(part, ast.expr)]
                    tables = [constants[p.id] for p in places if is_name(p, constants)]
                    places += [p for t in tables for p in ast.walk(t) if isinstance(p, ast.expr)]
                for place in places:
                    found.update(patterns(place))
    return [re.compile(pattern) for pattern in sorted(found)]


def words(node: ast.expr, constants: dict[str, ast.expr]) -> Iterator[str]:
    """Return the strings in an expression; names stand for constants of the module."""
    if isinstance(node, ast.Name) and node.id in constants:
        node = constants[node.id]
    if any(isinstance(part, ast.comprehension) for part in ast.walk(node)):
        return  # made of other tables
    if isinstance(node, ast.Dict):
        node = ast.Tuple([key for key in node.keys if key is not None])
    if isinstance(node, ast.JoinedStr):
        yield "".join(str(p.value) if isinstance(p, ast.Constant) else "some" for p in node.values)
        return
    for part in ast.walk(node):
        if isinstance(part, ast.Constant) and isinstance(part.value, str):
            yield part.value


def asked(trees: dict[Path, ast.Module]) -> list[tuple[str, str, int]]:
    """Return codes that some ``.code`` is compared with: code, file, line."""
    found = []
    for path, tree in trees.items():
        constants = constants_of(tree)
        for node in ast.walk(tree):
            if not isinstance(node, ast.Compare):
                continue
            sides = [node.left, *node.comparators]
            if any(isinstance(side, ast.Attribute) and side.attr == "code" for side in sides):
                for side in sides:
                    if not isinstance(side, ast.Attribute):
                        name = str(path.relative_to(ROOT))
                        found += [(word, name, node.lineno) for word in words(side, constants)]
    return found


def test_every_code_that_is_asked_for_is_given_somewhere(trees: dict[Path, ast.Module]) -> None:
    codes = given(trees)
    every = asked(trees)
    assert len(every) > 30
    lost = [one for one in every if not any(code.fullmatch(one[0]) for code in codes)]
    assert not lost


def test_echoes_and_scale_findings_are_given_somewhere(trees: dict[Path, ast.Module]) -> None:
    from footscan import results
    from footscan.quality import findings, places

    codes = given(trees)
    named = {*findings.ECHOES, *results.NO_SCALE, *places.BANDS, *places.MARKS, *places.CUTS}
    named |= {cause for causes in findings.ECHOES.values() for cause in causes}
    assert not {name for name in named if not any(code.fullmatch(name) for code in codes)}
