"""A finished folder read like a person would, before it is published.

    folder -> names, cut files, print and CAD files, papers, first page -> held against plan.json

Nothing here is shared with what writes the files: words are read by the shape of their strokes,
outlines from the lines of a file, numbers from the text of a page, and all of it is held against
the plan as it stands in the folder.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Collection
from pathlib import Path
from typing import Any

import numpy as np

from insole.errors import OutputError
from insole.readback import carved, figures, full_size, papers, solids
from insole.readback.cut import Sheet, check_drawing
from insole.readback.drawings import Drawing, read_drawing, same_drawing
from insole.readback.machines import beds_offered
from insole.readback.pictures import check_placement
from insole.readback.told import Told, other, plain

__all__ = ["EVERYTHING", "check"]

CUT = ("cut-left", "cut-right", "cut-sheets")
EVERYTHING = ("whole", *CUT, "print", "paper")
PRINT_ONLY = ("dowels",)  # never cut
TALLY = 0.0501  # mm: a figure with one decimal


def check(folder: Path, *, name: str = "", of: Collection[str] = EVERYTHING) -> None:
    """Read every file of a folder and hold it against the plan in it.

    Parameters
    ----------
    folder : Path
        The folder, whole.
    name : str
        Its name when it is published; by default its name.
    of : collection of str
        What to read, of ``EVERYTHING``: two processes may share it out.

    Raises
    ------
    OutputError
        A file says or shows something else than the plan; one sentence names the file.
    """
    data = (folder / "plan.json").read_bytes()
    manifest = json.loads((folder / "manifest.json").read_bytes())
    told = Told.of(json.loads(data), name or folder.name, manifest.get("parts", {}))
    seal = hashlib.sha256(data).hexdigest()[:12]
    if "whole" in of:
        _check_names(folder, told, manifest, seal)
    for which in CUT:
        if which in of:
            _check_cut(folder, told, manifest, which)
    if "print" in of:
        _check_print(folder, told, manifest)
    if "paper" in of:
        _check_papers(folder, told, seal)
    if "whole" in of:
        _check_first_page(folder / "READ-ME-FIRST.txt", told, seal)
        figures.check_figures(folder, told, manifest)


def _check_names(folder: Path, told: Told, manifest: dict[str, Any], seal: str) -> None:
    """Refuse files and a folder that are not named for case and version, and another's manifest."""
    version = int(told.plan["version"])
    if not told.tag.endswith(f"-v{version}") or _folded(told.case) not in _folded(told.tag):
        raise OutputError(f"the folder {told.tag} is not named for {told.case}, version {version}")
    if (manifest["case"], manifest["version"], manifest["plan"]) != (told.case, version, seal):
        raise OutputError(f"manifest.json is not of the plan {seal} of {told.case}, v{version}")
    scans = {scan["side"]: scan["sha256"] for scan in manifest["scans"]}
    if scans != {str(foot["side"]): foot["scan_sha256"] for foot in told.feet}:
        raise OutputError("manifest.json names other scans than the plan, or exchanges the feet's")
    for path in folder.rglob("*"):
        if path.is_file() and path.parent != folder and not path.stem.endswith(f"-{told.tag}"):
            raise OutputError(f"{path.name} does not end in {told.tag}")


def _folded(text: str) -> str:
    return re.sub(r"[\W_]+", "", text).lower()


# ------------------------------------------------------------------ cut files


def _check_cut(folder: Path, told: Told, manifest: dict[str, Any], which: str) -> None:
    """Hold the DXF files of a foot, or of neither, against the plan, each SVG against its DXF."""
    kerf = float(manifest["settings"]["kerf"])
    drawings: dict[Path, Drawing] = {}
    for path in _cut_files(folder, ".dxf", which):
        drawing = drawings[path] = read_drawing(path)
        sheet = _sheet(path, told, kerf)
        labels = check_drawing(drawing, sheet, told)
        if sheet.label or sheet.nested:
            continue
        wanted = {
            piece.label
            for piece in told.pieces.values()
            if piece.side == sheet.side and piece.name not in PRINT_ONLY
        }
        if missing := sorted(wanted - set(labels)):
            raise OutputError(f"{path.name} does not show {missing[0]}")
    for path in _cut_files(folder, ".svg", which):
        twin = path.with_suffix(".dxf")
        if twin not in drawings or not _same(read_drawing(path), drawings[twin]):
            raise OutputError(f"{path.name} does not show the same as {twin.name}")
    side = which.removeprefix("cut-")
    if side in {str(foot["side"]) for foot in told.feet}:
        for face in ("foot", "shoe"):
            name = f"{side}-{face}-side-up-{told.tag}.dxf"
            if (folder / "cut").is_dir() and not (folder / "cut" / name).is_file():
                raise OutputError(f"cut has no {name}")


def _cut_files(folder: Path, suffix: str, which: str) -> list[Path]:
    """Return the cut files of a kind that are a foot's, or neither foot's, by their names."""
    found = sorted((folder / "cut").rglob(f"*{suffix}"))
    return [path for path in found if _whose(path) == which]


def _whose(path: Path) -> str:
    begin = path.name.partition("-")[0]
    return f"cut-{begin}" if begin in ("left", "right") else "cut-sheets"


def _same(one: Drawing, two: Drawing) -> bool:
    return same_drawing(one, two)


def _sheet(path: Path, told: Told, kerf: float) -> Sheet:
    """Return what the name of a cut file says."""
    stem = path.stem.removesuffix(f"-{told.tag}")
    view = re.fullmatch(r"(left|right)-(foot|shoe)-side-up", stem)
    if view:
        return Sheet(side=view[1], face=view[2], kerf=kerf)
    if stem.startswith("sheet-"):
        return Sheet(nested=True, kerf=kerf)
    side = re.match(r"(left|right)-", stem)
    if side is None:
        raise OutputError(f"{path.name} does not begin with left or right")
    return Sheet(side=side[1], label=stem, kerf=kerf)


# ------------------------------------------------------------------ print and CAD files


def _check_print(folder: Path, told: Told, manifest: dict[str, Any]) -> None:
    """Hold STL against the plan, 3MF against STL, STEP against the plan."""
    meshes: dict[str, Any] = {}
    settings = manifest["settings"]
    factors = _factors(manifest, settings.get("scaled", {}))
    for path in sorted((folder / "print").glob("*.stl")):
        label = path.stem.removesuffix(f"-{told.tag}")
        if not label.startswith(("left-", "right-")):
            raise OutputError(f"{path.name} does not begin with left or right")
        header, corners = solids.read_stl(path)
        meshes[label] = corners / factors.get(label, np.ones(3))
        solids.check_mesh(path, header, meshes[label], label, told)
        carved.check_carving(path, meshes[label], label, told, by_hand=_by_hand(folder, label))
    figures.check_records(manifest, meshes, told)
    if not (folder / "print").is_dir():
        return
    solid = {n for n, one in manifest["parts"].items() if one["how"] in ("print", "mill")}
    page = (folder / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    ends = f"-{told.tag}.stl"
    offered = {file.removesuffix(ends) for file in re.findall(r"print/(\S+?\.stl)", page)}
    solid |= offered & manifest["parts"].keys()
    if missing := sorted(solid - meshes.keys()):
        raise OutputError(f"print has no STL of {missing[0]}")
    printed: list[str] = []
    beds, lacking = beds_offered(folder)
    for path in sorted((folder / "print").glob("*.3mf")):
        bed = beds.get(f"print/{path.name}")
        named = solids.check_3mf(path, meshes, told, factors, bed)
        if bed is not None and (both := sorted(lacking & set(named))):
            raise OutputError(f"the first pages offer a printer for {both[0]} and deny it")
        sides = {label.partition("-")[0] for label in named}
        alone = re.match(r"(left|right)-", path.name)
        if alone and sides != {alone[1]}:
            raise OutputError(f"{path.name} holds parts for the {other(alone[1])} foot")
        printed += named
    wanted = {label for label, record in manifest["parts"].items() if record["how"] == "print"}
    lost = sorted((wanted if settings["prints"] else set()) - set(printed))
    lost += sorted(set(printed) - set(meshes))
    if lost or len(set(printed)) != len(printed):
        raise OutputError(f"the 3MF files do not hold {lost[0] if lost else 'each part once'}")
    for path in sorted((folder / "solid").glob("*.step")):
        solids.check_step(path, path.stem.removesuffix(f"-{told.tag}"), told)


def _by_hand(folder: Path, label: str) -> str:
    """Return what the first page says is to be written on a part by hand."""
    text = " ".join((folder / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())
    row = re.search(rf"(?<!\S){label}: (.*?)(?= (?:left|right)-[a-z-]+: | What to make )", text)
    return row[1].partition("write on by hand")[2] if row else ""


def _factors(manifest: dict[str, Any], scaled: dict[str, list[float]]) -> dict[str, Any]:
    """Return by how much the print files of each part were made larger, by label."""
    words = {label: figures.material_of(manifest, label) for label in manifest["parts"]}
    return {
        label: np.array(scaled[word], dtype=float)
        for label, word in words.items()
        if word in scaled
    }


# ------------------------------------------------------------------ papers


def _check_papers(folder: Path, told: Told, seal: str) -> None:
    for path in sorted((folder / "paper").glob("*.pdf")):
        if path.name.startswith("template-"):
            full_size.check_template(path, told)
        elif path.name.startswith("pieces-"):
            full_size.check_pieces(path, told, seal)
        elif path.name.startswith("section-gauges-"):
            full_size.check_gauges(path, told, seal)
        elif path.name.startswith(("bench-page-", "report-", "plan-")):
            papers.check_pair_paper(path, told, seal)
    for path in sorted((folder / "pictures").glob("placement-*.png")):
        check_placement(path, told)


def _check_first_page(path: Path, told: Told, seal: str) -> None:
    """Hold the readme against the plan: case, version, seal, each part with its wedge."""
    text = " ".join(path.read_text(encoding="utf-8").split())
    if not text.startswith(f"{told.case}, version {told.plan['version']} (plan {seal})"):
        raise OutputError(f"{path.name} does not begin with case, version and plan {seal}")
    sockets = re.findall(r"a dowel into each socket of the (\w+), none into the (\w+)", text)
    if any(said != ("pad", "base") for said in sockets):
        raise OutputError(f"{path.name} does not glue the dowels into the pad")
    for piece in told.pieces.values():
        rows = re.findall(rf"(?<!\S){piece.label}: ([^:]*?)(?= (?:left|right)-[\w-]+: |$)", text)
        if not rows and f"{piece.label}" not in text:
            raise OutputError(f"{path.name} does not list {piece.label}")
        if piece.wedge is None:
            continue
        net, side = float(piece.wedge["net"]), str(piece.wedge["thick_side"])
        words = f"{abs(net):g}° {'varus' if net > 0 else 'valgus'}, thick on the {side}"
        row = re.search(rf"(?<!\S){piece.label}: (.*?thick edge ([\d.]+) mm)", text)
        if row is None or plain(words) not in plain(row[1]):
            raise OutputError(f"{path.name} does not say of {piece.label}: {words}")
        if abs(float(row[2]) - float(piece.wedge["thick_edge"])) > 0.3 + TALLY:
            raise OutputError(f"{path.name}: the thick edge of {piece.label} is not the plan's")
