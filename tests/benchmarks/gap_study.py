"""How far off a foot is read where a gap of its outline was bridged, by the gap's place.

    python tests/benchmarks/gap_study.py [--feet 20] [--each 24] [--seed 3]

Gaps are cut into the outlines of made-up feet and bridged as those of photographs are; length and
largest breadth are held against the same outline without a gap. The limits in
``footscan/outline/gaps.py`` are read from what this prints. About half a minute.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
import shapely
from scipy import ndimage
from trace_scenes import feet

from footscan.outline.closed import bridged
from footscan.outline.gaps import LIMIT_MM, place_of

STEP_MM, PEN_MM, WOBBLE_MM = 0.5, 3.5, 0.12
GAPS_MM = (8, 14, 18, 20, 26, 32, 40, 44, 48)


def even(ring: np.ndarray) -> np.ndarray:
    """Return a closed ring with a point every step."""
    around = shapely.LinearRing(ring)
    at = np.linspace(0, around.length, int(around.length / STEP_MM), endpoint=False)
    return shapely.get_coordinates(shapely.line_interpolate_point(around, at))


def sizes(line: np.ndarray) -> np.ndarray:
    """Return length and largest breadth of the foot inside a line."""
    inner = shapely.Polygon(line).buffer(0).buffer(-PEN_MM)
    inner = max(getattr(inner, "geoms", [inner]), key=lambda piece: piece.area)
    return np.ptp(shapely.get_coordinates(inner.exterior), axis=0)


def main() -> int:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--feet", type=int, default=20)
    parser.add_argument("--each", type=int, default=24)
    parser.add_argument("--seed", type=int, default=3)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    off: dict[tuple[str, int], list[np.ndarray]] = {}
    for foot in feet(given.feet):
        line = even(shapely.get_coordinates(shapely.Polygon(foot["ring"]).buffer(PEN_MM).exterior))
        true = sizes(line)
        share = (line[:, 0] - line[:, 0].min() - PEN_MM) / true[0]
        for gap in GAPS_MM:
            count = int(gap / STEP_MM)
            for _ in range(given.each):
                wobble = ndimage.gaussian_filter1d(
                    rng.normal(size=line.shape), 4.0, axis=0, mode="wrap"
                )
                there = line + wobble * WOBBLE_MM / wobble.std()
                at = (rng.integers(len(line)) + np.arange(count)) % len(line)
                there[at] = np.linspace(there[at[0] - 1], there[(at[-1] + 1) % len(line)], count)
                seen = np.ones(len(line), dtype=bool)
                seen[at] = False
                read = sizes(bridged(there, seen))
                off.setdefault((place_of(share[at]), gap), []).append(read - true)
    for place, gap in sorted(off):
        values = np.array(off[place, gap])
        rms, most = np.sqrt((values**2).mean(axis=0)), np.abs(values).max(axis=0)
        print(
            f"{place:6s} {gap:3d} mm ({len(values):3d}): length rms {rms[0]:.2f} most "
            f"{most[0]:.1f}, breadth rms {rms[1]:.2f} most {most[1]:.1f} mm"
            f"{'' if gap <= LIMIT_MM[place] else '  beyond the limit'}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
