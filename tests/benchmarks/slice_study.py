"""Do the print files slice as they are? Every STL and 3MF of an output folder, one by one.

Wanted of each file: closed as the slicer sees it, nothing repaired, no warning, and a toolpath on
the bed. Parts lie flat with layers of 0.15 mm; the bed is 350 x 350 mm, so that forms fit.
"Transition on segment lies outside" is one slicer's own word on its variable walls round letters:
shown and not counted, since the toolpath is whole, and with --more=--perimeter-generator=classic
nothing is said. Two slicers with their defaults, the two folders of files_study.py --plans 2
--seed 251 --no-step --keep, forms and a contoured bed among them: 9 files, none with trouble in
either; in six of them the one says that word.

The slicer is a program of its own that the project neither needs nor brings. Its command line
must know --info, --layer-height and --output; of --export-gcode, --bed-shape and --center what its
help names. One whose help names no bed is told of it by a settings file (--load, bed_shape).

    python tests/benchmarks/slice_study.py FOLDER --slicer PROGRAM [--more=--option=value]
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

LAYER_MM = 0.15
BED_MM = 350.0
BED = f"0x0,{BED_MM:g}x0,{BED_MM:g}x{BED_MM:g},0x{BED_MM:g}"
MIDDLE = f"{BED_MM / 2:g},{BED_MM / 2:g}"
TROUBLE = re.compile(
    r"warning|error|repair|open edge|non-?manifold|degenerate|empty|outside|failed", re.IGNORECASE
)
SAID = re.compile(r"transition on segment lies outside")
ALL_WELL = re.compile(r"^(manifold = yes|.*: *0)$")
REPAIRS = (
    "open_edges",
    "degenerate_facets",
    "edges_fixed",
    "facets_removed",
    "facets_added",
    "facets_reversed",
    "backwards_edges",
)


@dataclass(frozen=True, kw_only=True)
class Sliced:
    """What the slicer said of one file."""

    name: str
    bodies: int
    facets: int
    troubles: tuple[str, ...]
    layers: int = 0
    height: float = 0.0
    filament: str = "-"
    time: str = "-"


def called(slicer: str, *arguments: str) -> str:
    """Return all that the slicer prints; a call that fails says so in its last line."""
    run = subprocess.run(
        [slicer, *arguments], capture_output=True, text=True, timeout=600, check=False
    )
    text = "\n".join([run.stdout, run.stderr])
    return text if run.returncode == 0 else f"{text}\nfailed with code {run.returncode}"


def troubles_in(text: str) -> list[str]:
    """Return the lines that speak of trouble."""
    rows = [row.strip() for row in text.splitlines()]
    return [row for row in rows if TROUBLE.search(row) and not ALL_WELL.match(row)]


def figures(text: str, name: str) -> list[float]:
    """Return the values of ``name = value`` or ``; name = value`` lines."""
    found = re.findall(rf"^[; ]*{re.escape(name)} *= *([-\d.]+)", text, re.MULTILINE)
    return [float(value) for value in found]


def round_figures(text: str) -> list[float]:
    """Return the volumes of ``filament used = 703.0mm (5.0cm3)`` lines, cm3."""
    return [
        float(v) for v in re.findall(r"^; filament used = .*\(([\d.]+)cm3\)", text, re.MULTILINE)
    ]


def version_of(slicer: str) -> str:
    """Return the first line of the help that names a version."""
    rows = called(slicer, "--help").splitlines()
    return next((row for row in rows if re.match(r"\S+[- ]\d+\.\d+", row)), slicer)


def sliced(slicer: str, path: Path, room: Path, more: list[str]) -> Sliced:
    """Return what the slicer says of a file, and of the toolpath it makes of it."""
    info = called(slicer, "--info", str(path))
    troubles = troubles_in(info)
    seen = re.findall(r"^manifold = (\w+)", info, re.MULTILINE)
    if not seen or set(seen) != {"yes"}:
        troubles.append(f"manifold: {', '.join(seen) or 'not said'}")
    troubles += [f"{name} = {n:g}" for name in REPAIRS for n in figures(info, name) if n]
    target = room / f"{path.stem}.gcode"
    known = called(slicer, "--help")
    how = ["--export-gcode", "--bed-shape", BED, "--center", MIDDLE]
    if "--export-gcode" not in known:  # one that does nothing else
        how = ["--no-gui", "--print-center", MIDDLE]
        (settings := room / "bed.ini").write_text(f"bed_shape = {BED}\n")
        how += ["--bed-shape", BED] if "--bed-shape" in known else ["--load", str(settings)]
    said = called(
        slicer,
        *how,
        "--layer-height",
        f"{LAYER_MM}",
        "--first-layer-height",
        f"{LAYER_MM}",
        "--output",
        str(target),
        *more,
        str(path),
    )
    troubles += troubles_in(said)
    if not target.is_file() or not target.stat().st_size:
        troubles.append("no toolpath")
        code = ""
    else:
        code = target.read_text(errors="replace")
    heights = [float(z) for z in re.findall(r"^G1 Z([\d.]+)[^;\n]*$", code, re.MULTILINE)]
    laid = re.findall(r"^G1 X([-\d.]+) Y([-\d.]+) E[\d.]", code, re.MULTILINE)
    if any(not 0.0 <= float(at) <= BED_MM for place in laid for at in place):
        troubles.append("the toolpath leaves the bed")
    layers = re.findall(r"^;LAYER_CHANGE", code, re.MULTILINE) or sorted(set(heights))
    time = re.search(r"^; estimated printing time.*= (.+)$", code, re.MULTILINE)
    tops = [float(z) for z in re.findall(r"^;Z:([\d.]+)", code, re.MULTILINE)]
    return Sliced(
        name=path.name,
        bodies=int(sum(figures(info, "number_of_parts"))),
        facets=int(sum(figures(info, "number_of_facets"))),
        troubles=tuple(dict.fromkeys(troubles)),
        layers=len(layers),
        height=max(tops or heights, default=0.0),
        filament=f"{sum(figures(code, 'filament used [cm3]') or round_figures(code)):.2f} cm3",
        time=time.group(1) if time else "-",
    )


def main() -> int:
    """Slice everything in the folder and print a table; 1 when anything is not as it should be."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("folder", type=Path, help="output folder of one plan version")
    options.add_argument("--slicer", default="slicer", help="the slicer's program")
    options.add_argument(
        "--more",
        action="append",
        default=[],
        metavar="OPTION",
        help="further option for the slicer, as --more=--name=value; may be repeated",
    )
    given = options.parse_args()
    slicer = shutil.which(given.slicer)
    if slicer is None:
        print(f"skipped: there is no program {given.slicer}; name a slicer with --slicer")
        return 0
    files = sorted(p for p in (given.folder / "print").glob("*") if p.suffix in (".stl", ".3mf"))
    if not files:
        print(f"{given.folder} has no print files; name an output folder", file=sys.stderr)
        return 2
    print(f"{version_of(slicer)}, layers of {LAYER_MM} mm {' '.join(given.more)}".rstrip())
    print(f"{'file':44} bodies  facets  layers   top mm   extruded  time")
    bad = 0
    with tempfile.TemporaryDirectory() as room:
        for path in files:
            row = sliced(slicer, path, Path(room), given.more)
            print(
                f"{row.name:44} {row.bodies:6} {row.facets:7} {row.layers:7} {row.height:8.2f} "
                f"{row.filament:>10}  {row.time}"
            )
            for trouble in row.troubles:
                print(f"    {trouble}")
            bad += any(not SAID.search(trouble) for trouble in row.troubles)
    print(f"{len(files)} files sliced, {bad} with trouble")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
