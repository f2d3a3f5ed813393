"""The calibration bar as a print file, and in words what to do with it.

Bar -> write_bar -> a 3MF or STL file, read back -> bar_words

The bar is never scaled: what comes out of the printer is what the workshop measures.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from footscan import files
from footscan.files import why
from insole.errors import OutputError
from insole.output.print import plates, printing, threemf
from insole.parts.bar import Bar
from insole.record.materials import BAR_MM

__all__ = ["bar_words", "write_bar"]

PLACE_MM = plates.MARGIN  # from the corner of the bed


def write_bar(path: Path, bar: Bar) -> None:
    """Write the bar to a ``.3mf`` or ``.stl`` file and read it back.

    Raises
    ------
    OutputError
        Another ending, a file with other content under that name, no such folder, or the file
        does not read back the same.
    """
    kind = path.suffix.lower()
    if kind not in (".3mf", ".stl"):
        raise OutputError(f"{path.name}: the bar is written as .3mf or .stl; name such a file")
    data = _as_3mf(bar) if kind == ".3mf" else _as_stl(bar)
    try:
        if path.exists() and path.read_bytes() != data:
            raise OutputError(f"{path} is there with other content; choose another file").asking(
                "out"
            )
        files.write_whole(path, data)
        _read_back(path, bar)
    except OSError as error:
        reason = why(error)
        raise OutputError(f"{path} cannot be written: {reason}; choose another file").asking(
            "out"
        ) from None


def bar_words(bar: Bar) -> list[str]:
    """Return what to do with the bar, one sentence each, and the lines for the materials file."""
    x, y, step = BAR_MM
    return [
        "Print it from the material and with the settings of the parts, lying as in the file, x "
        "along the printer's x; do not scale it.",
        "Let it cool for an hour, TPU and PA for a day; then measure at mid-height of the walls, "
        f"three times each: X over the outer faces ({x:g} mm), Y likewise ({y:g} mm), Z as the "
        f"step from an arm's top to the post's ({step:g} mm).",
        "Write the means into the workshop's materials file; print files then come out scaled:",
        f"[{bar.material}]",
        f"measured = [{x:.2f}, {y:.2f}, {step:.2f}]",
    ]


def _as_3mf(bar: Bar) -> bytes:
    words = (
        f"Calibration bar for {bar.material}, never to be scaled. Unit millimetre. Between the "
        f"outer faces {BAR_MM[0]:g} mm along x, {BAR_MM[1]:g} mm along y; step {BAR_MM[2]:g} mm."
    )
    placed = bar.vertices + np.array([PLACE_MM, PLACE_MM, 0.0])
    objects = [(bar.label, bar.material, placed, bar.faces)]
    return threemf.package_3mf(threemf.model_3mf(objects, title=bar.label, words=words))


def _as_stl(bar: Bar) -> bytes:
    header = f"Solewright calibration bar, {bar.material}, unit mm, never scaled"
    return printing.stl_bytes(header, bar.vertices, bar.faces)


def _read_back(path: Path, bar: Bar) -> None:
    """Refuse a file that is not the bar."""
    if path.suffix.lower() == ".3mf":
        vertices, faces = threemf.meshes_3mf(path).get(bar.label, (np.zeros((0, 3)), bar.faces))
        found = vertices[faces] - PLACE_MM * np.array([1, 1, 0]) if len(vertices) else vertices
    else:
        found = printing.stl_corners(path.read_bytes())
    wanted = bar.vertices[bar.faces]
    if found.shape != wanted.shape or np.abs(found - wanted).max() > printing.FLOAT:
        raise OutputError(f"{path.name} does not read back as the calibration bar; write it again")
