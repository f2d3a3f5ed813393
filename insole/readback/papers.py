"""Papers with both feet held against the plan: bench page, plan page, report.

    PDF -> text by halves -> sides, heights, angles, thick edges of the plan

The left foot has the left half, and what is said there is held against the left foot's plan.
"""

from __future__ import annotations

import re
from pathlib import Path

from insole.errors import OutputError
from insole.readback.pages import Page, read_pages
from insole.readback.paper_numbers import check_numbers, check_spots, check_thickness, tender_of
from insole.readback.paper_ways import check_bolts, check_ways, check_whose
from insole.readback.told import Told, plain

__all__ = ["check_pair_paper"]

ROW = 1.0  # mm between the feet of words in one row


def check_pair_paper(path: Path, told: Told, seal: str) -> None:
    """Hold the bench page, report or plan page against the plan, foot by foot.

    Raises
    ------
    OutputError
        A foot stands in the other's half, or something said of it is not the plan's.
    """
    pages = read_pages(path)
    whole = " ".join(page.text for page in pages)
    words = f"plan {told.plan['version']}"
    if plain(told.case) not in plain(pages[0].text) or seal not in whole:
        raise OutputError(f"{path.name} does not name the case {told.case} and the plan {seal}")
    if path.name.startswith("bench") and words not in pages[0].text:
        raise OutputError(f"{path.name} does not say {words}")
    if path.name.startswith("bench") and re.search(r"CLEAT SIDE (?!down)", whole):
        raise OutputError(f"{path.name} does not have the CLEAT SIDE of a shim down")
    for page in pages:
        _check_halves(path.name, page, told)
    if len(told.feet) == 1:
        texts = {str(told.feet[0]["side"]): whole}
    else:
        texts = {s: " ".join(page.half(s) for page in pages) for s in ("left", "right")}
    heads = {word for page in pages for word, _ in page.heads()}
    if len(told.feet) == 2 and heads != {"LEFT", "RIGHT"}:
        raise OutputError(f"{path.name} does not head its halves LEFT and RIGHT")
    for foot in told.feet:
        text = texts[str(foot["side"])]
        check_numbers(path.name, text, foot, needed=not path.name.startswith("report"))
        check_ways(path.name, text, foot)
        if path.name.startswith("bench"):
            check_bolts(path.name, text, str(foot["side"]), told)
            check_thickness(path.name, text, foot)
            check_spots(path.name, text, foot, tender_of(told, str(foot["side"])))
    if path.name.startswith("bench"):
        check_whose(path.name, whole, told.feet)


def _check_halves(file: str, page: Page, told: Told) -> None:
    """Refuse a page where RIGHT stands left of LEFT in one row, or a header in the wrong half."""
    if len(told.feet) < 2:
        return
    heads = page.heads()
    for word, box in heads:
        for other, beside in heads:
            if (word, other) == ("LEFT", "RIGHT") and abs(box[1] - beside[1]) < ROW:
                if beside[0] < box[0]:
                    raise OutputError(f"{file}, page {page.number}: RIGHT stands left of LEFT")
