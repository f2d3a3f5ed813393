"""Pages of a PDF as text with its place, and as lines in millimetres."""

from __future__ import annotations

import ctypes
import re
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from insole.errors import OutputError

__all__ = ["Page", "read_pages"]

Numbers = NDArray[np.float64]
MM = 25.4 / 72.0


@dataclass(frozen=True, eq=False)
class Page:
    """One page: its size, mm, and what is on it; places from the lower left corner."""

    number: int
    wide: float
    high: float
    source: Any

    @cached_property
    def _words(self) -> Any:
        return self.source.get_textpage()

    @cached_property
    def text(self) -> str:
        """Return all of its text, line ends as spaces."""
        return " ".join(self._words.get_text_bounded().split())

    def half(self, side: str) -> str:
        """Return the text of the left or the right half."""
        middle, whole = self.wide / MM / 2, self.wide / MM
        left, right = (0.0, middle) if side == "left" else (middle, whole)
        found = self._words.get_text_bounded(left, 0.0, right, self.high / MM)
        return " ".join(found.split())

    def places(self, word: str) -> Numbers:
        """Return the boxes of a word in capitals and lower case as given, shape (n, 4), mm."""
        found = []
        search = self._words.search(word, match_case=True)
        while (hit := search.get_next()) is not None:
            first, count = hit
            boxes = np.array([self._words.get_charbox(first + k) for k in range(count)])
            box = np.array([*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0)])
            if not (self._goes_on(first - 1, box) or self._goes_on(first + count, box)):
                found.append(box)
        return np.array(found, dtype=float).reshape(-1, 4) * MM

    def _goes_on(self, k: int, box: Numbers) -> bool:
        """Return whether a character belongs to the word in a box, by where it stands.

        Whole words as the library finds them join what stands far apart: 1 over 2 reads 12.
        """
        if not 0 <= k < self._words.count_chars():
            return False
        if not self._words.get_text_range(k, 1).isalnum():
            return False
        other = np.array(self._words.get_charbox(k))
        apart = np.maximum(box[:2] - other[2:], other[:2] - box[2:])
        return bool(apart.max() < 0.5 * (box[3] - box[1]))

    def heads(self) -> list[tuple[str, Numbers]]:
        """Return LEFT and RIGHT where they head a column or a picture, with their boxes, mm."""
        text = self._words.get_text_range()
        found = []
        for line in re.finditer(r"(?m)^(LEFT|RIGHT)(?: +(LEFT|RIGHT))? *\r?$", text):
            for k in (1, 2):
                if line[k]:
                    spots = range(line.start(k), line.end(k))
                    boxes = np.array([self._words.get_charbox(spot) for spot in spots]) * MM
                    box = np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])
                    found.append((line[k], box))
        return found

    @cached_property
    def lines(self) -> list[Numbers]:
        """Return the points of each path drawn, shape (n, 2), mm; curves by their end points."""
        import pypdfium2.raw as raw

        found = []
        x, y = ctypes.c_float(), ctypes.c_float()
        for thing in self.source.get_objects(filter=[raw.FPDF_PAGEOBJ_PATH], max_depth=4):
            count = raw.FPDFPath_CountSegments(thing)
            points = np.zeros((count, 2))
            for k in range(count):
                raw.FPDFPathSegment_GetPoint(raw.FPDFPath_GetPathSegment(thing, k), x, y)
                points[k] = x.value, y.value
            a, b, c, d, e, f = thing.get_matrix().get()
            found.append((points @ [[a, b], [c, d]] + [e, f]) * MM)
        return found


def read_pages(path: Path) -> list[Page]:
    """Return the pages of a PDF.

    Raises
    ------
    OutputError
        It cannot be read, or has no page.
    """
    import pypdfium2

    try:
        document = pypdfium2.PdfDocument(path.read_bytes())
    except pypdfium2.PdfiumError:
        raise OutputError(f"{path.name} cannot be read as PDF") from None
    pages = []
    for k, page in enumerate(document):
        wide, high = page.get_size()
        pages.append(Page(k + 1, wide * MM, high * MM, page))
    if not pages:
        raise OutputError(f"{path.name} has no page")
    return pages
