"""The sample scans of an invented rider, made anew."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from footscan.scan import Side, Unit
from footscan.specimen.made_up import Shape, build
from footscan.specimen.scanner import Hole, ScannerSpec, scan, write_scan

__all__ = ["main", "sample_shapes", "write_samples"]


def sample_shapes() -> tuple[Shape, Shape]:
    """Return left and right foot of the made-up rider of the sample scans."""
    left = Shape(
        length=268.4,
        breadth=100.5,
        heel_breadth=68.6,
        ball_share=0.742,
        arch_height=17.5,
        hallux_deg=9.0,
        second_longer=-5.5,
        side=Side.LEFT,
    )
    right = replace(
        left,
        length=270.9,
        breadth=101.4,
        heel_breadth=69.0,
        arch_height=15.4,
        ball_share=0.739,
        hallux_deg=7.0,
        side=Side.RIGHT,
    )
    return left, right


def write_samples(folder: str | Path) -> list[Path]:
    """Write the sample scans anew and return their paths; the same bytes every time.

    Parameters
    ----------
    folder : str or Path
        Made when missing; files of the same names are replaced.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for shape in sample_shapes():
        foot, side = build(shape), str(shape.side)
        outward = 1.0 if shape.side is Side.LEFT else -1.0
        clean = ScannerSpec(
            points=24000,
            noise=0.08,
            turn_deg=(0, 0, 90 + 7 * outward),
            shift=(-90 * outward, 12, 0),
        )
        noisy = ScannerSpec(
            points=14000,
            noise=0.22,
            unit=Unit.M,
            turn_deg=(90, 0, 25 * outward),
            shift=(140 * outward, 310, -95),
            floor=45.0,
            strays=60,
            islands=1,
        )
        paths.append(write_scan(scan(foot, clean, _rng(1)), folder / f"larch_{side}.ply"))
        paths.append(
            write_scan(scan(foot, noisy, _rng(2)), folder / f"larch_{side}_floor_metres.ply")
        )
    bad = ScannerSpec(
        points=6000,
        noise=0.9,
        turn_deg=(0, 0, 80),
        holes=(Hole(at="arch_apex", diameter=62.0),),
        strays=250,
        cut_toes=6.0,
        faces=True,
    )
    paths.append(write_scan(scan(foot, bad, _rng(3)), folder / "larch_right_to_send_back.ply"))
    return paths


def _rng(seed: int) -> np.random.Generator:
    """Return a generator with a fixed seed: the samples never change by chance."""
    return np.random.default_rng(seed)


def main(arguments: list[str]) -> int:
    """Write the sample scans into the folder named, or into the project's own."""
    if len(arguments) > 1 or any(a.startswith("-") for a in arguments):
        sys.stderr.write("usage: python -m footscan.specimen.samples [FOLDER]\n")
        return 2
    own = Path(__file__).resolve().parents[2] / "sample_scans"
    for path in write_samples(arguments[0] if arguments else own):
        sys.stdout.write(f"{path} {path.stat().st_size / 1e6:.2f} MB\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
