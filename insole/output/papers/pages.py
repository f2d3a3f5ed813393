"""PDF pages read back as a printer would draw them.

    written PDF -> read_back (rendered) -> insole.output.folder

A page that reads as a file may still be empty or of another size on paper. So each page is
rendered, and where it is to be cut from, both check rulers are measured in the picture, from the
middle of one end tick to the middle of the other, as a steel rule would.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.errors import OutputError
from insole.output.papers.tiles import RULER, ruler_lines

__all__ = ["read_back"]

PER_MM = 8  # pixels: the middle of a line comes out to some 0.02 mm
GLANCE = 1.5  # pixels in a millimetre, to see whether anything is on a page
OFF_MM = 0.1  # what a steel rule tells apart
INK = 40.0  # of 255: darker than paper
LEAST_INK = 1e-3  # share of a page that the emptiest of ours covers many times over


def read_back(path: Path, *, rulers: bool = False) -> None:
    """Render every page of a PDF and refuse what must not go on paper.

    Parameters
    ----------
    path : Path
        A written PDF.
    rulers : bool
        Whether each page carries the template's two rulers.

    Raises
    ------
    OutputError
        The file cannot be rendered, has no page or a blank one, or a ruler is not 100 mm long
        within 0.1 mm.
    """
    import pypdfium2

    try:
        document = pypdfium2.PdfDocument(path.read_bytes())
        if not len(document):
            raise OutputError(f"{path.name} reads back without a page")
        for k, page in enumerate(document):
            name = f"page {k + 1} of {path.name}"
            if (_ink(page, GLANCE) > INK).mean() < LEAST_INK:
                raise OutputError(f"{name} reads back blank")
            for where, line in _ruler_rows(page) if rulers else ():
                _check_ruler(f"{name}: the ruler {where}", line)
    except pypdfium2.PdfiumError as error:
        raise OutputError(f"{path.name} does not read back as PDF: {error}") from None


def _ink(page: Any, per_mm: float, cut: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)) -> Array:
    """Return how dark each pixel is, 0 to 255, upper edge first.

    `cut` is what is left out at the left, below, at the right and above, mm.
    """
    crop = tuple(side * 72.0 / 25.4 for side in cut)
    grey = page.render(scale=per_mm * 25.4 / 72.0, grayscale=True, crop=crop).to_numpy()
    return 255.0 - grey.reshape(grey.shape[:2]).astype(float)


def _ruler_rows(page: Any) -> list[tuple[str, Array]]:
    """Return the two lines of pixels that cross no tick of the rulers but those at their ends."""
    wide, high = (side * 25.4 / 72.0 for side in page.get_size())
    up, right = ruler_lines()
    strip = 1.5 / PER_MM  # three pixels, or two after rounding
    across = _ink(page, PER_MM, (0.0, up - strip, 0.0, high - up - strip))
    along = _ink(page, PER_MM, (right - strip, 0.0, wide - right - strip, 0.0))
    return [("across", across[len(across) // 2]), ("along", along[:, along.shape[1] // 2])]


def _check_ruler(words: str, line: Array) -> None:
    """Refuse a ruler without two ticks 100 mm apart.

    Its own end ticks are the last two dark runs in a line, unless an outline crosses it.
    """
    ticks = np.array(_middles(line))
    if len(ticks) < 2:
        raise OutputError(f"{words} cannot be found")
    apart = np.abs(ticks[:, None] - ticks[None, :])
    if not (np.abs(apart - RULER) <= OFF_MM).any():
        length = ticks[-1] - ticks[-2]
        raise OutputError(f"{words} is {length:.2f} mm long on paper, it should be {RULER:g} mm")


def _middles(line: Array) -> list[float]:
    """Return the middles of the dark runs along a line of pixels, mm."""
    dark = np.concatenate([[False], line > INK, [False]])
    turns = np.flatnonzero(dark[1:] != dark[:-1]).reshape(-1, 2)
    found = []
    for start, end in turns.tolist():
        # one pixel more on either side: the pale rim of a line counts as well
        span = np.arange(max(start - 1, 0), min(end + 1, len(line)))
        found.append(float((span * line[span]).sum() / line[span].sum()) / PER_MM)
    return found
