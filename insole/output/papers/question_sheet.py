"""The questions before parts as one page to fill in, on paper or on the screen, and read back.

    QUESTIONS -> write_sheet -> PDF form -> read_sheet -> answers, a clinician's word

A question has two circles, yes and no; with neither filled it was not asked.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from footscan.files import TooLargeError, read_bounded, why
from insole.errors import OutputError, PlanError
from insole.output.ink import BLACK, GREY, MM, drawn, stroke, wrapped, write
from insole.record.questions import QUESTIONS, SHORT_CAUTION

__all__ = ["read_sheet", "read_whose", "write_sheet"]

WIDE, HIGH, EDGE = 210.0, 297.0, 16.0  # mm, A4
YES_AT, NO_AT, WORDS_TO = 168.0, 184.0, 160.0
TOP, STEP, RING = 262.0, 12.6, 4.6
LARGEST_FILE = 5_000_000  # bytes; a page that was filled in is some 100 kB
_TEXT = 6  # FPDF_FORMFIELD_TEXTFIELD
_RADIO = 3  # FPDF_FORMFIELD_RADIOBUTTON


def write_sheet(path: str | Path) -> None:
    """Write the sheet: A4, one page, a PDF form; replaced as a whole or not at all.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    with drawn(path, "Questions before parts", (WIDE, HIGH)) as canvas:
        canvas.scale(MM, MM)
        write(canvas, EDGE, 281.0, "Questions before parts", 6.0, bold=True)
        write(
            canvas,
            EDGE,
            273.5,
            f"{SHORT_CAUTION} Neither circle filled means: not asked.",
            3.0,
            colour=GREY,
        )
        for x, words in ((YES_AT, "yes"), (NO_AT, "no")):
            write(canvas, x + RING / 2, TOP + 4.5, words, 3.4, bold=True, align="middle")
        for k, question in enumerate(QUESTIONS):
            y = TOP - 4.0 - k * STEP
            for n, words in enumerate(wrapped(f"{k + 1}. {question.text}", 3.6, WORDS_TO - EDGE)):
                write(canvas, EDGE, y - 4.6 * n, words, 3.6)
            line = np.array([(EDGE, y - 7.4), (WIDE - EDGE, y - 7.4)])
            stroke(canvas, line, GREY, 0.1, close=False)
            for x, answer in ((YES_AT, "yes"), (NO_AT, "no")):
                canvas.acroForm.radio(
                    name=question.id,
                    value=answer,
                    selected=False,
                    x=x * MM,
                    y=(y - 1.4) * MM,
                    size=RING * MM,
                    shape="circle",
                    buttonStyle="circle",
                    borderWidth=1,
                    tooltip=f"{question.text} {answer}",
                    relative=False,
                    fieldFlags="radio",
                )
        foot = TOP - 4.0 - len(QUESTIONS) * STEP
        write(
            canvas, EDGE, foot - 2.0, "After a stop: a clinician's name and date, YYYY-MM-DD", 3.4
        )
        canvas.acroForm.textfield(
            name="clinician",
            x=EDGE * MM,
            y=(foot - 12.0) * MM,
            width=(WIDE - 2 * EDGE) * MM,
            height=8 * MM,
            borderWidth=1,
            tooltip="NAME, YYYY-MM-DD",
            relative=False,
            maxlen=120,
        )
        write(canvas, EDGE, foot - 19.0, "Case, and day, YYYY-MM-DD:", 3.4, colour=BLACK)
        for name, at, wide, tip in (("case", 70.0, 72.0, "pseudonym"), ("day", 146.0, 48.0, "day")):
            canvas.acroForm.textfield(
                name=name,
                x=at * MM,
                y=(foot - 21.5) * MM,
                width=wide * MM,
                height=7 * MM,
                borderWidth=1,
                tooltip=tip,
                relative=False,
                maxlen=40,
            )
        canvas.showPage()


def read_sheet(path: str | Path) -> tuple[dict[str, str], str]:
    """Return the answers that a filled sheet holds, and a clinician's word.

    Raises
    ------
    insole.errors.PlanError
        The file cannot be read, or is not this sheet.
    """
    path = Path(path)
    known = {question.id for question in QUESTIONS}
    seen, answers, clinician = set(), {}, ""
    for name, kind, value, checked in _fields(path):
        if kind == _RADIO and name in known:
            seen.add(name)
            if checked and value in ("yes", "no"):
                answers[name] = value
        elif kind == _TEXT and name == "clinician":
            clinician = value.strip()
    if seen != known:
        raise PlanError(
            f"{path.name} is not a sheet of these questions; write one, fill it in on the screen "
            "and save it"
        ).asking("sheet")
    return {q.id: answers[q.id] for q in QUESTIONS if q.id in answers}, clinician


def read_whose(path: str | Path) -> tuple[str, str]:
    """Return the case and the day that a filled sheet names; empty where nobody typed them.

    Raises
    ------
    insole.errors.PlanError
        The file cannot be read.
    """
    found = {name: value.strip() for name, kind, value, _ in _fields(Path(path)) if kind == _TEXT}
    return found.get("case", ""), found.get("day", "")


def _fields(path: Path) -> Iterator[tuple[str, int, str, bool]]:
    """Yield name, kind, value and whether it is filled, of each field of a PDF form."""
    import pypdfium2

    try:
        data = read_bounded(path, LARGEST_FILE)
        document = pypdfium2.PdfDocument(data)
        document.init_forms()
        for page in document:
            yield from _page_fields(document, page)
    except TooLargeError:
        raise PlanError(f"{path.name} is too large to be a sheet of questions") from None
    except OSError as error:
        reason = why(error)
        raise PlanError(f"the sheet {path} cannot be read: {reason}; check the path") from None
    except (pypdfium2.PdfiumError, OutputError) as error:
        raise PlanError(f"{path.name} cannot be read as PDF: {error}; save it again") from None


def _page_fields(document: Any, page: Any) -> Iterator[tuple[str, int, str, bool]]:
    import pypdfium2.raw as pdfium

    form = document.formenv
    if form is None:
        return
    for k in range(pdfium.FPDFPage_GetAnnotCount(page)):
        field = pdfium.FPDFPage_GetAnnot(page, k)
        kind = pdfium.FPDFAnnot_GetFormFieldType(form, field)
        if kind in (_RADIO, _TEXT):
            value = (
                pdfium.FPDFAnnot_GetFormFieldExportValue
                if kind == _RADIO
                else pdfium.FPDFAnnot_GetFormFieldValue
            )
            yield (
                _string(pdfium.FPDFAnnot_GetFormFieldName, form, field),
                kind,
                _string(value, form, field),
                kind == _RADIO and bool(pdfium.FPDFAnnot_IsChecked(form, field)),
            )
        pdfium.FPDFPage_CloseAnnot(field)


def _string(call: Any, form: Any, field: Any) -> str:
    """Return the text that a call of the PDF library fills into a buffer of two-byte letters."""
    import ctypes

    import pypdfium2.raw as pdfium

    size = call(form, field, None, 0)
    buffer = ctypes.create_string_buffer(size)
    call(form, field, ctypes.cast(buffer, ctypes.POINTER(pdfium.FPDF_WCHAR)), size)
    return buffer.raw[: max(size - 2, 0)].decode("utf-16-le", errors="replace")
