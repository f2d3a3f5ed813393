"""A small picture of a sole for the page of all cases.

    Foot -> sole_png -> PNG bytes: seen from above, toes up, as the foot is worn

Heights are shown in steps of one scale for all feet, so that pictures can be compared.
"""

from __future__ import annotations

import io

import numpy as np

from footscan.foot import Foot
from footscan.scan import Side

__all__ = ["HIGH_MM", "sole_png"]

CELL_MM = 2  # of the picture, in cells of the map
HIGH_MM = 25.0  # this high and more is palest
LOW_COLOUR, HIGH_COLOUR = (12, 53, 88), (238, 229, 205)  # told apart in grey as well
BANDS = 10  # heights are shown in steps, so that two feet can be compared


def sole_png(foot: Foot) -> bytes:
    """Return the sole's height map as a small picture; dark touches the ground.

    Seen from above with the toes up: a right foot's medial side is to the left.
    """
    from PIL import Image

    step = max(1, round(CELL_MM / foot.sole.cell))
    z = foot.sole.z[::step, ::step]
    share = np.clip(np.where(np.isfinite(z), z, 0.0) / HIGH_MM, 0, 1)
    share = np.floor(share * BANDS).clip(max=BANDS - 1) / (BANDS - 1)
    low, high = np.array(LOW_COLOUR, float), np.array(HIGH_COLOUR, float)
    colour = np.round(low + share[..., None] * (high - low)).astype(np.uint8)
    shown = np.dstack([colour, np.where(np.isfinite(z), 255, 0).astype(np.uint8)])
    shown = shown[::-1]  # +x, the toes, is up
    if foot.side is Side.RIGHT:
        shown = shown[:, ::-1]  # +y, the medial side, is to the left
    file = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(shown)).save(file, format="PNG", optimize=True)
    return file.getvalue()
