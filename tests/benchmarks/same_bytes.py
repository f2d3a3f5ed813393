"""Do two checkouts give the same? Measures, checks, plans and whole folders, byte by byte.

For a change that only moves walls: the same scans, shoes and wishes are run through the command
line of both trees, and every difference is named. Texts that were changed on purpose show up here
too, and are then read one by one.

    python tests/benchmarks/same_bytes.py OLD-TREE NEW-TREE [--data FOLDER] [--keep FOLDER]

Exit code 1 when anything differs.
"""

from __future__ import annotations

import argparse
import filecmp
import os
import subprocess
import sys
import tempfile
from pathlib import Path

SAMPLES = ("sample_scans/larch_left.ply", "sample_scans/larch_right.ply")
SHOE = ("--shoe", "sample_scans/shoe.toml", "--load", "half")
RIDERS = {  # scans and wishes; how files are wanted
    "plain": ((*SAMPLES, *SHOE, "--forefoot", "right=2"), ("--form", "--layers")),
    "bed": ((*SAMPLES, *SHOE, "--contoured", "full", "--metatarsal", "5"), ("--bed", "300x300")),
    "kit": ((SAMPLES[0], *SHOE, "--pad-source", "kit", "--heel", "left=-2"), ("--step",)),
}
SUFFIXES = (".ply", ".stl", ".obj")


def run(tree: Path, out: Path, data: Path | None) -> None:
    """Write what a tree makes of everything into `out`."""
    env = os.environ | {"PYTHONPATH": str(tree), "OMP_NUM_THREADS": "1"}
    out.mkdir(parents=True, exist_ok=True)

    def call(*arguments: str) -> bytes:
        done = subprocess.run(
            [sys.executable, "-m", "insole.cli", *arguments],
            cwd=tree,
            env=env,
            check=False,
            capture_output=True,
        )
        return done.stdout + done.stderr + f"\nexit {done.returncode}\n".encode()

    for name, (wishes, files) in RIDERS.items():
        made = call(
            "make",
            *wishes,
            *files,
            "--case",
            name,
            "--thick-edges-checked",
            "--quiet",
            "--out",
            str(out / "parts"),
        )
        plan = call("plan", *wishes, "--case", name, "--json", "--out", str(out / "plans"))
        for command, said in (("make", made), ("plan", plan)):
            (out / f"{command}-{name}.txt").write_bytes(said.replace(str(out).encode(), b"OUT"))
    scans = [*SAMPLES]
    if data is not None:
        scans += [str(p) for p in sorted(data.rglob("*")) if p.suffix.lower() in SUFFIXES]
    for k, scan in enumerate(scans):
        for command in ("measure", "check"):
            (out / f"{command}-{k:03d}.txt").write_bytes(call(command, "--json", scan))


def apart(one: Path, two: Path) -> list[str]:
    """Return the names of files that differ or stand on one side only."""
    names = {
        str(p.relative_to(root)) for root in (one, two) for p in root.rglob("*") if p.is_file()
    }
    return sorted(
        name
        for name in names
        if not (
            (one / name).is_file()
            and (two / name).is_file()
            and filecmp.cmp(one / name, two / name, shallow=False)
        )
    )


def main() -> int:
    """Compare and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("old", type=Path)
    options.add_argument("new", type=Path)
    options.add_argument("--data", type=Path)
    options.add_argument("--keep", type=Path, help="keep what was made here")
    given = options.parse_args()
    data = given.data.resolve() if given.data else None
    with tempfile.TemporaryDirectory() as room:
        place = given.keep or Path(room)
        for name, tree in (("old", given.old), ("new", given.new)):
            run(tree.resolve(), place / name, data)
        differing = apart(place / "old", place / "new")
        count = sum(p.is_file() for p in (place / "new").rglob("*"))
    print(f"{count} files, {len(differing)} differ", *differing, sep="\n")
    return 1 if differing else 0


if __name__ == "__main__":
    raise SystemExit(main())
