"""Kinds of paper, and which one the four corners in a picture belong to.

corners + camera -> tell -> Paper, order of the corners, evidence
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from footscan.outline.errors import OutlineError
from footscan.scan import Array

__all__ = ["PAPERS", "Paper", "homography", "tell", "unlike"]

# telephones' main cameras, focal length in halves of the picture's diagonal: 22 to 30 mm on a
# 36 by 24 mm frame, whose half diagonal is 21.6 mm (values from memory)
FOCAL, FOCAL_SPREAD = 1.20, 0.16
SQUARE_SD = 0.01  # how well the four corners tell that the sheet is square
UNSURE = 0.020  # logarithm of the proportion: nearer to the middle of two papers, it asks
STRAY = 0.055  # further from every paper, it is none of them


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A kind of sheet.

    Attributes
    ----------
    key, words : str
        For options and for people.
    short, long : float
        Sides, mm.
    off : float
        Largest deviation of a side, mm: ±2 on 150 to 600 mm, and the joint of two sheets.
        Value from memory (ISO 216); that of Letter is taken to be the same.
    """

    key: str
    words: str
    short: float
    long: float
    off: float = 2.0

    @property
    def ring(self) -> Array:
        """Corners in the sheet's frame, shape (4, 2)."""
        return np.array([(0, 0), (self.short, 0), (self.short, self.long), (0, self.long)], float)

    @property
    def scale_sd(self) -> float:
        """Relative standard deviation of the scale: any size within the limits is as likely."""
        return self.off / np.sqrt(3.0) / self.long


PAPERS = {
    paper.key: paper
    for paper in (
        Paper(key="a4", words="A4", short=210.0, long=297.0),
        Paper(key="letter", words="Letter", short=215.9, long=279.4),
        Paper(
            key="a4-pair",
            words="two A4 sheets taped along their long sides",
            short=297.0,
            long=420.0,
            off=3.5,
        ),
        Paper(
            key="letter-pair",
            words="two Letter sheets taped along their long sides",
            short=279.4,
            long=431.8,
            off=3.5,
        ),
    )
}


def homography(mm: Array, pixels: Array) -> Array:
    """Return the 3 by 3 matrix that takes four places on a plane to four in a picture."""
    rows, right = [], []
    for (u, v), (x, y) in zip(mm.tolist(), pixels.tolist(), strict=True):
        rows += [[u, v, 1, 0, 0, 0, -u * x, -v * x], [0, 0, 0, u, v, 1, -u * y, -v * y]]
        right += [x, y]
    return np.append(np.linalg.solve(np.array(rows), np.array(right)), 1.0).reshape(3, 3)


def tell(
    corners: Array, focal: float | None, stated: str | None, name: str
) -> tuple[Paper, list[int], str]:
    """Return the paper, the order of `corners` in its frame, and the evidence in words.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        Without the lens's bend, from the picture's middle in halves of its diagonal; x right,
        y down, around the sheet so that its inside lies to the left (seen with y up).
    focal : float or None
        In halves of the diagonal, where the camera said it.
    stated : str or None
        What the user says it is.

    Raises
    ------
    footscan.outline.errors.OutlineError
        The proportions are those of another paper, of none, or between two.
    """
    log_ratio = _proportion(corners, focal)
    order = [0, 1, 2, 3] if log_ratio < 0 else [1, 2, 3, 0]  # the first side is the short one
    ratio = abs(log_ratio)
    choices = {key: abs(ratio - np.log(p.long / p.short)) for key, p in PAPERS.items()}
    # a pair of A4 has the proportions of one: pairs must be stated
    nearest = min(("a4", "letter"), key=lambda key: choices[key])
    told = f"its sides are as 1 to {np.exp(ratio):.3f}"
    if stated is not None:
        paper = PAPERS[stated]
        others = {key: miss for key, miss in choices.items() if miss < STRAY and key != stated}
        if choices[stated] > STRAY or (others and min(others.values()) + UNSURE < choices[stated]):
            likely = min(others, key=lambda key: others[key]) if others else None
            words = f"like {PAPERS[likely].words}" if likely else "like no paper known here"
            raise OutlineError(
                "wrong-paper",
                f"{name}: the sheet was said to be {paper.words}, and {told}, "
                f"{words}; state the paper that was used",
            ).asking("sheet")
        return paper, order, f"stated, and {told}"
    other = "letter" if nearest == "a4" else "a4"
    if choices[nearest] > STRAY:
        raise OutlineError(
            "wrong-paper",
            f"{name}: the sheet is neither A4 nor Letter ({told}, A4 1.414, Letter "
            "1.294); use one of these, flat and whole, or state two taped sheets",
        ).asking("sheet")
    if choices[other] - choices[nearest] < UNSURE:
        raise OutlineError(
            "paper-unclear",
            f"{name}: A4 or Letter cannot be told from the photo ({told}); state which it is",
        ).asking("sheet")
    return (
        PAPERS[nearest],
        order,
        f"{told}, {PAPERS[nearest].words} {PAPERS[nearest].long / PAPERS[nearest].short:.3f}",
    )


def unlike(corners: Array, focal: float | None) -> float:
    """Return how far four corners are from the proportions of any paper, as a logarithm."""
    ratio = abs(_proportion(corners, focal))
    return float(min(abs(ratio - np.log(p.long / p.short)) for p in PAPERS.values()))


def _proportion(corners: Array, focal: float | None) -> float:
    """Return the logarithm of first side over second, by the focal length that squares them best.

    With image of the absolute conic diag(1/f², 1/f², 1) the columns of the homography of a
    rectangle are orthogonal, and their norms are as its sides (Hartley & Zisserman, Multiple View
    Geometry, 8.8). A camera straight above leaves f open, and then the sides do not need it.
    """
    h = homography(np.array([(0, 0), (1, 0), (1, 1), (0, 1)], float), corners)
    middle = FOCAL if focal is None else focal
    spread = FOCAL_SPREAD if focal is None else 0.05
    logs = np.linspace(-3, 3, 121) * spread
    best, found = np.inf, 0.0
    for log in logs.tolist():
        f = middle * np.exp(log)
        one, two = (h[:, k] * [1 / f, 1 / f, 1.0] for k in (0, 1))
        sizes = np.linalg.norm(one), np.linalg.norm(two)
        skew = float(one @ two / (sizes[0] * sizes[1]))
        price = (skew / SQUARE_SD) ** 2 + (log / spread) ** 2
        if price < best:
            best, found = price, float(np.log(sizes[0] / sizes[1]))
    return found
