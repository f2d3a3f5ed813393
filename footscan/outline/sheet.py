"""The sheet in a photograph: its edges to a part of a pixel, the lens's bend, the paper's kind.

    Photo -> find -> Sheet (mm <-> pixels)

The sheet is the only scale. Its four edges are straight, so what they are bent by in the picture
is the lens: one radial term is fitted with the four lines. Corners are where the lines meet, so
that a curled or hidden corner does not count. Paper is told from its proportions, through the
camera's own geometry.

Frame of a sheet: mm, seen from above, u along the short side, v along the long side. Which end is
up is not known; nothing is mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from footscan.outline import paper as papers
from footscan.outline.edges import bent, cut_off, edges
from footscan.outline.errors import OutlineError
from footscan.outline.paper import Paper
from footscan.outline.photo import Photo
from footscan.outline.search import LEAST, Rough, area_of, is_part, parted, rough
from footscan.scan import Array

__all__ = ["Sheet", "find"]

SMALL_PX = 400  # the longer side of the picture that is searched
NOT_FLAT_MM = 1.2  # edges that stray further from straight: a sheet that does not lie flat
LEAST_PX_PER_MM = 1.6
BLURRED_PX = 1.35  # a sharp photo from afar smears an edge by its own pixels
BLURRED_MM = 0.55  # standard deviation of an edge's smear
COVERED = 0.20  # of the sheet: more than a ruler
NO_PAPER = 0.12  # off every paper's proportions, as a logarithm
OF_PAPER = 0.035  # so near, a whole around a likely part is the sheet
BARE, SCRAP = 0.03, 0.4  # what a shadow leaves of a sheet is bare; what a leg leaves is a scrap
LEAST_CUT = 0.06  # of the picture: less is no sheet that somebody photographed
AS_GOOD = 0.75  # of the best one's score: worse readings have no say about its corners
NEAR_SHARE = 0.14  # of a sheet's mean side: corners so near are readings of one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """A sheet that was found.

    Attributes
    ----------
    paper : Paper
        Its kind, with the size that millimetres come from.
    evidence : str
        How the kind was told.
    corners : ndarray, shape (4, 2)
        Pixels of the photo, x right and y down; the frame's (0, 0), (u, 0), (u, v), (0, v).
    bend : float
        Radial term of the lens at half the diagonal; 0 is none.
    stray : float
        mm by which the edges stray from straight, root mean square.
    smear : float
        mm, standard deviation of the edges' blur.
    px_per_mm : float
        Along the smaller of both directions.
    """

    paper: Paper
    evidence: str
    corners: Array
    bend: float
    stray: float
    smear: float
    px_per_mm: float
    turn: Array = field(repr=False)  # mm to straight pixels about the middle, 3 x 3
    middle: Array = field(repr=False)
    half: float

    def pixels(self, mm: Array) -> Array:
        """Return where places on the sheet, shape (..., 2), lie in the photo, pixels."""
        mm = np.asarray(mm, dtype=float)
        flat = mm @ self.turn[:, :2].T + self.turn[:, 2]
        return bent(flat[..., :2] / flat[..., 2:], self.bend) * self.half + self.middle


def find(photo: Photo, stated: str | None = None) -> Sheet:
    """Return the sheet in a photograph.

    Parameters
    ----------
    photo : Photo
        Upright.
    stated : str or None
        Key of :data:`footscan.outline.paper.PAPERS`; None tells A4 from Letter.

    Raises
    ------
    footscan.outline.errors.OutlineError
        No sheet, not all of it, too small, not flat, blurred, or another paper than stated.
    """
    from PIL import Image

    grey: Array = np.asarray(Image.fromarray(photo.rgb).convert("L"), dtype=np.float32)
    start = _start(photo)
    corners, bend, stray_px, smear_px = edges(grey, start, photo.name)
    high, wide = grey.shape
    middle, half = np.array([wide - 1, high - 1]) / 2, float(np.hypot(wide, high) / 2)
    straight = (corners - middle) / half
    focal = photo.focal / half if photo.focal else None
    paper, order, evidence = papers.tell(straight, focal, stated, photo.name)
    straight = straight[order]
    turn = papers.homography(paper.ring, straight)
    sides = np.linalg.norm(np.roll(straight, -1, axis=0) - straight, axis=1) * half
    scale = float(min(sides[0::2].min() / paper.short, sides[1::2].min() / paper.long))
    mean = float(sides.sum() / (2 * (paper.short + paper.long)))
    _near_enough(scale, photo.name)
    if stray_px / mean > NOT_FLAT_MM:
        raise OutlineError(
            "not-flat",
            f"{photo.name}: the sheet's edges stray {stray_px / mean:.1f} mm from "
            "straight; tape the sheet down flat and photograph it again",
        )
    if smear_px / mean > max(BLURRED_MM, BLURRED_PX / scale):
        raise OutlineError(
            "blurred",
            f"{photo.name} is blurred: the sheet's edge is smeared over "
            f"{2 * smear_px / mean:.1f} mm; hold the telephone still, in good light, and try again",
        )
    placed = bent(straight, bend) * half + middle
    return Sheet(
        paper=paper,
        evidence=evidence,
        corners=placed,
        bend=bend,
        stray=stray_px / mean,
        smear=smear_px / mean,
        px_per_mm=scale,
        turn=turn,
        middle=middle,
        half=half,
    )


def _start(photo: Photo) -> Rough:
    """Return the sheet roughly, in the photo's pixels, or say what is wrong."""
    from PIL import Image

    high, wide = photo.rgb.shape[:2]
    step = max(1, round(max(high, wide) / SMALL_PX))
    cut = photo.rgb[: high // step * step, : wide // step * step]
    small = np.asarray(Image.fromarray(cut).reduce(step), dtype=float) / 255.0
    found = _likeliest(rough(small), small.shape, photo)
    if found is None or found.score < LEAST:
        raise OutlineError(
            "no-sheet",
            f"{photo.name}: no sheet of paper is seen; lay the white sheet on a darker "
            "floor, without shadows on it, and photograph all of it from above",
        )
    if found.covered > COVERED:
        raise OutlineError(
            "foot-on-sheet",
            f"{photo.name}: a foot or something as large lies on the sheet; step "
            "off and photograph the sheet alone",
        )
    if not found.inside:
        raise cut_off(photo.name)
    sides = np.linalg.norm(np.roll(found.corners, -1, axis=0) - found.corners, axis=1) * step
    scale = float(sides.sum()) / (2 * (papers.PAPERS["letter"].short + 297.0))
    _near_enough(scale, photo.name)
    if parted(found.corners, small, scale / step):
        raise OutlineError(
            "covered",
            f"{photo.name}: paper goes on beyond an edge of the sheet: not all of it is in the "
            "picture, something lies across it, or the floor is as white; clear the sheet, lay it "
            "on a darker floor and photograph all four corners",
        )
    corners = found.corners * step + (step - 1) / 2
    x, y = corners.T
    if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0:  # y runs down: the other way round
        corners = corners[::-1]
    return Rough(corners, found.score, True)


def _likeliest(found: list[Rough], shape: tuple[int, ...], photo: Photo) -> Rough | None:
    """Return the region most like a sheet: by its edges, its proportions, its size.

    Parts of a sheet, beside a hand, have edges too, but seldom the proportions of paper.
    """
    seen = [one for one in found if one.inside and one.score > LEAST]
    if not seen:
        return _cut(found, shape)
    middle, half = (np.array(shape[1::-1]) - 1) / 2, float(np.hypot(shape[0], shape[1])) / 2
    focal = None
    if photo.focal:
        focal = photo.focal * 2 / float(np.hypot(photo.rgb.shape[0], photo.rgb.shape[1]))

    def like(one: Rough) -> float:
        off = papers.unlike((one.corners - middle) / half, focal)
        size = area_of(one.corners) / (shape[0] * shape[1])
        return one.score - 4.0 * max(0.0, off - 0.03) + 0.3 * size

    best = max(seen, key=like)
    wholes = [
        one
        for one in seen
        if papers.unlike((one.corners - middle) / half, focal) < OF_PAPER
        and is_part(best.corners, one.corners)
        and (one.covered < BARE or area_of(best.corners) < SCRAP * area_of(one.corners))
    ]
    best = max(wholes, key=like, default=best)
    if papers.unlike((best.corners - middle) / half, focal) > NO_PAPER:
        # a field of a floor, or what folds and shadows leave of a sheet
        return _cut(found, shape)
    alike = [one.corners for one in seen if one.score > AS_GOOD * best.score]
    return replace(best, corners=_agreed(best.corners, alike))


def _cut(found: list[Rough], shape: tuple[int, ...]) -> Rough | None:
    """Return the likeliest region that is not all seen and large enough for most of a sheet."""
    large = LEAST_CUT * shape[0] * shape[1]
    return next((one for one in found if not one.inside and area_of(one.corners) > large), None)


def _agreed(corners: Array, others: list[Array]) -> Array:
    """Return the middle of all readings of one sheet: single levels misplace single corners."""
    near = NEAR_SHARE * float(np.sqrt(area_of(corners)))
    alike = []
    for other in others:
        both = [np.roll(way, k, axis=0) for way in (other, other[::-1]) for k in range(4)]
        same = min(both, key=lambda way: float(np.abs(way - corners).sum()))
        if np.linalg.norm(same - corners, axis=1).max() < near:
            alike.append(same)
    return np.asarray(np.median(alike, axis=0))


def _near_enough(scale: float, name: str) -> None:
    """Refuse a sheet that is too small in the picture, pixels in a mm."""
    if scale < LEAST_PX_PER_MM:
        raise OutlineError(
            "too-small",
            f"{name}: the sheet shows only {scale:.1f} pixels in a mm, at least "
            f"{LEAST_PX_PER_MM:g} are needed; go nearer, so that the sheet fills the picture",
        )
