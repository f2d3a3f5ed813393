"""The form of kit pads: the mean of the pads that made-up feet get, as shares of their crest.

Every foot's one-off pad at a first trial's level is laid on one grid of shares, from its rear
over its crest to its front end, and from its lateral to its medial side. The mean goes into
``insole/planning/support/kit_form.toml``.

    python tests/benchmarks/kit_form.py [--feet N] [--seed N] [--write]
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from insole.planning import outline, seating
from insole.planning.support import kit
from insole.planning.support import pad as support
from insole.planning.support.tops import PadTop
from insole.planning.support.wish import SupportWish
from insole.record import rings
from insole.record.limits import default_limits
from insole.record.planned_parts import PadPlan
from tests.benchmarks.planning_study import level_shoe, made_up

FILE = Path(kit.__file__).with_name("kit_form.toml")
ROWS, COLUMNS = 13, 11
FEET, SEED = 24, 7
MOST_AT_SIDE = 1.4  # of the crest's height: a higher side is one foot's, not everybody's


@dataclass(frozen=True, kw_only=True)
class Sampled:
    """One pad on the grid of shares."""

    front: float
    medial: float
    heights: np.ndarray


def sampled(pad: PadPlan, crest_y: float) -> Sampled:
    """Return a pad on the grid of shares."""
    ring, x = shapely.Polygon(pad.outline), pad.crest.from_rear
    across = ring.intersection(shapely.LineString([(x, -200.0), (x, 200.0)])).bounds
    front, rear = pad.front_edge - x, x - pad.rear_edge
    medial, lateral = across[3] - crest_y, crest_y - across[1]
    u, v = np.linspace(-1.0, 1.0, ROWS), np.linspace(-0.999, 0.98, COLUMNS)
    at_x = x + np.where(u > 0, u * front, u * rear)
    at_y = crest_y + np.where(v > 0, v * medial, v * lateral)
    z = PadTop(pad).inside(*np.meshgrid(at_x, at_y, indexing="ij"))
    z = np.where(z > 0, z, np.nan)  # beyond its outline a pad says nothing
    return Sampled(
        front=front / (front + rear),
        medial=medial / (medial + lateral),
        heights=z / pad.crest.height,
    )


def mean_form(feet: int = FEET, seed: int = SEED) -> kit.Form:
    """Return the mean form of the pads of made-up feet."""
    limits, found = default_limits(), []
    for _, foot in made_up(feet, seed):
        shoe = level_shoe(foot)
        seated = seating.seat(foot, outline.lay_out(foot, shoe, limits), shoe, limits=limits)
        pad = support.plan_pad(seated, wish=SupportWish(), limits=limits).pad
        if pad is None:
            continue
        _, edge = rings.edges_at(seated.base, pad.crest.from_rear)
        found.append(sampled(pad, float(edge[0]) - pad.crest.from_medial))
    stack = np.stack([one.heights for one in found])
    count = np.isfinite(stack).sum(axis=0)
    heights = np.nan_to_num(stack).sum(axis=0) / np.maximum(count, 1)
    for column in range(COLUMNS // 2 + 1, COLUMNS):  # where the base's waist cut most pads off
        few = count[:, column] < len(found) / 3
        heights[few, column] = heights[few, column - 1]
    heights = np.clip(heights / heights[ROWS // 2, COLUMNS // 2], 0.0, MOST_AT_SIDE)
    return kit.Form(
        front=float(np.mean([one.front for one in found])),
        medial=float(np.mean([one.medial for one in found])),
        heights=heights,
    )


def text(form: kit.Form, feet: int, seed: int) -> str:
    """Return the file's text."""
    rows = [f"    [{', '.join(f'{z:.3f}' for z in row)}]," for row in form.heights]
    return "\n".join(
        [
            "# The mean form of the pads of made-up feet, as shares of the crest's height; "
            "written by",
            f"# tests/benchmarks/kit_form.py from {feet} feet, seed {seed}.",
            "# Rows from the rear end over the crest to the front end, columns from the lateral "
            "to the",
            "# medial side; front, medial: shares of length and width ahead of and beside the "
            "crest.",
            f"front = {form.front:.3f}",
            f"medial = {form.medial:.3f}",
            "heights = [",
            *rows,
            "]",
            "",
        ]
    )


def main() -> int:
    """Print or write the form."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--feet", type=int, default=FEET)
    options.add_argument("--seed", type=int, default=SEED)
    options.add_argument("--write", action="store_true", help="replace the file")
    given = options.parse_args()
    made = text(mean_form(given.feet, given.seed), given.feet, given.seed)
    if given.write:
        FILE.write_text(made, encoding="utf-8")
    print(made)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
