"""Figures on papers held against the meshes: material, layers, heights, volume, mass of each part.

    manifest (parts), STL, papers, first page -> each figure of a part, wherever it stands

The manifest says of each part what it is made of and how; heights and volumes are measured on the
part's own mesh here, or, of a part that is only cut, taken from the plan. A paper that says
something else of a part, or nothing, is refused.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from insole.errors import OutputError
from insole.readback.pages import read_pages
from insole.readback.parted import REAR, check_form, check_joint
from insole.readback.solids import SLOT
from insole.readback.told import Told
from insole.readback.workshop import check_cards, check_layers, check_measures

__all__ = ["check_figures", "check_records", "material_of"]

Numbers = NDArray[np.float64]
GRID_MM = 0.5  # between places at which the plan is asked for a height
TENTH = 0.0501  # mm: a figure with one decimal
CLOSE = 0.02  # share by which a mesh's volume may differ from what is said
ROUND = 0.02  # share by which a mass may differ from volume times density
WAYS = ("print", "cut", "grind", "layers", "mill")
HIGHEST = re.compile(r"([\d.]+) mm at its highest")
CREST = re.compile(r"([\d.]+) mm (?:high|thick) at the crest")
TOOK = re.compile(r"([\d.]+) cm³, about ([\d.]+) g")
LAYERS = re.compile(r"(\d+) layers")


def material_of(manifest: Mapping[str, Any], label: str) -> str:
    """Return the word of the material that a part is made of."""
    return str(manifest.get("parts", {}).get(label, {}).get("material", ""))


def check_records(manifest: Mapping[str, Any], meshes: Mapping[str, Numbers], told: Told) -> None:
    """Hold what the manifest says of each part against its mesh and the plan.

    Raises
    ------
    OutputError
        A part is missing, or its height, crest or volume is not the mesh's or the plan's.
    """
    records = manifest.get("parts", {})
    if odd := sorted((told.pieces.keys() | meshes.keys()) - records.keys()):
        raise OutputError(f"manifest.json does not list {odd[0]}")
    volumes: dict[str, float] = {}
    for label, record in records.items():
        if record["how"] not in WAYS:
            raise OutputError(f"manifest.json does not say how {label} is made")
        measured = _measured(label, record, meshes, told)
        if measured is None:
            continue
        volumes[label] = measured.volume
        if abs(measured.high - float(record["height"])) > measured.off:
            raise OutputError(
                f"manifest.json says that {label} is {record['height']} mm high, {measured.by} "
                f"{measured.high:.2f} mm"
            )
        over = float(record["volume_cm3"]) - measured.volume
        room = measured.share * measured.volume
        if not -room - measured.less <= over <= room:
            raise OutputError(
                f"manifest.json says that {label} takes {record['volume_cm3']} cm³, {measured.by} "
                f"{measured.volume:.2f} cm³"
            )
        crest = _crest(label, told)
        if crest is not None and abs(crest - float(record.get("crest", -1.0))) > TENTH:
            raise OutputError(f"manifest.json gives {label} another crest than the plan's")
        lower = float(record.get("lower", 0.0))
        if record["how"] == "layers" and not sum(record["sheets"]) > measured.high - 0.6 - lower:
            raise OutputError(
                f"the layers of {label} are {sum(record['sheets']):g} mm high together, the part "
                f"{measured.high:.1f} mm"
            )
    for foot in told.feet if meshes else ():
        check_joint(foot, records, volumes, _holes(told, str(foot["side"])))
        check_form(str(foot["side"]), records, volumes)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measured:
    """Height and volume of a part, mm and cm3, what they are of, and how far off they may be.

    Slots for bolts take away up to `less` cm3, which nothing here knows better.
    """

    high: float
    volume: float
    by: str
    off: float
    share: float
    less: float = 0.0


def _measured(
    label: str, record: Mapping[str, Any], meshes: Mapping[str, Numbers], told: Told
) -> _Measured | None:
    """Return what is measured on a part's mesh, else on the plan; None: neither says it."""
    if label in meshes:
        corners = meshes[label]
        high, volume = float(np.ptp(corners[..., 2])), _volume(corners) / 1000.0
        return _Measured(high=high, volume=volume, by="its mesh is", off=TENTH, share=CLOSE)
    piece = told.pieces.get(label)
    if piece is None or piece.height is None or not piece.outline:
        return None
    x0, y0, x1, y1 = piece.shape.bounds
    x, y = (
        g.ravel()
        for g in np.meshgrid(np.arange(x0, x1, GRID_MM), np.arange(y0, y1, GRID_MM), indexing="ij")
    )
    inside = shapely.contains_xy(piece.shape, x, y)
    z = piece.height(x[inside], y[inside])
    under = piece.floor(x[inside], y[inside]) if piece.floor is not None else np.zeros_like(z)
    holes = len(piece.vents) * np.pi * piece.vent**2 / 4.0 * float((z - under).mean())
    volume = (float((z - under).sum()) * GRID_MM**2 - holes) / 1000.0
    return _Measured(
        high=float(z.max()),
        volume=volume,
        by="by the plan it is",
        off=0.3,
        share=0.05,
        less=len(piece.holes) * SLOT * float((z - under).max()) / 1000.0,
    )


def _holes(told: Told, side: str) -> float:
    """Return the volume of the ventilation holes in a foot's bed or its pieces, cm3."""
    found = 0.0
    for piece in told.pieces.values():
        if piece.side == side and piece.vents and piece.floor is not None and piece.height:
            x, y = np.array(piece.vents).T
            thick = float((piece.height(x, y) - piece.floor(x, y)).sum())
            found += thick * np.pi * piece.vent**2 / 4.0 / 1000.0
    return found


def check_figures(folder: Path, told: Told, manifest: Mapping[str, Any]) -> None:
    """Hold what first page and papers say of each part against the manifest's record of it.

    Raises
    ------
    OutputError
        A paper leaves a part out, or gives it another material, way, height, volume or mass.
    """
    records: Mapping[str, Any] = manifest.get("parts", {})
    name = "READ-ME-FIRST.txt"
    text = " ".join((folder / name).read_text(encoding="utf-8").split())
    head = text.partition(" Parts ")[2].partition(" What to make each part from ")[0]
    for label, record in records.items():
        row = re.search(rf"(?<!\S){label}: (.*?)(?= (?:left|right)-[a-z-]+: |$)", head)
        if row is None:
            raise OutputError(f"{name} does not list {label} among the parts")
        if not row[1].startswith(f"{record['material']}, "):
            raise OutputError(f"{name} does not say that {label} is made of {record['material']}")
        _check_row(name, row[1], label, record)
        _check_density(name, text, label, record)
    for path in sorted((folder / "paper").glob("*.pdf")):
        if path.name.startswith(("plan-", "report-", "bench-page-")):
            _check_paper(path, records, told)
        elif path.name.startswith("pieces-"):
            text = " ".join(page.text for page in read_pages(path))
            check_layers(path.name, text, records)


def _check_paper(path: Path, records: Mapping[str, Any], told: Told) -> None:
    pages = read_pages(path)
    whole = " ".join(page.text for page in pages)
    _check_highest(path.name, whole, records)
    if not path.name.startswith("bench"):
        check_measures(path.name, whole, told)
    if path.name.startswith("report"):
        check_cards(path.name, pages, told, records)
    two = len(told.feet) == 2
    for label, record in records.items():
        side, _, name = label.partition("-")
        words = f"{side.upper()} {name.replace('-', ' ')}"
        if path.name.startswith("bench"):
            _check_bench(path.name, whole, label, record, kit=_from_kit(label, told))
            continue
        text = whole
        if path.name.startswith("report") and two:
            text = " ".join(page.half(side) for page in pages)
        row = None
        for found in re.finditer(rf"\b{words} (.{{0,420}}?cm³, about [\d.]+ g)", text):
            row = found
        if row is None:
            raise OutputError(f"{path.name} does not say what {label} takes")
        if f"({record['material']})" not in row[1]:
            raise OutputError(
                f"{path.name} does not say that {label} is made of {record['material']}"
            )
        _check_row(path.name, row[1], label, record)


def _check_highest(file: str, text: str, records: Mapping[str, Any]) -> None:
    """Refuse a highest place, anywhere on a paper, that is no part's."""
    for said in HIGHEST.findall(text):
        if all(abs(float(said) - float(one["height"])) > TENTH for one in records.values()):
            raise OutputError(f"{file} says {said} mm at its highest, which no part is")


def _check_bench(file: str, text: str, label: str, record: Mapping[str, Any], *, kit: bool) -> None:
    """Look for a part in the list of what must lie on the bench."""
    side, _, name = label.partition("-")
    count = f", {len(record['sheets'])} layers" if record["how"] == "layers" else ""
    words = "kit pad" if kit else name.replace("-", " ")
    wanted = f"{words} ({record['material']}{count})"
    row = re.search(rf"Parts\b.*?\b{side.upper()} (.*?)(?:;|\.)", text)
    if row is None or wanted not in row[1]:
        raise OutputError(f"{file} does not list {side.upper()} {wanted} among the parts")


def _check_row(file: str, row: str, label: str, record: Mapping[str, Any]) -> None:
    """Hold every figure in what is said of one part against its record."""
    layers = LAYERS.search(row)
    count = len(record["sheets"]) if record["how"] == "layers" else 0
    if (int(layers[1]) if layers else 0) != count:
        raise OutputError(f"{file}: {label} is made of {count} layers and the paper says otherwise")
    crest, high = CREST.search(row), HIGHEST.search(row)
    if "crest" in record:
        if crest is None or abs(float(crest[1]) - float(record["crest"])) > TENTH:
            raise OutputError(
                f"{file}: {label} is {float(record['crest']):.1f} mm high at its crest and the "
                "paper does not say so"
            )
        apart = float(record["height"]) - float(record["crest"])
        if high is None and apart > 0.3:
            raise OutputError(
                f"{file}: {label} reaches {float(record['height']):.1f} mm beside its crest and "
                "the paper does not say so"
            )
    if high is not None and abs(float(high[1]) - float(record["height"])) > TENTH:
        raise OutputError(
            f"{file}: {label} is said {high[1]} mm at its highest, its mesh is "
            f"{float(record['height']):.1f} mm"
        )
    took = TOOK.search(row)
    if took is None or not (
        _rounded(took[1], float(record["volume_cm3"])) and _rounded(took[2], record["mass_g"][0])
    ):
        raise OutputError(f"{file}: volume or mass of {label} is not the part's")


def _rounded(text: str, value: float) -> bool:
    """Return whether a figure is a value, rounded to the places it has."""
    places = len(text.partition(".")[2])
    return bool(abs(float(text) - value) <= 0.5 * 10.0**-places + 1e-3)


def _check_density(file: str, text: str, label: str, record: Mapping[str, Any]) -> None:
    """Hold the mass of what is not printed against its volume and the density that is stated."""
    if record["how"] == "print":
        return
    row = re.search(
        rf"(?<!\S){record['material']}: .*?density ([\d.]+)(?: to ([\d.]+))? g/cm3",
        text.partition(" Materials ")[2],
    )
    if row is None:
        raise OutputError(f"{file} does not say what {record['material']} is")
    low, high = float(row[1]), float(row[2] or row[1])
    volume, (_, least, most) = float(record["volume_cm3"]), record["mass_g"]
    both = ((least, low), (most, high))
    if any(abs(mass - volume * dense) > ROUND * volume * dense for mass, dense in both):
        raise OutputError(f"{file}: the mass of {label} is not its volume times its density")


def _crest(label: str, told: Told) -> float | None:
    side, _, name = label.partition("-")
    key = {
        "arch-pad": "pad",
        "metatarsal-pad": "metatarsal",
        "contoured-bed": "contour",
        REAR: "contour",
    }.get(name)
    part = (told.plan.get(side) or {}).get(key) if key else None
    return float(part["crest"]["height"]) if part else None


def _from_kit(label: str, told: Told) -> bool:
    side, _, name = label.partition("-")
    pad = (told.plan.get(side) or {}).get("pad")
    return name == "arch-pad" and pad is not None and pad["source"] == "kit"


def _volume(corners: Numbers) -> float:
    a, b, c = (corners[:, k] - corners.mean(axis=(0, 1)) for k in range(3))
    return abs(float(np.einsum("ij,ij->", a, np.cross(b, c)))) / 6.0
