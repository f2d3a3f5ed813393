"""A new shoe file from a few figures: what is asked, the text of the file, written once.

    figures (key -> value) + files of a scanned bed, a traced insole -> write_new -> shoe.toml

Only name, inside length, ball width and drop are needed; without the heel's width the shoe is a
rough one. The file is read back as every shoe file is before it stands there.
"""

from __future__ import annotations

import filecmp
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from footscan import files
from footscan.files import why
from insole.errors import PlanError
from insole.shoe import shoe
from insole.shoe.shoe import Shoe

__all__ = [
    "FIGURES",
    "HEIGHT_LINES",
    "SLOTS",
    "Figure",
    "library",
    "old_name",
    "refusal",
    "text",
    "write_new",
]

LARGEST = 1_000_000  # bytes of a shoe file
LARGEST_BESIDE = 400_000_000  # bytes; of a scanned bed, as of every scan


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of a shoe file: its key, how to measure it, whether it is needed.

    `usual` is what most shoes have, common practice, no source: beyond it a typed figure is asked
    to be confirmed.
    """

    key: str
    question: str
    unit: str = "mm"
    needed: bool = False
    usual: tuple[float, float] | None = None


FIGURES: tuple[Figure, ...] = (
    Figure(
        key="inside.length",
        needed=True,
        usual=(210.0, 330.0),
        question="Inside length, heel to toe end along the middle of the bed",
    ),
    Figure(
        key="inside.ball_width",
        needed=True,
        usual=(75.0, 125.0),
        question="Width of the bed across its widest place at the ball",
    ),
    Figure(
        key="bed.drop",
        needed=True,
        usual=(0.0, 20.0),
        question="Drop: how much higher the bed lies at the heel than at the ball",
    ),
    Figure(
        key="inside.heel_width", question="Width between the counter's walls, 15 mm above the bed"
    ),
    Figure(
        key="inside.instep_height",
        question="Height from bed to closure over the highest place of the instep",
    ),
    Figure(key="inside.ball_girth", question="Girth inside the shoe at the ball"),
    Figure(key="stock_insole.thickness.heel", question="Stock insole, thickness at the heel"),
    Figure(key="stock_insole.thickness.arch", question="Stock insole, thickness at the arch"),
    Figure(key="stock_insole.thickness.ball", question="Stock insole, thickness at the ball"),
    Figure(key="stock_insole.thickness.toes", question="Stock insole, thickness at the toes"),
    Figure(
        key="shell.cant_forefoot",
        unit="degrees",
        usual=(-3.0, 3.0),
        question="Tilt built into the shoe at the ball, + big-toe side up",
    ),
    Figure(
        key="shell.cant_heel",
        unit="degrees",
        usual=(-3.0, 3.0),
        question="Tilt built into the shoe at the heel, + big-toe side up",
    ),
    Figure(key="shell.stack", question="From the pedal axle to the bed at the ball"),
)
# of a middling shoe, so that one figure can be judged before the others are known
_STAND_INS = {"inside.length": 280.0, "inside.ball_width": 100.0, "bed.drop": 8.0}
_TABLES = (
    "inside",
    "bed",
    "bed.heights",
    "shell",
    "stock_insole",
    "stock_insole.thickness",
    "cleat",
    "outline",
)
HEIGHT_LINES = ("medial", "midline", "lateral")
SLOTS: tuple[Figure, ...] = (
    Figure(
        key="cleat.mark_from_heel",
        question="From the rear end of the bed inside forward to that mark",
    ),
    Figure(key="cleat.front", question="Foremost place of the pedal axle, ahead of the mark"),
    Figure(key="cleat.rear", question="Rearmost place, ahead of the mark (behind it is negative)"),
    Figure(key="cleat.yaw", unit="degrees", question="How far the cleat turns each way"),
)


def text(name: str, figures: Mapping[str, Any]) -> str:
    """Return the text of a shoe file; values that are None are left out.

    Parameters
    ----------
    name : str
        The workshop's own word for shoe and size.
    figures : mapping of str to object
        By key with its table, such as ``inside.length``: numbers, several numbers, texts, true
        or false.
    """
    rows = [
        "# Lengths in mm, angles in degrees. What was not measured is left out and is not known.",
        "",
        f"name = {_value(name)}",
    ]
    for table in _TABLES:
        mine = {
            key.rsplit(".", 1)[1]: value
            for key, value in figures.items()
            if value is not None and key.rsplit(".", 1)[0] == table
        }
        if mine:
            rows += ["", f"[{table}]", *(f"{key} = {_value(v)}" for key, v in mine.items())]
    return "\n".join(rows) + "\n"


def refusal(key: str, figures: Mapping[str, Any]) -> str:
    """Return why a figure cannot be right beside those known so far, or nothing.

    Parameters
    ----------
    key : str
        Of the figure to judge, one of `figures`.
    figures : mapping of str to object
        By key with its table; what is not known yet is left out or None.
    """
    known = {name: value for name, value in figures.items() if value is not None}
    words = text("new shoe", _STAND_INS | {"stock_insole.kept": False} | known)
    try:
        shoe.parse(tomllib.loads(words), "", None)
    except PlanError as error:
        sentence = str(error).removeprefix(": ")
        return sentence if key in sentence else ""
    return ""


def write_new(
    path: Path,
    name: str,
    figures: Mapping[str, Any],
    beside: Sequence[Path] = (),
    *,
    replace: bool = False,
) -> Shoe:
    """Write a new shoe file, and copies of the files it names beside it; return the shoe.

    With `replace` a file that is there is written anew; the old one stays as NAME.toml.old.

    Raises
    ------
    insole.errors.PlanError
        The file is there already, a figure cannot be right, or a file cannot be read or
        written; nothing is left behind.
    """
    if path.suffix.lower() != ".toml":
        raise PlanError(f"a shoe file ends in .toml, got {path.name!r}; give such a name")
    files.sweep(path.parent)
    old = files.read_bounded(path, LARGEST) if replace and path.exists() else None
    if old is None and path.exists():
        raise PlanError(f"{path} is there already and is kept; choose another name")
    words = text(name, figures)
    copied: list[Path] = []
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for source in beside:
            target = path.parent / source.name
            if not target.exists():
                copied.append(target)
                files.write_new(target, files.read_bounded(source, LARGEST_BESIDE))
            elif not filecmp.cmp(target, source, shallow=False):
                raise PlanError(f"{target} is another file of that name; rename {source}")
        found = shoe.parse(tomllib.loads(words), path.name, path.parent)
        if old is None:
            files.write_new(path, words.encode())
        else:
            files.write_new(old_name(path), old)
            files.write_whole(path, words.encode())
    except (OSError, PlanError) as error:
        for target in copied:
            target.unlink(missing_ok=True)
        if isinstance(error, PlanError):
            raise
        reason = why(error)
        raise PlanError(f"{error.filename or path}: {reason}; choose another file") from None
    return found


def old_name(path: Path) -> Path:
    """Return the free name that a shoe file which is written anew is kept under."""
    name = path.with_name(f"{path.name}.old")
    number = 2
    while name.exists():
        name = path.with_name(f"{path.name}.old-{number}")
        number += 1
    return name


def library(folder: Path) -> tuple[list[Path], list[str]]:
    """Return the shoe files in a workshop's folder by name, and a sentence for each bad one.

    Raises
    ------
    insole.errors.PlanError
        There is no such folder, or no shoe in it.
    """
    if not folder.is_dir():
        raise PlanError(f"there is no folder of shoes at {folder}; check the path")
    good, bad = [], []
    for path in sorted(folder.glob("*.toml")):
        try:
            shoe.load(path)
        except PlanError as error:
            bad.append(f"left out: {error}")
        else:
            good.append(path)
    if not good:
        reason = f" ({bad[0]})" if bad else ""
        raise PlanError(
            f"{folder} holds no shoe file{reason}; write one with 'solewright shoe new'"
        )
    return good, bad


def _value(value: Any) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else f"{value:g}"
