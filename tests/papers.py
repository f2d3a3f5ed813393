"""PDFs read back with another library, for the tests of the papers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from insole.output.papers import bench as bench_page
from insole.output.papers import plan_page as report
from insole.record.plan import Plan

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 reads the PDFs back")

__all__ = [
    "EDGE_MM",
    "MM",
    "PAGE_MM",
    "bench",
    "changed",
    "column",
    "every",
    "letters",
    "pdfium",
    "plan_page",
    "words",
]

MM = 25.4 / 72.0
PAGE_MM = (210.0, 297.0)
EDGE_MM = 7.0  # a desk printer reaches to within 8 mm; descenders get 1 mm


def bench(tmp_path: Path, plan: Plan, parts: Any = ()) -> Any:
    """Return the bench page of a plan as a document."""
    path = tmp_path / "bench.pdf"
    bench_page.write_bench_page(path, plan, parts)
    return pdfium.PdfDocument(path.read_bytes())


def plan_page(tmp_path: Path, plan: Plan, parts: Any = ()) -> Any:
    """Return the plan page of a plan as a document."""
    path = tmp_path / "plan.pdf"
    report.write_plan_page(path, plan, parts)
    return pdfium.PdfDocument(path.read_bytes())


def words(page: Any) -> str:
    """Return the text of a page, blanks made one."""
    return " ".join(page.get_textpage().get_text_bounded().split())


def every(document: Any) -> str:
    """Return the text of all pages."""
    return " ".join(words(page) for page in document)


def column(page: Any, side: str) -> str:
    """Return what stands in a foot's column (the rule is in the middle of the sheet)."""
    left, right = (10.0, 104.9) if side == "left" else (105.1, 200.0)
    area = {"left": left / MM, "right": right / MM, "bottom": 0.0, "top": PAGE_MM[1] / MM}
    return " ".join(page.get_textpage().get_text_bounded(**area).split())


def letters(page: Any) -> list[tuple[str, float, np.ndarray]]:
    """Return character, size in points and box in mm of every visible letter."""
    text, raw, found = page.get_textpage(), pdfium.raw, []
    for k in range(text.count_chars()):
        box = np.array(text.get_charbox(k)) * MM
        char = chr(raw.FPDFText_GetUnicode(text.raw, k))
        if box[2] > box[0] and char.strip():
            found.append((char, raw.FPDFText_GetFontSize(text.raw, k), box))
    return found


def changed(plan: Plan, side: str, **changes: Any) -> Plan:
    """Return the plan with fields of one foot replaced."""
    foot = getattr(plan, side).model_copy(update=changes)
    return plan.model_copy(update={side: foot})
