"""All cases at a glance: a table for a spreadsheet and a page for the eye, each written whole.

    Records -> write -> OUT/batch.csv, OUT/batch.html

Both hold no time and no path of this machine, so that the same cases give the same bytes. The page
needs nothing from elsewhere: pictures are in it, links go to the folders beside it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path
from urllib.parse import quote

from footscan.files import why, write_whole
from insole.batch.task import FootRecord, Record
from insole.batch.thumbs import HIGH_MM
from insole.errors import InsoleError
from insole.record.questions import SHORT_CAUTION

__all__ = ["PAGE", "TABLE", "write"]

TABLE, PAGE = "batch.csv", "batch.html"
MEASURES = (
    "foot_length",
    "heel_to_ball_length",
    "foot_breadth",
    "ball_girth",
    "instep_height",
    "heel_breadth_max",
    "arch_apex_height",
    "arch_index",
)
SHOWN = {
    "foot_length": "length",
    "foot_breadth": "breadth",
    "ball_girth": "ball girth",
    "arch_apex_height": "arch apex",
}
SIZES = ("mondopoint", "eu")
_STYLE = """
body{font:15px/1.45 system-ui,sans-serif;margin:2rem auto;max-width:70rem;padding:0 1rem;
color:#17212b;background:#fff}
h1{font-size:1.5rem;margin:0}p{margin:.4rem 0}table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.6rem .8rem .6rem 0;border-top:1px solid #ccd3da}
th{font-weight:600}img{height:7.5rem;display:block}figure{display:inline-block;margin:0 1rem 0 0}
figcaption{font-size:.85rem}.bad{color:#8a1c00}.quiet{color:#51606e;font-size:.85rem}
@media(prefers-color-scheme:dark){body{color:#e6ebf0;background:#14191f}
th,td{border-color:#3a4652}.bad{color:#ff9d80}.quiet{color:#a9b6c2}a{color:#8cc4ff}}
"""


def write(out: Path, records: Iterable[Record], waiting: Sequence[str] = ()) -> None:
    """Write table and page of all cases, by name; an old one is replaced whole.

    Parameters
    ----------
    out : Path
        Folder of all results.
    records : iterable of Record
        What came of each case.
    waiting : sequence of str
        Sentences on cases that were not begun.

    Raises
    ------
    insole.errors.InsoleError
        The folder cannot be written.
    """
    ordered = sorted(records, key=lambda record: (record.case, record.key))
    try:
        out.mkdir(parents=True, exist_ok=True)
        write_whole(out / TABLE, _table(ordered).encode("utf-8-sig"))  # spreadsheets want the mark
        write_whole(out / PAGE, _page(ordered, waiting).encode())
    except OSError as error:
        reason = why(error)
        raise InsoleError(f"{out} cannot be written: {reason}; choose another folder").asking(
            "out"
        ) from None


# ---- the table ---------------------------------------------------------------------------


def _table(records: Sequence[Record]) -> str:
    """Return one line per foot, and one for each case without any."""
    file = io.StringIO()
    table = csv.writer(file, lineterminator="\r\n")
    measured = [column for name in MEASURES for column in (name, f"{name}_sd")]
    table.writerow(
        [
            "case",
            "state",
            "foot",
            "scan",
            "verdict",
            "findings",
            *measured,
            *(f"size_{name}" for name in SIZES),
            "result",
            "message",
        ]
    )
    for record in records:
        for foot in record.feet or (None,):
            table.writerow([_cell(value) for value in _line(record, foot)])
    return file.getvalue()


def _line(record: Record, foot: FootRecord | None) -> list[str]:
    """Return the cells of one foot; numbers with a point whatever the country."""
    state = "done" if record.done else "failed"
    result = " ".join(record.products)
    if foot is None:
        empty = [""] * (2 * len(MEASURES) + len(SIZES))
        return [
            record.case,
            state,
            "",
            " ".join(record.files),
            "",
            "",
            *empty,
            result,
            record.message,
        ]
    numbers = []
    for name in MEASURES:
        value, _, sd = foot.measures.get(name, (None, "", None))
        numbers += ["" if value is None else f"{value:.3f}", "" if sd is None else f"{sd:.3f}"]
    return [
        record.case,
        state,
        foot.side,
        foot.file,
        foot.verdict,
        " ".join(foot.findings),
        *numbers,
        *(str(foot.sizes.get(name, "")) for name in SIZES),
        result,
        record.message,
    ]


def _cell(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula: names come from elsewhere."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


# ---- the page ----------------------------------------------------------------------------


def _page(records: Sequence[Record], waiting: Sequence[str]) -> str:
    failed = sum(not record.done for record in records)
    rows = "\n".join(_row(record) for record in records)
    still = "".join(f"<p>{escape(sentence)}</p>" for sentence in waiting)
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Cases of this batch</title>
<meta name="viewport" content="width=device-width">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<style>{_STYLE}</style></head><body>
<h1>{_counted(len(records), "case")}, {len(records) - failed} done, {failed} failed</h1>
<p>{escape(SHORT_CAUTION)}</p>{still}
<p class="quiet">Soles are seen from above, toes up; dark touches the ground, the palest is
{HIGH_MM:g} mm above it or more. ± is one standard deviation.</p>
<table><thead><tr><th scope="col">case</th><th scope="col">feet</th>
<th scope="col">what came of it</th></tr></thead><tbody>
{rows}
</tbody></table></body></html>
"""


def _row(record: Record) -> str:
    """Return a case as one row."""
    feet = "".join(_figure(foot) for foot in record.feet) or (
        f'<span class="quiet">{escape(", ".join(record.files))}</span>'
    )
    if record.done:
        links = (
            f'<a href="{quote(_target(name))}">{escape(_target(name))}</a>'
            for name in record.products
        )
        said = "".join(f'<p class="quiet">{escape(sentence)}</p>' for sentence in record.said)
        what = f"{', '.join(links)}{said}"
    else:
        what = f'<span class="bad">failed: {escape(record.message)}</span>'
    return f'<tr><th scope="row">{escape(record.case)}</th><td>{feet}</td><td>{what}</td></tr>'


def _figure(foot: FootRecord) -> str:
    """Return a foot as a picture with its figures."""
    lines = [f"<strong>{escape(foot.side)}</strong>: {escape(foot.verdict)}"]
    if foot.findings:
        lines.append(escape(", ".join(foot.findings)))
    for name, words in SHOWN.items():
        value, unit, sd = foot.measures.get(name, (None, "", None))
        band = "" if sd is None else f" ± {max(sd, 0.1):.1f}"
        lines.append(
            f"{words} "
            + ("not to be had" if value is None else f"{value:.1f}{band} {escape(unit)}")
        )
    lines.append(f"Mondopoint {escape(str(foot.sizes.get('mondopoint', '')))}")
    image = f'<img alt="sole of the {escape(foot.side)} foot, seen from above, toes up" src="data:'
    image += f'image/png;base64,{escape(foot.picture)}">' if foot.picture else '">'
    return f"<figure>{image}<figcaption>{'<br>'.join(lines)}</figcaption></figure>"


def _target(name: str) -> str:
    """Return what a link shows: a made folder for its manifest, else the file."""
    return name.removesuffix("manifest.json")


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
