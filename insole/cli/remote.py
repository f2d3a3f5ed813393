"""For riders who never come: outlines photographed at home."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from insole.cli.options.common import JSON, QUIET, UNUSABLE
from insole.cli.options.outcomes import dumps, quiet_or, speak
from insole.cli.typed import how
from insole.errors import InsoleError

if TYPE_CHECKING:
    from footscan.outline.trace import Asked

__all__ = ["trace"]

AGAIN = 20  # exit code, as for scans
PAPERS = ("a4", "letter", "a4-pair", "letter-pair")


@click.command()
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path), metavar="PHOTO...")
@click.option(
    "--sheet",
    type=click.Choice(PAPERS),
    help="The paper; A4 and Letter are told apart if left out. A pair is two sheets taped along "
    "their long sides, for long feet.",
)
@click.option(
    "--side",
    "sides",
    multiple=True,
    type=click.Choice(["left", "right"]),
    help="Which foot; told from the shape if left out. Once per photo, in their order.",
)
@click.option(
    "--pen", type=float, metavar="MM", help="Thickness of the pen's barrel; a pencil's if left out."
)
@click.option(
    "--load",
    type=click.Choice(["seated", "half", "full"]),
    help="How the rider stood: seated, half (on both feet), full (on one).",
)
@click.option("--foot-length", type=float, metavar="MM", help="By hand; verifies the scale.")
@click.option("--ball-girth", type=float, metavar="MM", help="By tape around the ball.")
@click.option("--instep-girth", type=float, metavar="MM", help="By tape around the instep.")
@click.option(
    "--arch-height", type=float, metavar="MM", help="Floor to skin under the inner arch, by ruler."
)
@click.option(
    "--arch-at", type=float, metavar="MM", help="Where: from the back of the heel to the ruler."
)
@click.option("--forefoot-tilt", type=float, metavar="DEG", help="Unloaded; + big-toe side up.")
@click.option("--age", type=float, metavar="YEARS", help="Of the rider.")
@click.option("--body-mass", type=float, metavar="KG", help="Of the rider.")
@click.option(
    "--insole",
    "of_insole",
    is_flag=True,
    help="A stock insole was drawn around: writes its outline for a shoe file; wants --side.",
)
@click.option(
    "--instructions",
    type=click.Path(path_type=Path),
    metavar="PDF",
    help="Write the rider's page and the scale card, for --sheet a4 (or letter).",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path(),
    metavar="DIR",
    help="Folder for records and pictures; the present one if left out.",
)
@JSON
@QUIET
def trace(
    photos: Sequence[Path],
    sheet: str | None,
    sides: Sequence[str],
    of_insole: bool,
    instructions: Path | None,
    out: Path,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> int:
    """Measure feet from outlines on paper that were photographed; writes record and picture.

    Exit 0 done, 20 what was typed contradicts the outline, 3 a photo cannot be used.
    """
    from insole import remote

    if instructions is not None:
        page = sheet or "a4"
        if page not in ("a4", "letter"):
            raise click.UsageError("--instructions wants --sheet a4 or letter, the page's own size")
        remote.rider_page(instructions, page)
        quiet_or(quiet)(f"the rider's page is in {instructions}")
        if not photos:
            return 0
    if not photos:
        raise click.UsageError("name the photos of the outlines, or --instructions PDF")
    if sides and len(sides) != len(photos):
        raise click.UsageError(
            f"--side was given {len(sides)} times for {len(photos)} photos; give it once per "
            "photo, in their order"
        )
    if not out.parent.is_dir() or (out.exists() and not out.is_dir()):
        raise click.UsageError(f"there is no folder {out.parent}; make it or choose another --out")
    try:
        out.mkdir(exist_ok=True)
    except OSError as error:
        raise InsoleError(f"{out} cannot be made: {error.strerror}; choose another --out") from None
    if of_insole:
        return _insoles(photos, sheet, sides, given["pen"], out, as_json)
    return _feet(photos, _asked(len(photos), sheet, sides, given), out, as_json, quiet)


def _asked(
    count: int, sheet: str | None, sides: Sequence[str], given: dict[str, Any]
) -> list[Asked]:
    """Return what is known beside each photo."""
    from footscan.outline.trace import Asked
    from footscan.outline.typed import Typed
    from footscan.scan import Load, Side

    names = (
        "foot_length",
        "ball_girth",
        "instep_girth",
        "arch_height",
        "arch_at",
        "age",
        "body_mass",
        "forefoot_tilt",
    )
    of_foot = [n for n in names if given[n] is not None and n not in ("age", "body_mass")]
    if count > 1 and of_foot:
        raise click.UsageError(
            f"--{of_foot[0].replace('_', '-')} belongs to one foot; trace the photos one by one"
        )
    typed = Typed(**{name: given[name] for name in names})
    return [
        Asked(
            paper=sheet,
            side=Side(sides[k]) if sides else None,
            barrel=given["pen"],
            load=Load(given["load"]) if given["load"] else Load.UNKNOWN,
            typed=typed,
        )
        for k in range(count)
    ]


def _feet(
    photos: Sequence[Path], asked: Sequence[Asked], out: Path, as_json: bool, quiet: bool
) -> int:
    """Trace feet one by one and return the exit code."""
    import insole
    from footscan.errors import FootscanError
    from footscan.outline.traced import as_json as record_of
    from footscan.results import Verdict
    from insole import remote
    from insole.cli.show import outlines as show

    records: list[Any] = []
    code, taken = 0, set[Path]()
    for photo, found in zip(photos, remote.trace_each(photos, asked), strict=True):
        if isinstance(found, FootscanError):
            speak(f"solewright: {found}{how(*found.asks)}")
            records.append({"photo": str(photo), "error": str(found)})
            code = UNUSABLE
            continue
        kept = remote.keep(found, out, insole.__version__, taken)
        records.append(record_of(found.traced, insole.__version__))
        if found.traced.report.verdict is Verdict.AGAIN and code == 0:
            code = AGAIN
        if not as_json:
            click.echo(show.traced(found.traced))
        quiet_or(quiet)(f"record {kept.record}, picture {kept.picture}")
    if as_json:
        click.echo(dumps(records[0] if len(records) == 1 else records))
    return code


def _insoles(
    photos: Sequence[Path],
    sheet: str | None,
    sides: Sequence[str],
    pen: float | None,
    out: Path,
    as_json: bool,
) -> int:
    """Trace stock insoles and return the exit code."""
    from footscan.errors import FootscanError
    from footscan.scan import Side
    from insole import remote
    from insole.cli.show import outlines as show

    if not sides:
        raise click.UsageError("say which shoe the insole is from: --side left or right")
    records: list[Any] = []
    code = 0
    for photo, side in zip(photos, sides, strict=True):
        try:
            found = remote.trace_insole(photo, Side(side), sheet, pen)
        except FootscanError as error:
            speak(f"solewright: {error}{how(*error.asks)}")
            records.append({"photo": str(photo), "error": str(error)})
            code = UNUSABLE
            continue
        path = remote.keep_insole(found, out)
        records.append(show.insole_record(found, path))
        if not as_json:
            click.echo(show.insole(found, path))
    if as_json:
        click.echo(dumps(records[0] if len(records) == 1 else records))
    return code
