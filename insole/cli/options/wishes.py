"""Options that say what the fitter wants: shoe, pad, wedges, cleat, answers, overrides.

click options (Sided) -> wish_options -> given -> request_of -> workflow.request.Request
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from insole.cli.options.answers import answers_of
from insole.cli.options.common import BY_HAND
from insole.cli.options.scans import shots_of
from insole.cli.options.sided import Sided, number, one_of, share, two

if TYPE_CHECKING:
    from insole.planning.wishes import PlanWishes
    from insole.record.values import Override
    from insole.workflow.request import Request

__all__ = ["request_of", "wish_options"]


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
        type=Sided("PERCENT", share),
        help="Pad top over the gap under the arch; 100 touches.",
    ),
    click.option(
        "--shift-pad",
        multiple=True,
        type=Sided("FORWARD,MEDIAL", two),
        help="Move the pad by hand, mm; negative is back or lateral.",
    ),
    click.option(
        "--turn-pad",
        multiple=True,
        type=Sided("DEG", number),
        help="Turn the pad by hand; + turns its front medially.",
    ),
    click.option(
        "--pad-source",
        multiple=True,
        type=Sided("scan|kit", one_of("scan", "kit")),
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
        "--no-pad-for",
        multiple=True,
        type=click.Choice(["left", "right"]),
        help="None is wanted for that foot.",
    ),
    click.option(
        "--medial-edge",
        multiple=True,
        type=Sided("MM", number),
        help="Height of the pad's medial side where the shoe's wall stands off; 0.4 lets "
        "it run out. Left out, it stands as high as the rules allow.",
    ),
    click.option(
        "--contoured",
        multiple=True,
        type=Sided("three-quarter|full", one_of("three-quarter", "full")),
        help="A contoured bed in one piece (heel cup, arch, lateral border) in place of "
        "base, pad and inside shims.",
    ),
    click.option("--cup", multiple=True, type=Sided("MM", number), help="Depth of its heel cup."),
    click.option(
        "--contour-material",
        multiple=True,
        type=Sided("NAME", str),
        help="What it is made of, such as base-pp, base-pa12, final-tpu or final-eva; the "
        "least thickness follows.",
    ),
    click.option(
        "--metatarsal",
        multiple=True,
        type=Sided("MM", number),
        help="A metatarsal pad of that height behind heads 2 to 4: a part of its own, or "
        "built into a contoured bed.",
    ),
    click.option(
        "--metatarsal-behind",
        multiple=True,
        type=Sided("MM", number),
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
        type=Sided("X,Y", two),
        help="Keep free around a tender spot: mm from the base's rear edge, mm "
        "medial of its centreline.",
    ),
    click.option(
        "--relief",
        multiple=True,
        type=Sided("MM", number),
        help="Depth of the relief under tender spots, 1 to 2 mm.",
    ),
    click.option(
        "--forefoot",
        multiple=True,
        type=Sided("DEG", number),
        help="Wedge inside at the forefoot; + is big-toe side up (varus).",
    ),
    click.option(
        "--heel", multiple=True, type=Sided("DEG", number), help="Wedge inside at the heel."
    ),
    click.option("--under", multiple=True, type=Sided("DEG", number), help="Wedge under the shoe."),
    click.option(
        "--confirm-zero", is_flag=True, help="A wish of 0 is to undo the shoe's own cant."
    ),
    click.option(
        "--dowels",
        is_flag=True,
        help="Place each pad on its base by dowels, to go back into the same place. The base "
        "becomes as thick as they want, unless your limits say how thick it is.",
    ),
    click.option(
        "--cleat",
        multiple=True,
        type=Sided("MM", number),
        help="Pedal axle ahead (+) or behind (-) the first metatarsal head.",
    ),
    click.option(
        "--cleat-before",
        multiple=True,
        type=Sided("MM", number),
        help="The same as ridden until now.",
    ),
    click.option(
        "--cleat-yaw",
        multiple=True,
        type=Sided("DEG", number),
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
        type=Sided("DEG", number),
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
    from insole.planning.wishes import Terms
    from insole.workflow.request import Request

    answers, clinician = answers_of(given)
    return Request(
        scans=tuple(shots_of(files, given)),
        shoe=given["shoe"],
        wishes=_wishes(given, version),
        terms=Terms(
            answers=answers,
            clinician=clinician,
            overrides=tuple(_override(text) for text in given["override"]),
            without_arch=given["without_arch"],
            sources=_sources(given),
        ),
        limits=given["limits"],
        by_hand=given["by_hand"],
    )


def _sources(given: dict[str, Any]) -> dict[str, Any]:
    """Return the names of the files given, and what was stated of the scans, as options."""
    from insole.door.wishes import OF_A_SCAN

    files = {name: given[name].name for name in ("shoe", "kit", "limits", "by_hand") if given[name]}
    stated: dict[str, Any] = {}
    for name in (*OF_A_SCAN, "without_arch"):
        if given[name] not in (None, (), False):
            value = list(given[name]) if isinstance(given[name], tuple) else given[name]
            if name in ("unit", "load", "kind") and len(set(value)) == 1:
                value = value[0]
            stated[f"--{name.replace('_', '-')}"] = value
    return files | ({"stated": stated} if stated else {})


def _wishes(given: dict[str, Any], version: int) -> PlanWishes:
    """Return the wishes: common ones, and what differs for one foot."""
    from insole.door.wishes import OF_A_FOOT
    from insole.planning.support import kit
    from insole.planning.wishes import FootWish, PlanWishes
    from insole.record import limits

    own = limits.load(given["limits"]) if given["limits"] else limits.default_limits()
    feet: dict[str, dict[str, Any]] = {"both": {}, "left": {}, "right": {}}
    for option, (word, _, _) in OF_A_FOOT.items():
        for wished in given[option]:
            mine = feet[wished.foot]
            # tender spots add up, of everything else the last one typed counts
            mine[word] = (*mine.get(word, ()), wished.value) if word == "tender" else wished.value
    for foot in [*(["both"] if given["no_pad"] else []), *given["no_pad_for"]]:
        feet[foot]["pad"] = False
    return PlanWishes(
        both=FootWish.of(**feet["both"]),
        left=FootWish.of(**feet["left"]),
        right=FootWish.of(**feet["right"]),
        case=given["case"],
        date=given["date"],
        version=version,
        kit=kit.load(given["kit"], own) if given["kit"] else None,
        confirm_zero=given["confirm_zero"],
        body_mass=given["body_mass"],
        dowels=given["dowels"],
    )


def _override(text: str) -> Override:
    from insole.record.values import Override

    parts = [part.strip() for part in text.split(";")]
    if len(parts) != 4 or not all(parts):
        raise click.UsageError(
            f"--override wants LIMIT;WHO;WHY;WHEN, all four filled, got {text!r}"
        )
    return Override(limit=parts[0], who=parts[1], why=parts[2], when=parts[3])
