"""Ink on paper: fonts, lines and words on a PDF canvas, and the file put in its place.

    points, words -> stroke, write -> canvas;  bytes -> save_bytes -> file

Lengths are millimetres: the canvas is scaled once per page.
"""

from __future__ import annotations

import importlib.util
import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

from footscan.files import write_whole
from footscan.scan import Array
from insole.errors import OutputError

__all__ = [
    "BLACK",
    "BLUE",
    "GREY",
    "MIDDLE",
    "MM",
    "ORANGE",
    "PALE",
    "Colour",
    "drawn",
    "fitted",
    "fonts",
    "png_bytes",
    "ring_path",
    "save_bytes",
    "stroke",
    "wrapped",
    "write",
]


MM = 72.0 / 25.4  # points in a millimetre
Colour = tuple[float, float, float]
BLACK, GREY = (0.0, 0.0, 0.0), (0.42, 0.42, 0.42)
MIDDLE, PALE = (0.62, 0.62, 0.62), (0.82, 0.82, 0.82)
BLUE, ORANGE = (0.0, 0.36, 0.62), (0.76, 0.33, 0.0)  # told apart by the colour-blind, and in grey


@lru_cache(maxsize=1)
def fonts() -> tuple[str, str]:
    """Return the names of the regular and the bold font after setting the PDF library up.

    DejaVu Sans comes with matplotlib, Vera with reportlab; both embed, so that a page looks the
    same on every machine.
    """
    from reportlab import rl_config
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    rl_config.useA85 = 0  # streams as they are: a fifth smaller, and no slow text coding
    spec = importlib.util.find_spec("matplotlib")  # finds the folder without importing it
    roots = spec.submodule_search_locations if spec else None
    folder = Path(roots[0]) / "mpl-data" / "fonts" / "ttf" if roots else Path()
    files = {"Paper": folder / "DejaVuSans.ttf", "Paper-Bold": folder / "DejaVuSans-Bold.ttf"}
    if not all(file.is_file() for file in files.values()):
        files = {"Paper": Path("Vera.ttf"), "Paper-Bold": Path("VeraBd.ttf")}
    for name, file in files.items():
        pdfmetrics.registerFont(TTFont(name, str(file)))
    pdfmetrics.registerFontFamily(
        "Paper", normal="Paper", bold="Paper-Bold", italic="Paper", boldItalic="Paper-Bold"
    )
    return "Paper", "Paper-Bold"


def png_bytes(figure: Any, dpi: int) -> bytes:
    """Return a figure as PNG without date or version, so that bytes repeat."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure)
    buffer = io.BytesIO()
    with warnings.catch_warnings():  # a name in a script that the font lacks is drawn as boxes
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    return buffer.getvalue()


def save_bytes(path: str | Path, data: bytes) -> None:
    """Write `data` to `path` whole or not at all.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written; an older file of that name is left as it was.
    """
    target = Path(path)
    try:
        write_whole(target, data)
    except OSError as error:
        raise OutputError(
            f"cannot write {target}: {error.strerror or error}; choose a folder that exists and"
            " may be written to"
        ) from None


@contextmanager
def drawn(path: str | Path, title: str, page: tuple[float, float]) -> Iterator[Any]:
    """Give a canvas to draw a PDF on, pages of `page` mm; the file is written when the block ends.

    Whole or not at all, without a clock: the same strokes give the same bytes.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    from reportlab.pdfgen.canvas import Canvas

    fonts()
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(page[0] * MM, page[1] * MM), invariant=1)
    canvas.setTitle(title)
    yield canvas
    canvas.save()
    save_bytes(path, buffer.getvalue())


def ring_path(canvas: Any, points: Array, *, close: bool = True) -> Any:
    """Return a canvas path through `points`, page mm."""
    path = canvas.beginPath()
    path.moveTo(*map(float, points[0]))
    for x, y in points[1:]:
        path.lineTo(float(x), float(y))
    if close:
        path.close()
    return path


def stroke(
    canvas: Any,
    points: Array,
    colour: Colour,
    weight: float,
    *,
    dash: tuple[float, ...] | None = None,
    close: bool = True,
    fill: Colour | None = None,
) -> None:
    """Stroke (and fill) a line through `points`; `weight` and `dash` in mm."""
    canvas.setStrokeColorRGB(*colour)
    canvas.setLineWidth(weight)
    canvas.setDash(*((list(dash), 0) if dash else ([], 0)))
    if fill is not None:
        canvas.setFillColorRGB(*fill)
    canvas.drawPath(ring_path(canvas, points, close=close), stroke=1, fill=int(fill is not None))
    canvas.setDash([], 0)


def write(
    canvas: Any,
    x: float,
    y: float,
    words: str,
    size: float,
    *,
    bold: bool = False,
    align: str = "start",
    colour: Colour = BLACK,
    knock: bool = False,
) -> None:
    """Write `words` at (x, y), `size` mm high; `knock` clears the paper behind them."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    font = fonts()[bold]
    wide = stringWidth(words, font, size)
    x -= {"start": 0.0, "middle": 0.5, "end": 1.0}[align] * wide
    if knock:
        canvas.setFillColorRGB(1, 1, 1)
        canvas.rect(x - 0.5, y - 0.25 * size, wide + 1.0, 1.1 * size, stroke=0, fill=1)
    canvas.setFillColorRGB(*colour)
    canvas.setFont(font, size)
    canvas.drawString(x, y, words)


def wrapped(words: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    """Return `words` in lines not wider than `width` mm; one long word is split."""
    from reportlab.lib.utils import simpleSplit
    from reportlab.pdfbase.pdfmetrics import stringWidth

    font, lines = fonts()[bold], []
    for line in simpleSplit(words, font, size, width):
        while stringWidth(line, font, size) > width and len(line) > 1:
            cut = next(
                n
                for n in range(len(line) - 1, 0, -1)
                if n == 1 or stringWidth(line[:n], font, size) <= width
            )
            lines.append(line[:cut])
            line = line[cut:]
        lines.append(line)
    return lines


def fitted(words: str, size: float, width: float) -> str:
    """Return `words` cut with an ellipsis to `width` mm."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    font = fonts()[0]
    if stringWidth(words, font, size) <= width:
        return words
    while words and stringWidth(words + "…", font, size) > width:
        words = words[:-1]
    return words.rstrip() + "…"
