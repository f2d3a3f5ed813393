"""Options that say what the fitter wants: shoe, pad, wedges, cleat, answers, overrides.

click options -> wish_options -> given -> request_of -> workflow.request.Request
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from insole.cli.options.answers import answers_of
from insole.cli.options.common import BY_HAND
from insole.cli.options.scans import shots_of

if TYPE_CHECKING:
    from insole.planning.planner import FootWish, PlanWishes
    from insole.record.values import Override
    from insole.workflow.request import Request

__all__ = ["request_of", "wish_options"]


_SIDED = "[left=|right=]"
WISHES = (
    click.option(
        "--shoe",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Shoe file; without one the bed is taken as flat, and said so.",
    ),
    click.option(
        "--case",
        default="case",
        show_default=True,
        metavar="NAME",
        help="Pseudonym of the case; names the folder.",
    ),
    click.option(
        "--version",
        "version",
        type=click.IntRange(1),
        default=None,
        metavar="N",
        help="Number of the plan within the case.",
    ),
    click.option("--date", default="", metavar="TEXT", help="Date to print on the papers."),
    click.option(
        "--support",
        multiple=True,
        metavar=f"{_SIDED}PERCENT",
        help="Pad top over the gap under the arch; 100 touches.",
    ),
    click.option(
        "--shift-pad",
        multiple=True,
        metavar=f"{_SIDED}FORWARD,MEDIAL",
        help="Move the pad by hand, mm; negative is back or lateral.",
    ),
    click.option(
        "--turn-pad",
        multiple=True,
        metavar=f"{_SIDED}DEG",
        help="Turn the pad by hand; + turns its front medially.",
    ),
    click.option(
        "--pad-source",
        multiple=True,
        metavar=f"{_SIDED}scan|kit",
        help="One-off from the scan, or the nearest of the kit.",
    ),
    click.option(
        "--kit",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="The workshop's own pads.",
    ),
    click.option("--no-pad", is_flag=True, help="No arch pad is wanted."),
    click.option(
        "--medial-edge",
        multiple=True,
        metavar=f"{_SIDED}MM",
        help="Height of the pad's medial side where the shoe's wall stands off; 0.4 lets "
        "it run out. Left out, it stands as high as the rules allow.",
    ),
    click.option(
        "--contoured",
        multiple=True,
        metavar=f"{_SIDED}three-quarter|full",
        help="A contoured bed in one piece (heel cup, arch, lateral border) in place of "
        "base, pad and inside shims.",
    ),
    click.option("--cup", multiple=True, metavar=f"{_SIDED}MM", help="Depth of its heel cup."),
    click.option(
        "--contour-material",
        multiple=True,
        metavar=f"{_SIDED}NAME",
        help="What it is made of, such as base-pp, base-pa12, final-tpu or final-eva; the "
        "least thickness follows.",
    ),
    click.option(
        "--metatarsal",
        multiple=True,
        metavar=f"{_SIDED}MM",
        help="A metatarsal pad of that height behind heads 2 to 4: a part of its own, or "
        "built into a contoured bed.",
    ),
    click.option(
        "--metatarsal-behind",
        multiple=True,
        metavar=f"{_SIDED}MM",
        help="Its crest behind the line of those heads; 8 if left out.",
    ),
    click.option(
        "--limits",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="The workshop's own limits (TOML); what they change is printed in the plan.",
    ),
    click.option(
        "--tender",
        multiple=True,
        metavar=f"{_SIDED}X,Y",
        help="Keep free around a tender spot: mm from the base's rear edge, mm "
        "medial of its centreline.",
    ),
    click.option(
        "--relief",
        multiple=True,
        metavar=f"{_SIDED}MM",
        help="Depth of the relief under tender spots, 1 to 2 mm.",
    ),
    click.option(
        "--forefoot",
        multiple=True,
        metavar=f"{_SIDED}DEG",
        help="Wedge inside at the forefoot; + is big-toe side up (varus).",
    ),
    click.option("--heel", multiple=True, metavar=f"{_SIDED}DEG", help="Wedge inside at the heel."),
    click.option("--under", multiple=True, metavar=f"{_SIDED}DEG", help="Wedge under the shoe."),
    click.option(
        "--confirm-zero", is_flag=True, help="A wish of 0 is to undo the shoe's own cant."
    ),
    click.option(
        "--dowels",
        is_flag=True,
        help="Place each pad on its base by dowels, to go back into the same place.",
    ),
    click.option(
        "--cleat",
        multiple=True,
        metavar=f"{_SIDED}MM",
        help="Pedal axle ahead (+) or behind (-) the first metatarsal head.",
    ),
    click.option(
        "--cleat-before",
        multiple=True,
        metavar=f"{_SIDED}MM",
        help="The same as ridden until now.",
    ),
    click.option(
        "--cleat-yaw",
        multiple=True,
        metavar=f"{_SIDED}DEG",
        help="Turn of the cleat; + turns the front medially.",
    ),
    click.option(
        "--body-mass",
        type=float,
        metavar="KG",
        help="Of the rider, for the comparison of pressure; a nominal one if left out.",
    ),
    click.option(
        "--ankle",
        multiple=True,
        metavar=f"{_SIDED}DEG",
        help="Angle of the sole to its bed held while pedalling, + toes up; balanced if left out.",
    ),
    click.option(
        "--answers",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Answers to the questions before parts (TOML), or the plan that holds them.",
    ),
    click.option(
        "--answer",
        multiple=True,
        metavar="QUESTION=yes|no",
        help="One answer; see 'solewright questions'.",
    ),
    click.option(
        "--clinician",
        default="",
        metavar="NAME, DATE",
        help="A clinician's word, needed after a stop answer.",
    ),
    click.option(
        "--override",
        multiple=True,
        metavar="LIMIT;WHO;WHY;WHEN",
        help="Pass a limit on purpose; printed on every paper.",
    ),
    BY_HAND,
    click.option(
        "--without-arch",
        is_flag=True,
        help="Shims and a flat base only, for scans that show no arch.",
    ),
)


def wish_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say what the fitter wants."""
    for option in reversed(WISHES):
        command = option(command)
    return command


def request_of(files: Sequence[Path], given: dict[str, Any], version: int) -> Request:
    """Return the request that the options spell out."""
    from insole.workflow.request import Request

    answers, clinician = answers_of(given)
    return Request(
        scans=tuple(shots_of(files, given)),
        shoe=given["shoe"],
        wishes=_wishes(given, version),
        answers=answers,
        clinician=clinician,
        overrides=tuple(_override(text) for text in given["override"]),
        without_arch=given["without_arch"],
        limits=given["limits"],
        by_hand=given["by_hand"],
        sources=_sources(given),
    )


def _sources(given: dict[str, Any]) -> dict[str, Any]:
    """Return the names of the files given, and what was stated of the scans, as options."""
    files = {name: given[name].name for name in ("shoe", "kit", "limits", "by_hand") if given[name]}
    stated: dict[str, Any] = {}
    names = (
        "side",
        "unit",
        "scale",
        "load",
        "kind",
        "foot_length",
        "landmark",
        "one_foot",
        "hand_held",
        "without_arch",
    )
    for name in names:
        if given[name] not in (None, (), False):
            value = list(given[name]) if isinstance(given[name], tuple) else given[name]
            stated[f"--{name.replace('_', '-')}"] = value
    return files | ({"stated": stated} if stated else {})


def _wishes(given: dict[str, Any], version: int) -> PlanWishes:
    """Return the wishes: common ones, and what differs for one foot."""
    from insole.planning.planner import PlanWishes
    from insole.planning.support import kit
    from insole.record import limits

    own = limits.load(given["limits"]) if given["limits"] else limits.default_limits()
    table: dict[str, dict[str, Any]] = {"both": {}, "left": {}, "right": {}}
    readers: dict[str, tuple[str, Callable[[str], Any]]] = {
        "support": ("support_level", lambda text: float(text) / 100),
        "shift_pad": ("shift", _two),
        "turn_pad": ("turn", float),
        "pad_source": ("pad_source", _source),
        "forefoot": ("forefoot", float),
        "heel": ("heel", float),
        "under": ("under", float),
        "cleat": ("cleat_offset", float),
        "cleat_before": ("cleat_before", float),
        "cleat_yaw": ("cleat_yaw", float),
        "ankle": ("ankle", float),
        "tender": ("tender", _two),
        "medial_edge": ("medial_edge", float),
        "relief": ("relief", float),
        "contoured": ("contoured", _length),
        "cup": ("cup", float),
        "contour_material": ("contour_material", str),
        "metatarsal": ("metatarsal", float),
        "metatarsal_behind": ("metatarsal_behind", float),
    }
    for option, (name, read) in readers.items():
        for text in given[option]:
            foot, value = _sided(option, text, read)
            if name == "tender":
                table[foot].setdefault(name, ())
                table[foot][name] += (value,)
            else:
                table[foot][name] = value
    if given["no_pad"]:
        table["both"]["pad"] = False
    return PlanWishes(
        both=_foot_wish(table["both"]),
        left=_foot_wish(table["left"]),
        right=_foot_wish(table["right"]),
        case=given["case"],
        date=given["date"],
        version=version,
        kit=kit.load(given["kit"], own) if given["kit"] else None,
        confirm_zero=given["confirm_zero"],
        body_mass=given["body_mass"],
        dowels=given["dowels"],
    )


def _foot_wish(values: dict[str, Any]) -> FootWish:
    from insole.planning.planner import FootWish

    return FootWish(**values)


def _sided(option: str, text: str, read: Callable[[str], Any]) -> tuple[str, Any]:
    """Return which foot a wish is for, and its value."""
    foot, sep, rest = text.partition("=")
    if not sep:
        foot, rest = "both", text
    if foot.strip() not in ("both", "left", "right"):
        raise click.UsageError(f"--{option.replace('_', '-')}: {foot!r} is neither left nor right")
    try:
        value = read(rest.strip())
        if not all(math.isfinite(v) for v in _numbers(value)):
            raise ValueError(text)
        return foot.strip(), value
    except ValueError:
        raise click.UsageError(
            f"--{option.replace('_', '-')}: {rest.strip()!r} cannot be read; see --help"
        ) from None


def _numbers(value: Any) -> tuple[float, ...]:
    """Return the numbers in a wish; none in a word."""
    if isinstance(value, str):
        return ()
    return value if isinstance(value, tuple) else (value,)


def _two(text: str) -> tuple[float, float]:
    first, second = (float(part) for part in text.split(","))
    return first, second


def _source(text: str) -> str:
    if text not in ("scan", "kit"):
        raise ValueError(text)
    return text


def _length(text: str) -> str:
    if text not in ("three-quarter", "full"):
        raise ValueError(text)
    return text


def _override(text: str) -> Override:
    from insole.record.values import Override

    parts = [part.strip() for part in text.split(";")]
    if len(parts) != 4 or not all(parts):
        raise click.UsageError(
            f"--override wants LIMIT;WHO;WHY;WHEN, all four filled, got {text!r}"
        )
    return Override(limit=parts[0], who=parts[1], why=parts[2], when=parts[3])
