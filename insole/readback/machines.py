"""Which printers the first pages name for which files, and which parts they say fit none.

READ-ME-FIRST.pdf, READ-ME-FIRST.txt -> beds by file, labels of parts
"""

from __future__ import annotations

import re
from pathlib import Path

from insole.readback.pages import read_pages

__all__ = ["beds_offered"]

OFFER = re.compile(r"\bprinter (?:[^:()]*?, )?([\d.]+) x ([\d.]+) mm: ?(print/\S+?\.3mf)")
LACK = re.compile(r"((?:left|right)-[a-z-]+) needs a printer bed of ")


def beds_offered(folder: Path) -> tuple[dict[str, tuple[float, float]], set[str]]:
    """Return the bed named beside each plate on the page in pictures, mm, and what fits none.

    Raises
    ------
    OutputError
        A page cannot be read.
    """
    whole = " ".join(
        " ".join(page.text.split()) for page in read_pages(folder / "READ-ME-FIRST.pdf")
    )
    beds = {file: (float(wide), float(deep)) for wide, deep, file in OFFER.findall(whole)}
    text = " ".join((folder / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())
    return beds, set(LACK.findall(text))
