"""Photographs of drawn outlines for tests, small and quick, with the truth known."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from footscan.outline.photo import Photo, of_pixels
from footscan.scan import Side
from footscan.specimen import camera, drawn
from footscan.specimen.camera import Shot
from footscan.specimen.drawn import DrawnSheet, Pen

PIXELS = (1040, 780)
PEN = Pen(width=0.9, wobble=0.0)


def sheet(ring: np.ndarray, side: Side = Side.RIGHT, pen: Pen = PEN, **more: Any) -> DrawnSheet:
    """Return a drawn sheet; the same one every time."""
    return drawn.drawn(ring, side, pen, np.random.default_rng(3), **more)


def pixels(of: DrawnSheet, **shot: Any) -> np.ndarray:
    """Return a photograph, by default tilted a little, on wood."""
    given = {"pixels": PIXELS, "above": 330.0, "aside": (30.0, -40.0), "blur": 0.5} | shot
    return camera.photograph(of, Shot(**given), np.random.default_rng(4))


def photo(of: DrawnSheet, **shot: Any) -> Photo:
    """Return a photograph as it is read."""
    return of_pixels(pixels(of, **shot))


def saved(path: Path, rgb: np.ndarray, **more: Any) -> Path:
    """Write a photograph as a camera would."""
    buffer = io.BytesIO()
    kind = {".jpg": "JPEG", ".png": "PNG", ".webp": "WEBP", ".gif": "GIF"}[path.suffix]
    Image.fromarray(rgb).save(buffer, kind, **more)
    path.write_bytes(buffer.getvalue())
    return path
