"""Made-up phone scans with the printed scale card beside the foot, and colours of the points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from footscan.scan import Array, Scan

SQUARES = ((-50.0, -31.0), (30.0, -31.0), (-50.0, 11.0), (30.0, 11.0))  # lower left corners, mm
HALF_MM = (75.0, 45.0)  # of the card
SKIN, PAPER, INK, FLOOR = 0.55, 0.82, 0.10, 0.30


def card(
    rng: np.random.Generator, spacing: float = 2.5, noise: float = 0.5, blur: float = 1.5
) -> tuple[Array, Array, Array]:
    """Return vertices (mm, flat at z = 0), faces and brightness of a card on a floor."""
    x = np.arange(-110.0, 110.1, spacing)
    y = np.arange(-80.0, 80.1, spacing)
    fine = 0.5
    gx, gy = np.meshgrid(np.arange(-110, 110.1, fine), np.arange(-80, 80.1, fine), indexing="ij")
    printed = np.full(gx.shape, FLOOR)
    printed[(np.abs(gx) < HALF_MM[0]) & (np.abs(gy) < HALF_MM[1])] = PAPER
    for left, low in SQUARES:
        inside = (gx >= left) & (gx <= left + 20) & (gy >= low) & (gy <= low + 20)
        printed[inside] = INK
    printed = ndimage.gaussian_filter(printed, blur / fine)
    at = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    at = at + rng.uniform(-0.3, 0.3, at.shape) * spacing
    cells = [(at[:, 0] + 110) / fine, (at[:, 1] + 80) / fine]
    light = ndimage.map_coordinates(printed, cells, order=1, mode="nearest")
    light = np.clip(light + rng.normal(0, 0.03, len(light)), 0, 1)
    vertices = np.column_stack([at, rng.normal(0, noise, len(at))])
    k = np.arange(len(x) * len(y)).reshape(len(x), len(y))
    a, b, c, d = (p.ravel() for p in (k[:-1, :-1], k[1:, :-1], k[1:, 1:], k[:-1, 1:]))
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    return vertices, faces, light


def beside(foot: Scan, rng: np.random.Generator, *, scale: float = 1.0, **shown: float) -> Scan:
    """Return a scan of a foot, mm, with a card 120 mm beside and below it, times `scale`."""
    vertices, faces, light = card(rng, **shown)
    low, high = foot.vertices.min(axis=0), foot.vertices.max(axis=0)
    place = np.array([(low[0] + high[0]) / 2, low[1] - 140.0, low[2] - 40.0])
    return replace(
        foot,
        vertices=np.concatenate([foot.vertices, vertices + place]) * scale,
        faces=np.concatenate([foot.faces, faces + len(foot.vertices)]),
        light=np.concatenate([np.full(len(foot.vertices), SKIN), light]),
    )


def as_ply(scan: Scan) -> bytes:
    """Return a scan with grey colours as text PLY."""
    grey = np.round(scan.light * 255).astype(int)
    head = [
        "ply",
        "format ascii 1.0",
        f"element vertex {len(scan.vertices)}",
        *(f"property float {name}" for name in "xyz"),
        *(f"property uchar {name}" for name in ("red", "green", "blue")),
        f"element face {len(scan.faces)}",
        "property list uchar int vertex_indices",
        "end_header",
    ]
    points = [
        f"{x:.6g} {y:.6g} {z:.6g} {g} {g} {g}"
        for (x, y, z), g in zip(scan.vertices.tolist(), grey.tolist(), strict=True)
    ]
    faces = [f"3 {a} {b} {c}" for a, b, c in scan.faces.tolist()]
    return ("\n".join([*head, *points, *faces]) + "\n").encode("ascii")
