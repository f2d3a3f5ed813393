"""Pages read back as printed: full size or refused, never blank. Truth: pages drawn here."""

from __future__ import annotations

from pathlib import Path

import pytest
from reportlab.pdfgen.canvas import Canvas

from insole.errors import OutputError
from insole.output.papers import pages, template, tiles
from tests.plans import sample_plan

MM = 72.0 / 25.4


def page_with_rulers(path: Path, across: float = 100.0, along: float = 100.0) -> Path:
    """Draw two rulers of given lengths, mm, where a template has them, and some words."""
    up, right = tiles.ruler_lines()
    canvas = Canvas(str(path), pagesize=(210 * MM, 297 * MM), invariant=1)
    canvas.scale(MM, MM)
    canvas.setLineWidth(0.15)
    for x in (40.0, 40.0 + across):
        canvas.line(x, up - 3, x, up + 2)
    for y in (40.0, 40.0 + along):
        canvas.line(right - 3, y, right + 2, y)
    canvas.rect(80, 80, 30, 30, fill=1)
    canvas.showPage()
    canvas.save()
    return path


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_template_reads_back(tmp_path: Path, paper: str) -> None:
    path = tmp_path / "t.pdf"
    template.write_template(path, sample_plan(under=True), [], paper=paper)
    pages.read_back(path, rulers=True)


def test_rulers_of_100_mm_are_accepted(tmp_path: Path) -> None:
    pages.read_back(page_with_rulers(tmp_path / "x.pdf"), rulers=True)


@pytest.mark.parametrize("length", [99.8, 100.2, 97.0])
def test_a_ruler_of_another_length_is_refused(tmp_path: Path, length: float) -> None:
    """0.2 mm is twice what a steel rule tells; 97 % is what "fit to page" makes of it."""
    with pytest.raises(OutputError, match=f"ruler across is {length:.1f}. mm"):
        pages.read_back(page_with_rulers(tmp_path / "x.pdf", across=length + 0.03), rulers=True)
    with pytest.raises(OutputError, match=f"ruler along is {length:.1f}. mm"):
        pages.read_back(page_with_rulers(tmp_path / "y.pdf", along=length + 0.03), rulers=True)


def test_a_template_drawn_at_another_scale_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(template, "MM", 0.995 * 72.0 / 25.4)
    template.write_template(tmp_path / "t.pdf", sample_plan(), [])
    with pytest.raises(OutputError, match=r"page 1 of t\.pdf: the ruler across"):
        pages.read_back(tmp_path / "t.pdf", rulers=True)


def test_a_page_without_rulers_is_refused_as_a_template(tmp_path: Path) -> None:
    canvas = Canvas(str(tmp_path / "x.pdf"), invariant=1)
    canvas.rect(200, 200, 200, 200, fill=1)
    canvas.save()
    pages.read_back(tmp_path / "x.pdf")
    with pytest.raises(OutputError, match="cannot be found"):
        pages.read_back(tmp_path / "x.pdf", rulers=True)


def test_a_blank_page_is_refused(tmp_path: Path) -> None:
    canvas = Canvas(str(tmp_path / "x.pdf"), invariant=1)
    canvas.rect(200, 200, 200, 200, fill=1)
    canvas.showPage()
    canvas.setFillColorRGB(1, 1, 1)
    canvas.rect(100, 100, 200, 200, fill=1, stroke=0)
    canvas.showPage()
    canvas.save()
    with pytest.raises(OutputError, match=r"page 2 of x\.pdf reads back blank"):
        pages.read_back(tmp_path / "x.pdf")


def test_what_is_no_pdf_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.pdf").write_bytes(b"%PDF-1.4\nnothing\n%%EOF")
    with pytest.raises(OutputError, match="does not read back as PDF"):
        pages.read_back(tmp_path / "x.pdf")
