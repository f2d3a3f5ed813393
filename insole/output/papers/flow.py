"""Paragraphs, tables and pages: what the papers of a plan are built from.

    text, rows -> paragraph, table, head, gap -> build -> PDF bytes

Sizes of tables and gaps are millimetres, letters are points.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from insole.output.ink import MM, fonts
from insole.record.plan import Plan, fingerprint

__all__ = [
    "MAIN_CAUTION",
    "MARGIN",
    "PAGE",
    "RULE",
    "WIDE",
    "build",
    "drawn",
    "gap",
    "head",
    "height",
    "paragraph",
    "table",
]

PAGE = (210.0, 297.0)
MARGIN = 10.0  # mm
WIDE = PAGE[0] - 2 * MARGIN
FOOT_ROOM = 2.0  # mm above the lower margin, for the foot line
HEAD_ROOM = 5.0  # mm below the upper margin of a page that continues, for its title
RULE = (0.55, 0.55, 0.55)
BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:mm|cm²|kPa|kg|g|%|°)(?!\w))")  # no line ends between
MAIN_CAUTION = "Foot pain calls for clinical advice."


def paragraph(text: str, size: float = 8.6, *, align: str = "left", leading: float = 1.2) -> Any:
    """Return a paragraph; `text` may hold markup, so user text is escaped before."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    style = ParagraphStyle(
        name=f"p{size}{align}",
        fontName=fonts()[0],
        fontSize=size,
        leading=leading * size,
        alignment={"left": 0, "center": 1, "right": 2}[align],
        allowWidows=0,
        allowOrphans=0,
    )
    return Paragraph(BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text), style)


def head(text: str, keep: float = 30.0) -> list[Any]:
    """Return a section head that stays with at least `keep` mm of what follows."""
    from reportlab.platypus import CondPageBreak

    return [CondPageBreak(keep * MM), gap(2.4), paragraph(f"<b>{text}</b>", 10.5), gap(0.8)]


def gap(mm: float) -> Any:
    """Return an empty space."""
    from reportlab.platypus import Spacer

    return Spacer(1, mm * MM)


def drawn(wide: float, high: float, paint: Callable[[Any], None]) -> Any:
    """Return a picture of `wide` by `high` mm: `paint` gets a canvas in mm, zero at lower left."""
    from reportlab.platypus import Flowable

    class Picture(Flowable):  # type: ignore[misc]
        def wrap(self, *_: float) -> tuple[float, float]:
            return wide * MM, high * MM

        def draw(self) -> None:
            self.canv.saveState()
            self.canv.scale(MM, MM)
            self.canv.setLineJoin(1)
            paint(self.canv)
            self.canv.restoreState()

    return Picture()


def table(
    rows: list[list[Any]],
    widths: Iterable[float],
    *,
    lines: bool = True,
    pad: float = 1.0,
    repeat: int = 0,
) -> Any:
    """Return a table with hairlines between rows; no row is parted unless it overfills a page.

    Parameters
    ----------
    rows : list of list
        Flowables or lists of them.
    widths : iterable of float
        Of the columns, mm.
    lines : bool
        Whether hairlines are drawn.
    pad : float
        Above and below each row, mm.
    repeat : int
        Head rows that a page which continues carries again.
    """
    from reportlab.platypus import Table

    widths = [width * MM for width in widths]
    style: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), pad * MM),
        ("BOTTOMPADDING", (0, 0), (-1, -1), pad * MM),
        ("LEFTPADDING", (0, 0), (-1, -1), 1.5 * MM),
        ("RIGHTPADDING", (0, 0), (-1, -1), 1.0 * MM),
    ]
    if lines:
        style += [
            ("LINEABOVE", (0, 0), (-1, 0), 0.8, (0, 0, 0)),
            ("LINEBELOW", (0, 0), (-1, -2), 0.4, RULE),
            ("LINEBELOW", (0, -1), (-1, -1), 0.8, (0, 0, 0)),
            ("LINEBEFORE", (1, 0), (-1, -1), 0.4, RULE),
        ]
    tall = any(_cell_height(row, widths) > 0.8 * PAGE[1] * MM for row in rows)
    return Table(rows, colWidths=widths, style=style, repeatRows=repeat, splitInRow=int(tall))


def _cell_height(row: Sequence[Any], widths: Sequence[float]) -> float:
    """Return about how high a row of text is, points."""
    cells = [cell if isinstance(cell, list) else [cell] for cell in row]
    return max(
        sum(item.wrap(width - 2.5 * MM, 1e5)[1] for item in cell if hasattr(item, "wrap"))
        for cell, width in zip(cells, widths, strict=False)
    )


def height(story: Sequence[Any]) -> float:
    """Return the height of `story` in points."""
    return float(sum(item.wrap(WIDE * MM, 10000.0)[1] for item in story))


def build(story: list[Any], plan: Plan, title: str) -> bytes:
    """Return the PDF of `story` with a foot line on each page."""
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    buffer = io.BytesIO()
    low, full = (MARGIN + FOOT_ROOM) * MM, (PAGE[1] - 2 * MARGIN - FOOT_ROOM) * MM
    frames = [
        Frame(MARGIN * MM, low, WIDE * MM, full - less * MM, 0, 0, 0, 0)
        for less in (0.0, HEAD_ROOM)
    ]
    document = BaseDocTemplate(
        buffer,
        pagesize=(PAGE[0] * MM, PAGE[1] * MM),
        title=title,
        invariant=1,
        creator=" ".join(plan.tool.get(key, "") for key in ("name", "version")).strip(),
    )
    document.addPageTemplates(
        [
            PageTemplate(id="first", frames=frames[:1], autoNextPageTemplate="later"),
            PageTemplate(id="later", frames=frames[1:]),
        ]
    )
    document.build(story, canvasmaker=_numbered(plan, title))
    return buffer.getvalue()


def _numbered(plan: Plan, title: str) -> type:
    """Return a kind of canvas that holds its pages until it knows how many there are."""
    from reportlab.pdfgen.canvas import Canvas

    class Numbered(Canvas):  # type: ignore[misc]
        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            self.held: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self.held.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, state in enumerate(self.held, 1):
                held, count = self.held, len(self.held)
                self.__dict__.update(state)
                self.held = held
                _foot_line(self, plan, title, number, count)
                Canvas.showPage(self)
            Canvas.save(self)

    return Numbered


def _foot_line(canvas: Any, plan: Plan, title: str, number: int, count: int) -> None:
    """Write case, plan, page and the caution below a page; the title above one that continues."""
    canvas.setFillColorRGB(0, 0, 0)
    canvas.setFont(fonts()[0], 7.5)
    words = f"{plan.case} · plan {plan.version} · {fingerprint(plan)} · page {number} of {count}"
    canvas.drawString(MARGIN * MM, 8.2 * MM, words)
    canvas.drawRightString((PAGE[0] - MARGIN) * MM, 8.2 * MM, MAIN_CAUTION)
    if number > 1:
        canvas.setFont(fonts()[0], 8.5)
        canvas.drawString(MARGIN * MM, (PAGE[1] - MARGIN - 2.8) * MM, f"{title}, continued")
