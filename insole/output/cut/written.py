"""Write sheets as DXF and SVG."""

from __future__ import annotations

import io
import logging
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import quoteattr

import numpy as np

from footscan.files import write_whole
from footscan.scan import Array
from insole.output.cut.cutting import draw
from insole.output.cut.labels import extent_of
from insole.output.cut.layers import LASER, LAYERS, CutLayer, Face, Layer, Sheet, Stroke
from insole.parts.curves import arcs_of
from insole.parts.part import Part

__all__ = ["PLAIN", "Style", "save_dxf", "save_svg", "write_dxf", "write_svg"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How drawings are saved.

    Attributes
    ----------
    dxf : str
        ``"R2010"`` or ``"R12"``; the latter knows no unit: its lengths are mm all the same.
    laser : bool
        Pure red, blue and black.
    """

    dxf: str = "R2010"
    laser: bool = False

    @property
    def layers(self) -> Mapping[CutLayer, Layer]:
        """Return the layers with their colours."""
        return LASER if self.laser else LAYERS


PLAIN = Style()


def write_dxf(
    path: Path,
    parts: Sequence[Part],
    *,
    kerf: float = 0.0,
    face: Face = "foot",
    note: str = "",
    style: Style = PLAIN,
) -> None:
    """Write the parts as one DXF sheet in mm: outlines of arcs and lines, strokes, no text.

    Parameters
    ----------
    path : Path
        File to write, ``.dxf``.
    parts : sequence of Part
        Worn parts.
    kerf : float
        Width that the tool takes away, mm; outlines move out and holes in by half of it.
    face : str
        Which face lies up, see the module's terms.
    note : str
        For the sheet's title: case and version.
    style : Style
        Version and colours.

    Raises
    ------
    PlanError
        The kerf is negative or closes a hole.
    """
    save_dxf(path, draw(parts, kerf=kerf, face=face, note=note), style)


def save_dxf(path: Path, sheet: Sheet, style: Style = PLAIN) -> None:
    """Write a drawn sheet as DXF in mm."""
    old = style.dxf == "R12"
    with _fixed_metadata() as ezdxf:
        doc = ezdxf.new(style.dxf, units=0 if old else ezdxf.units.MM)  # R12 knows no unit
        for name, layer in style.layers.items():
            entry = doc.layers.add(name, color=layer.index)
            if not old:
                entry.rgb = layer.rgb
                entry.description = layer.about
        if not old:
            doc.layers.get(CutLayer.NOTE).dxf.plot = 0
        space = doc.modelspace()
        lines = []
        for stroke in sheet.strokes:
            rows = np.round(_vertices(stroke), 6).tolist()
            if old:
                how = {"layer": stroke.layer}
                space.add_polyline2d(rows, format="xyb", close=stroke.closed, dxfattribs=how)
            else:  # thousands of them: the library takes a second for what is a few lines of text
                ids = doc.entitydb.next_handle(), space.block_record_handle
                lines.append(_polyline(*ids, stroke, rows))
        extents = extent_of([stroke.points for stroke in sheet.strokes])
        space.reset_extents((*extents[:2], 0), (*extents[2:], 0))
        space.reset_limits((0, 0), (sheet.width, sheet.height))
        doc.set_modelspace_vport(sheet.height, (sheet.width / 2, sheet.height / 2))
        # the library walks a set of names here: their order would change from run to run
        doc.classes.add_required_classes(doc.dxfversion)
        doc.classes.classes = dict(sorted(doc.classes.classes.items()))
        text = io.StringIO()
        doc.write(text)
    head, start, rest = text.getvalue().partition("  2\nENTITIES\n")
    write_whole(path, doc.encode("".join([head, start, *lines, rest])))


def _polyline(handle: str, space: str, stroke: Stroke, rows: Sequence[Sequence[float]]) -> str:
    """Return a stroke as the text of an LWPOLYLINE, tag by tag as the library writes it."""
    places = [
        f" 10\n{x}\n 20\n{y}\n" + (f" 42\n{bulge}\n" if bulge else "") for x, y, bulge in rows
    ]
    return (
        f"  0\nLWPOLYLINE\n  5\n{handle}\n330\n{space}\n100\nAcDbEntity\n  8\n{stroke.layer}\n"
        f"100\nAcDbPolyline\n 90\n{len(rows)}\n 70\n{int(stroke.closed)}\n{''.join(places)}"
    )


def _vertices(stroke: Stroke) -> Array:
    """Return a stroke as vertices with bulges, shape (n, 3): arcs for what is cut."""
    if stroke.layer == CutLayer.CUT and stroke.closed:
        return arcs_of(np.round(stroke.points, 5))
    return np.column_stack([stroke.points, np.zeros(len(stroke.points))])


def write_svg(
    path: Path,
    parts: Sequence[Part],
    *,
    kerf: float = 0.0,
    face: Face = "foot",
    note: str = "",
    style: Style = PLAIN,
) -> None:
    """Write the sheet of :func:`write_dxf` as SVG, 1:1 in mm, a group per layer."""
    save_svg(path, draw(parts, kerf=kerf, face=face, note=note), style)


def _svg_path(stroke: Stroke, height: float) -> str:
    """Return the path of a stroke, y down from the sheet's upper edge."""
    rows = _vertices(stroke)
    rows[:, :2] = np.round(rows[:, :2] * [1.0, -1.0] + [0.0, height], 4) * [1.0, -1.0] + [0, height]
    words = [f"M {rows[0, 0]:.4f},{height - rows[0, 1]:.4f}"]
    ends = np.vstack([rows[1:], rows[:1]]) if stroke.closed else rows[1:]
    for (x, y, bulge), (to_x, to_y, _) in zip(rows.tolist(), ends.tolist(), strict=False):
        end = f"{to_x:.4f},{height - to_y:.4f}"
        if not bulge:
            words.append(f"L {end}")
            continue
        radius = math.hypot(to_x - x, to_y - y) * (1.0 + bulge**2) / (4.0 * abs(bulge))
        wide, way = int(abs(bulge) > 1.0), int(bulge < 0.0)  # y down: what turned left turns right
        words.append(f"A {radius:.7f},{radius:.7f} 0 {wide},{way} {end}")
    return " ".join([*words, *(["Z"] if stroke.closed else [])])


def save_svg(path: Path, sheet: Sheet, style: Style = PLAIN) -> None:
    """Write a drawn sheet as SVG, 1:1 in mm."""
    size = f"{sheet.width:.3f}", f"{sheet.height:.3f}"
    rows = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<svg xmlns="http://www.w3.org/2000/svg" version="1.1"',
        f'width="{size[0]}mm" height="{size[1]}mm" viewBox="0 0 {size[0]} {size[1]}">',
    ]
    for name, layer in style.layers.items():
        shade = "#{:02x}{:02x}{:02x}".format(*layer.rgb)
        rows.append(f'<g id="{name}" fill="none" stroke="{shade}" stroke-width="0.1">')
        rows.append(f"<desc>{layer.about}</desc>")
        for stroke in sheet.strokes:
            if stroke.layer == name:
                line = _svg_path(stroke, sheet.height)
                rows.append(f'<path class={quoteattr(stroke.part)} d="{line}"/>')
        rows.append("</g>")
    rows.append("</svg>\n")
    write_whole(path, "\n".join(rows).encode())


class _fixed_metadata:
    """Give ezdxf without its clock and random ids, and set it back.

    Its warnings are held back meanwhile: that R12 knows no unit it would say of every file.
    """

    def __enter__(self) -> Any:
        import ezdxf
        import ezdxf.units

        self._options: Any = vars(ezdxf)["options"]
        self._before = self._options.write_fixed_meta_data_for_testing
        self._options.write_fixed_meta_data_for_testing = True
        self._log = logging.getLogger("ezdxf")
        self._level = self._log.level
        self._log.setLevel(logging.ERROR)
        return ezdxf

    def __exit__(self, *error: object) -> None:
        self._options.write_fixed_meta_data_for_testing = self._before
        self._log.setLevel(self._level)
