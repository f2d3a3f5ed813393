"""Write sheets as DXF and SVG."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import quoteattr

import numpy as np

from footscan.files import write_whole
from insole.output.cut.cutting import draw
from insole.output.cut.labels import extent_of
from insole.output.cut.layers import LAYERS, Face, Sheet
from insole.parts.part import Part

__all__ = ["save_dxf", "save_svg", "write_dxf", "write_svg"]


def write_dxf(
    path: Path, parts: Sequence[Part], *, kerf: float = 0.0, face: Face = "foot", note: str = ""
) -> None:
    """Write the parts as one DXF R2010 sheet in mm: closed polylines and strokes, no text.

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

    Raises
    ------
    PlanError
        The kerf is negative or closes a hole.
    """
    save_dxf(path, draw(parts, kerf=kerf, face=face, note=note))


def save_dxf(path: Path, sheet: Sheet) -> None:
    """Write a drawn sheet as DXF R2010 in mm."""
    with _fixed_metadata() as ezdxf:
        doc = ezdxf.new("R2010", units=ezdxf.units.MM)
        for name, layer in LAYERS.items():
            entry = doc.layers.add(name, color=layer.index, true_color=ezdxf.rgb2int(layer.rgb))
            entry.description = layer.about
        doc.layers.get("NOTE").dxf.plot = 0
        space = doc.modelspace()
        for stroke in sheet.strokes:
            space.add_lwpolyline(
                np.round(stroke.points, 5).tolist(),
                close=stroke.closed,
                dxfattribs={"layer": stroke.layer},
            )
        extents = extent_of([stroke.points for stroke in sheet.strokes])
        space.reset_extents((*extents[:2], 0), (*extents[2:], 0))
        space.reset_limits((0, 0), (sheet.width, sheet.height))
        doc.set_modelspace_vport(sheet.height, (sheet.width / 2, sheet.height / 2))
        # the library walks a set of names here: their order would change from run to run
        doc.classes.add_required_classes(doc.dxfversion)
        doc.classes.classes = dict(sorted(doc.classes.classes.items()))
        text = io.StringIO()
        doc.write(text)
    write_whole(path, doc.encode(text.getvalue()))


def write_svg(
    path: Path, parts: Sequence[Part], *, kerf: float = 0.0, face: Face = "foot", note: str = ""
) -> None:
    """Write the sheet of :func:`write_dxf` as SVG, 1:1 in mm, a group per layer."""
    save_svg(path, draw(parts, kerf=kerf, face=face, note=note))


def save_svg(path: Path, sheet: Sheet) -> None:
    """Write a drawn sheet as SVG, 1:1 in mm."""
    size = f"{sheet.width:.3f}", f"{sheet.height:.3f}"
    rows = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<svg xmlns="http://www.w3.org/2000/svg" version="1.1"',
        f'width="{size[0]}mm" height="{size[1]}mm" viewBox="0 0 {size[0]} {size[1]}">',
    ]
    for name, layer in LAYERS.items():
        shade = "#{:02x}{:02x}{:02x}".format(*layer.rgb)
        rows.append(f'<g id="{name}" fill="none" stroke="{shade}" stroke-width="0.1">')
        rows.append(f"<desc>{layer.about}</desc>")
        for stroke in sheet.strokes:
            if stroke.layer == name:
                line = " ".join(f"{x:.4f},{sheet.height - y:.4f}" for x, y in stroke.points)
                end = " Z" if stroke.closed else ""
                rows.append(f'<path class={quoteattr(stroke.part)} d="M {line}{end}"/>')
        rows.append("</g>")
    rows.append("</svg>\n")
    write_whole(path, "\n".join(rows).encode())


class _fixed_metadata:
    """Give ezdxf without its clock and random ids, and set it back."""

    def __enter__(self) -> Any:
        import ezdxf
        import ezdxf.units

        self._options: Any = vars(ezdxf)["options"]
        self._before = self._options.write_fixed_meta_data_for_testing
        self._options.write_fixed_meta_data_for_testing = True
        return ezdxf

    def __exit__(self, *error: object) -> None:
        self._options.write_fixed_meta_data_for_testing = self._before
