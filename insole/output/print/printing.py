"""Files for printers and CAD: 3MF, STL and STEP, and the same files read back.

    worn Parts -> write_3mf, write_stl, write_step -> read_back_* -> insole.output.folder

Terms
    worn frame   the part as it is worn, seen from above, +x forward, z = 0 towards the shoe, mm
    plate        what is printed in one go: one 3MF file

Nothing here mirrors anything: a left part comes in as it is worn. On a plate a part is turned
about z and moved, and the place is baked into its coordinates, so no file holds a transform.
No file holds a clock: the same parts give the same bytes.
"""

from __future__ import annotations

import io
import os
import pickle
import re
import subprocess
import sys
import zipfile
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from footscan.scan import Array, IntArray, Side
from insole.errors import InsoleError, OutputError, PartError
from insole.parts.part import Part

__all__ = [
    "Plate",
    "StepUnavailable",
    "StepWorker",
    "lay_out",
    "meshes_3mf",
    "model_3mf",
    "package_3mf",
    "read_back_3mf",
    "read_back_step",
    "read_back_stl",
    "scale_words",
    "shelves",
    "volume_of",
    "write_3mf",
    "write_step",
    "write_steps",
    "write_stl",
    "write_whole",
]

Scale = tuple[float, float, float]  # factors along x, y, z
AS_IT_IS: Scale = (1.0, 1.0, 1.0)
GAP = 6.0  # mm between parts on a plate: a skirt round each still fits
MARGIN = 5.0  # mm kept free along the bed's edge
DIGITS = 4  # of a coordinate in a 3MF: 0.1 micrometre, finer than the float32 of its readers
STAMP = "1980-01-01T00:00:00"  # the earliest time a zip can hold; no clock gets into a file
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
SHADES = ("#8FA3B5FF", "#B58F6AFF", "#7FA37AFF", "#A88FB5FF")  # one per material, only to see
CURVES_IN_SPACE = 3  # the kernel's number for it
CHORD = 0.01  # mm between a STEP surface and the facets it is measured with, as a length: the
# kernel's usual calls take it as a share of the part's size, and stop up to 0.3 mm off a dome
STEP_VOLUME = 1e-3  # share that a STEP file's volume may stray from the planned one
FLOAT = 1e-3  # mm: float32 and four decimals stay well inside it
HEIGHT = 0.05  # mm that a STEP file's highest point may stray
OUTLINE = 0.01  # mm that a STEP file's outline may stray, as mean over its length


class StepUnavailable(OutputError):
    """STEP files cannot be written on this machine; every other file can."""


# ------------------------------------------------------------------ plates


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """What is printed in one go.

    Attributes
    ----------
    name : str
        Empty for the only plate, else ``"pair"``, ``"left"``, ``"right-2"`` or a part's label.
    parts : tuple of Part
        In the order of the file.
    vertices : tuple of ndarray, shape (n, 3)
        Of each part, turned and moved to its place on the bed, mm; all coordinates positive.
    size : tuple of float
        Bed that the plate needs, along x and y, mm.
    fits : bool
        False when one part alone is larger than the bed in every direction.
    """

    name: str
    parts: tuple[Part, ...]
    vertices: tuple[Array, ...]
    size: tuple[float, float]
    fits: bool = True


def shelves(
    sizes: Sequence[tuple[float, float]], width: float, gap: float
) -> tuple[list[tuple[float, float]], tuple[float, float]]:
    """Return the lower left corner of each box, set in rows, and the size used, mm.

    Boxes keep their order within equal heights; tall rows come first. A box wider than `width`
    gets a row of its own.

    Parameters
    ----------
    sizes : sequence of (float, float)
        Width and height of each box, mm.
    width : float
        Room along x, mm.
    gap : float
        Free space between boxes, mm.

    Examples
    --------
    >>> shelves([(40, 20), (50, 30), (30, 20)], 100, 5)
    ([(55.0, 0.0), (0.0, 0.0), (0.0, 35.0)], (95.0, 55.0))
    """
    corners = [(0.0, 0.0)] * len(sizes)
    x = y = row = widest = 0.0
    for i in sorted(range(len(sizes)), key=lambda i: -sizes[i][1]):
        w, h = sizes[i]
        if x > 0 and x + w > width:
            x, y, row = 0.0, y + row + gap, 0.0
        corners[i] = (x, y)
        widest, row, x = max(widest, x + w), max(row, h), x + w + gap
    return corners, (widest, y + row)


def lay_out(parts: Sequence[Part], bed: tuple[float, float]) -> list[Plate]:
    """Return the plates for `parts`: left parts on the left of the bed, right ones on the right.

    One plate if each side fits on its half of the bed; else a plate for each side; else as many
    as it takes. A part longer than the bed is alone on a plate, turned until it fits; one that
    fits no way is on a plate that says so.

    Parameters
    ----------
    parts : sequence of Part
        Worn parts.
    bed : (float, float)
        Size of the printer's bed along x and y, mm.

    Raises
    ------
    ValueError
        A part is not worn, or the bed leaves no room inside its margin.
    """
    _check_worn(parts)
    room = (bed[0] - 2 * MARGIN, bed[1] - 2 * MARGIN)
    if min(room) <= GAP:
        raise ValueError(f"bed must be larger than {2 * MARGIN + GAP:g} mm each way, got {bed}")
    large = [part for part in parts if _pack([part], room) is None]
    small = [part for part in parts if part not in large]
    plates = _plates_of_pair(small, room, bed)
    for part in large:
        alone = _pack([part], room, angles=range(5, 180, 5)) or _set([part], [0], np.inf)[0]
        plates.append(_plate(part.label, [part], alone, bed))
    return [replace(plates[0], name="")] if len(plates) == 1 else plates


_Placed = tuple[Part, Array]


def _check_worn(parts: Sequence[Part]) -> None:
    if not parts:
        raise ValueError("parts must not be empty")
    for part in parts:
        if not part.worn:
            raise ValueError(f"{part.label} is not worn yet: pass it through as_worn first")


def _plates_of_pair(parts: list[Part], room: tuple[float, float], bed: Any) -> list[Plate]:
    """Return one plate with a foot on each half, or the plates of each foot."""
    sides = [[part for part in parts if part.side is side] for side in (Side.LEFT, Side.RIGHT)]
    half = ((room[0] - GAP) / 2, room[1])
    if all(sides):
        left, right = (_pack(side, half) for side in sides)
        if left is not None and right is not None:
            return [_plate("pair", parts, [*left, *_moved(right, half[0] + GAP)], bed)]
    return [plate for side in sides if side for plate in _plates_of_side(side, room, bed)]


def _plates_of_side(side: list[Part], room: tuple[float, float], bed: Any) -> list[Plate]:
    """Return the plates of one foot, filled in order."""
    groups = [[side[0]]]
    for part in side[1:]:
        if _pack([*groups[-1], part], room) is None:
            groups.append([part])
        else:
            groups[-1].append(part)
    name = side[0].side.value
    names = [name] if len(groups) == 1 else [f"{name}-{i + 1}" for i in range(len(groups))]
    return [
        _plate(title, group, _pack(group, room) or [], bed)
        for title, group in zip(names, groups, strict=True)
    ]


def _pack(
    parts: Sequence[Part], room: tuple[float, float], angles: Sequence[int] = (0, 90)
) -> list[_Placed] | None:
    """Return the parts set in rows within `room`, or None when they do not fit."""
    tries = [[angle] * len(parts) for angle in angles]
    if len(parts) > 1:
        for lying in (True, False):
            spans = [np.ptp(part.vertices[:, :2], axis=0) for part in parts]
            tries.append([0 if (span[0] >= span[1]) is lying else 90 for span in spans])
    for turns in tries:
        placed, used = _set(parts, turns, room[0])
        if used[0] <= room[0] and used[1] <= room[1]:
            return placed
    return None


def _set(
    parts: Sequence[Part], turns: Sequence[int], width: float
) -> tuple[list[_Placed], tuple[float, float]]:
    """Return the parts turned about z and set in rows, with the size they use."""
    turned = [_turned(part.vertices, angle) for part, angle in zip(parts, turns, strict=True)]
    sizes = [(float(np.ptp(v[:, 0])), float(np.ptp(v[:, 1]))) for v in turned]
    corners, used = shelves(sizes, width, GAP)
    return [
        (part, v + np.array([x + MARGIN, y + MARGIN, 0.0]))
        for part, v, (x, y) in zip(parts, turned, corners, strict=True)
    ], used


def _turned(vertices: Array, degrees: int) -> Array:
    """Return the points turned about +z, then moved so that each coordinate starts at zero."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    turned = vertices @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(turned - turned.min(axis=0))


def _moved(placed: list[_Placed], forward: float) -> list[_Placed]:
    return [(part, vertices + np.array([forward, 0.0, 0.0])) for part, vertices in placed]


def _plate(name: str, parts: Sequence[Part], placed: list[_Placed], bed: Any) -> Plate:
    """Return the plate with its parts in the order of `parts`, in the middle of the bed."""
    low = np.min([vertices.min(axis=0)[:2] for _, vertices in placed], axis=0)
    high = np.max([vertices.max(axis=0)[:2] for _, vertices in placed], axis=0)
    need = high - low + 2 * MARGIN
    fits = bool(need[0] <= bed[0] + 1e-9 and need[1] <= bed[1] + 1e-9)
    size = (float(bed[0]), float(bed[1])) if fits else (float(need[0]), float(need[1]))
    shift = np.append((np.array(size) - low - high) / 2, 0.0)
    places = {id(part): vertices + shift for part, vertices in placed}
    vertices = tuple(places[id(part)] for part in parts)
    return Plate(name=name, parts=tuple(parts), vertices=vertices, size=size, fits=fits)


# ------------------------------------------------------------------ writing


def write_3mf(
    path: Path,
    parts: Sequence[Part],
    *,
    title: str,
    plan_id: str,
    bed: tuple[float, float] = (220.0, 220.0),
    scale: Scale = AS_IT_IS,
) -> list[Path]:
    """Write the parts as 3MF files, one per plate, and return their paths.

    Core specification only: unit millimetre, one named object per part, a base material per
    material word, no transform. See :func:`lay_out` for what goes on which plate; with several
    plates the name of each goes before the file's.

    Parameters
    ----------
    path : Path
        File to write, ``.3mf``.
    parts : sequence of Part
        Worn parts.
    title, plan_id : str
        Go into the metadata.
    bed : (float, float)
        Size of the printer's bed, mm.
    scale : (float, float, float)
        Factors along the printer's axes against shrinkage; said in the metadata. A part that
        was turned on the plate is scaled as it lies.
    """
    written = []
    for plate in lay_out(parts, (bed[0] / scale[0], bed[1] / scale[1])):
        target = path.with_stem(f"{plate.name}-{path.stem}") if plate.name else path
        write_whole(target, package_3mf(_model(_scaled(plate, scale), title, plan_id, scale)))
        written.append(target)
    return written


def _scaled(plate: Plate, scale: Scale) -> Plate:
    """Return the plate made larger against shrinkage, the bed it needs with it."""
    size = (plate.size[0] * scale[0], plate.size[1] * scale[1])
    return replace(plate, vertices=tuple(v * np.array(scale) for v in plate.vertices), size=size)


def package_3mf(model: bytes) -> bytes:
    """Return the zip around a model part, with fixed times and system."""
    kinds = "application/vnd.openxmlformats-package.relationships+xml"
    content = "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
    head = '<?xml version="1.0" encoding="UTF-8"?>\n'
    types = (
        f'{head}<Types xmlns="{PACKAGE}/content-types">'
        f'<Default Extension="rels" ContentType="{kinds}"/>'
        f'<Default Extension="model" ContentType="{content}"/></Types>\n'
    )
    relations = (
        f'{head}<Relationships xmlns="{PACKAGE}/relationships">'
        f'<Relationship Id="rel0" Type="{RELATION}" Target="/3D/3dmodel.model"/></Relationships>\n'
    )
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as package:
        for name, data in (
            ("[Content_Types].xml", types.encode()),
            ("_rels/.rels", relations.encode()),
            ("3D/3dmodel.model", model),
        ):
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            info.create_system, info.external_attr = 0, 0  # the same on every system
            package.writestr(info, data, zipfile.ZIP_DEFLATED, 6)
    return buffer.getvalue()


def _model(plate: Plate, title: str, plan_id: str, scale: Scale) -> bytes:
    """Return the XML of the model part of a plate."""
    bed = f"{plate.size[0]:.0f} x {plate.size[1]:.0f} mm"
    words = (
        f"Plan {plan_id}. Unit millimetre. Parts lie as printed, seen from above, on a bed of {bed}"
        + ("." if plate.fits else ", larger than the bed asked for.")
    )
    if scale != AS_IT_IS:
        words += f" {scale_words(scale)}: printed and cooled, parts have their planned size."
    objects = [
        (part.label, part.material, vertices, part.faces)
        for part, vertices in zip(plate.parts, plate.vertices, strict=True)
    ]
    return model_3mf(objects, title=title, words=words)


def scale_words(scale: Scale) -> str:
    """Return in words by how much a print file was made larger."""
    factors = " × ".join(f"{factor:.4f}" for factor in scale)
    return f"Scaled by {factors} along x, y, z against the shrinkage measured on the bar"


def model_3mf(
    objects: Sequence[tuple[str, str, Array, IntArray]], *, title: str, words: str
) -> bytes:
    """Return the XML of a model part: named objects with their material's word, mm.

    Parameters
    ----------
    objects : sequence of (name, material, vertices, faces)
        Closed meshes in their places on the bed.
    title, words : str
        Title and description in the metadata.
    """
    materials = sorted({material for _, material, _, _ in objects})
    about = {
        "Title": title,
        "Designer": "Solewright",
        "Description": words,
        "Application": "Solewright",
    }
    bases = "".join(
        f'<base name={quoteattr(word)} displaycolor="{SHADES[i % len(SHADES)]}"/>'
        for i, word in enumerate(materials)
    )
    xml = ['<?xml version="1.0" encoding="UTF-8"?>\n']
    xml.append(f'<model unit="millimeter" xml:lang="en-US" xmlns="{CORE}">\n')
    xml += [f'<metadata name="{name}">{escape(text)}</metadata>\n' for name, text in about.items()]
    xml.append(f'<resources>\n<basematerials id="1">{bases}</basematerials>\n')
    for i, (label, material, vertices, faces) in enumerate(objects):
        shade = f'pid="1" pindex="{materials.index(material)}"'
        name = quoteattr(label)
        xml.append(f'<object id="{i + 2}" type="model" name={name} {shade}>\n')
        xml.append(_mesh(vertices, faces))
        xml.append("</object>\n")
    items = "".join(f'<item objectid="{i + 2}"/>' for i in range(len(objects)))
    xml.append(f"</resources>\n<build>{items}</build>\n</model>\n")
    return "".join(xml).encode()


def _mesh(vertices: Array, faces: IntArray) -> str:
    """Return the mesh element; one formatting call a list, since files run to 100 000 faces."""
    number = f"%.{DIGITS}f"
    point = f'<vertex x="{number}" y="{number}" z="{number}"/>\n'
    rounded = np.round(vertices, DIGITS) + 0.0  # no "-0.0000"
    points = (point * len(vertices)) % tuple(rounded.ravel().tolist())
    corner = '<triangle v1="%d" v2="%d" v3="%d"/>\n'
    corners = (corner * len(faces)) % tuple(faces.ravel().tolist())
    return f"<mesh>\n<vertices>\n{points}</vertices>\n<triangles>\n{corners}</triangles>\n</mesh>\n"


def write_stl(path: Path, part: Part, scale: Scale = AS_IT_IS) -> None:
    """Write a worn part as binary STL in its own frame, mm, scaled against shrinkage.

    STL has no unit: the header names part, side and unit. It does not start with ``solid``,
    which some readers take for the text form.
    """
    import trimesh

    _check_worn([part])
    mesh = trimesh.Trimesh(part.vertices * np.array(scale), part.faces, process=False)
    body: Any = mesh.export(file_type="stl")
    header = f"Solewright {part.side.value} {part.name}, unit mm, seen from above +x forward"
    if scale != AS_IT_IS:
        header = f"Solewright {part.side.value} {part.name}, unit mm, scaled for print"
    write_whole(path, header.encode("ascii", "replace").ljust(80)[:80] + body[80:])


def write_step(path: Path, part: Part) -> None:
    """Write a worn part's exact solid as STEP (AP214, mm), product named after side and part.

    Raises
    ------
    StepUnavailable
        The CAD kernel cannot be loaded.
    insole.errors.PartError
        The part has no exact solid.
    OutputError
        The kernel does not write the file.
    """
    _check_worn([part])
    if part.solid is None:
        raise PartError(part.label, f"the {part.label} has no exact solid, so no STEP file")
    _load_kernel()
    from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.Interface import Interface_Static
    from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer
    from OCP.TCollection import TCollection_HAsciiString

    writer = STEPControl_Writer()
    Interface_Static.SetCVal_s("write.step.schema", "AP214IS")
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    Interface_Static.SetCVal_s("write.step.product.name", part.label)
    writer.Transfer(part.solid().wrapped, STEPControl_StepModelType.STEPControl_AsIs)
    header = APIHeaderSection_MakeHeader(writer.Model())
    header.SetName(TCollection_HAsciiString(part.label))
    header.SetTimeStamp(TCollection_HAsciiString(STAMP))
    header.SetAuthorValue(1, TCollection_HAsciiString("Solewright"))
    header.SetOrganizationValue(1, TCollection_HAsciiString(""))
    _name_product(writer.Model(), part.label)
    partial = path.with_name(f"{path.stem}-{os.getpid()}.partial")
    try:
        if writer.Write(str(partial)) != IFSelect_ReturnStatus.IFSelect_RetDone:
            raise OutputError(f"{path.name} could not be written; is there room in {path.parent}?")
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


def _name_product(model: Any, label: str) -> None:
    """Take the running number off the product's name: it counts files, not parts."""
    from OCP.StepBasic import StepBasic_Product
    from OCP.TCollection import TCollection_HAsciiString

    for i in range(1, model.NbEntities() + 1):
        entity = model.Value(i)
        if isinstance(entity, StepBasic_Product):
            entity.SetName(TCollection_HAsciiString(label))
            entity.SetId(TCollection_HAsciiString(label))


def write_whole(path: Path, data: bytes) -> None:
    """Write `data` to `path` whole or not at all."""
    partial = path.with_name(f"{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


# ------------------------------------------------------------------ STEP in a second process


def write_steps(jobs: Sequence[tuple[Part, Path]]) -> dict[str, str]:
    """Write a STEP file for each part in this process and read each back.

    Returns
    -------
    dict of str to str
        Why a part has no STEP file, by its label; empty when each has one.

    Raises
    ------
    StepUnavailable
        The CAD kernel cannot be loaded: there is no file at all.
    OutputError
        A file does not read back the same.
    """
    _load_kernel()
    without = {}
    for part, path in jobs:
        if part.solid is None:
            without[part.label] = f"the {part.label} has no exact solid"
            continue
        try:
            write_step(path, part)
        except PartError as error:  # a free surface that the kernel cannot close: mesh files do
            without[part.label] = str(error)
            continue
        try:
            read_back_step(path, part)
        except OutputError:
            if _same_solid(part.solid(), path, part):
                raise
            path.unlink()
            without[part.label] = f"the exact solid of the {part.label} is not its mesh"
    return without


def _same_solid(shape: Any, path: Path, part: Part) -> bool:
    """Return whether the solid itself is the part, so that the file is to blame."""
    try:
        _compared_solid(shape, path, part)
    except OutputError:
        return False
    return True


class StepWorker:
    """A second process that loads the CAD kernel (some seconds) while this one is at work.

    Start it early, :meth:`submit` when the parts are there, :meth:`finish` when the files are
    needed. Parts whose solid cannot be sent to another process are written in this one.

    Examples
    --------
    ::

        with StepWorker() as worker:
            ...  # scan, plan, parts
            worker.submit([(part, path)])
            ...  # the other files
            worker.finish()
    """

    def __init__(self) -> None:
        code = "from insole.output.print.printing import _serve; _serve()"
        paths = os.pathsep.join(path for path in sys.path if path)
        self._process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": paths},
        )
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="step")
        self._answer: Future[tuple[bytes, bytes]] | None = None
        self._jobs: list[tuple[Part, Path]] = []

    def submit(self, jobs: Sequence[tuple[Part, Path]]) -> None:
        """Hand over the parts with the files to write; once per worker, returns at once."""
        self._jobs = list(jobs)
        try:
            message = pickle.dumps(self._jobs)
        except (pickle.PicklingError, AttributeError, TypeError):
            return  # a solid made by a local function does not travel: finish() writes it here
        self._answer = self._thread.submit(self._process.communicate, message)

    def finish(self) -> dict[str, str]:
        """Wait for the files; return why a part has none, as :func:`write_steps` does.

        Raises
        ------
        StepUnavailable, OutputError, OSError
            What went wrong in the worker.
        """
        if self._answer is None:
            return write_steps(self._jobs)
        out, err = self._answer.result()
        if not out:
            last = err.decode(errors="replace").strip().rpartition("\n")[2]
            raise StepUnavailable(f"the process that writes STEP files stopped: {last or 'killed'}")
        kind, words = pickle.loads(out)
        if kind == "done":
            return dict(words)
        if kind == "here":
            return write_steps(self._jobs)
        kinds = {"StepUnavailable": StepUnavailable, "OSError": OSError}
        raise kinds.get(kind, OutputError)(*words)

    def close(self) -> None:
        """Stop the process if it is still there."""
        if self._process.poll() is None:
            self._process.kill()
        self._thread.shutdown()
        if self._answer is None:
            self._process.communicate()

    def __enter__(self) -> Self:
        """Return the worker, already loading."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop the process."""
        self.close()


def _serve() -> None:
    """Load the kernel, then write what comes in on standard input; the worker's other end."""
    answer = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # the kernel prints to standard output
    result: tuple[str, Any] = ("done", {})
    try:
        try:
            _load_kernel()
        finally:
            message = sys.stdin.buffer.read()
        if message:
            result = ("done", write_steps(pickle.loads(message)))
    except (AttributeError, ModuleNotFoundError):
        result = ("here", ())  # a solid made by a function of the script that was started
    except OSError as error:
        result = ("OSError", (error.errno, error.strerror, error.filename))
    except InsoleError as error:
        result = (type(error).__name__, (str(error),))
    pickle.dump(result, answer)
    answer.close()


# Debian's package for a library that the kernel may miss on a bare machine
DEBIAN = {
    "libGL.so.1": "libgl1",
    "libEGL.so.1": "libegl1",
    "libX11.so.6": "libx11-6",
    "libXrender.so.1": "libxrender1",
    "libXext.so.6": "libxext6",
    "libgomp.so.1": "libgomp1",
    "libexpat.so.1": "libexpat1",
    "libfontconfig.so.1": "libfontconfig1",
}


def _load_kernel() -> None:
    """Import the CAD kernel, or say in one sentence what it misses."""
    try:
        import cadquery  # noqa: F401
    except ImportError as error:
        library = re.search(r"lib[\w+.-]+\.so[.\d]*", str(error))
        if library is None:
            cure = "install cadquery with pip"
        else:
            package = DEBIAN.get(library[0])
            cure = f"this machine misses {library[0]}" + (
                f"; on Debian or Ubuntu: apt install {package}" if package else ""
            )
        raise StepUnavailable(f"no STEP files: the CAD kernel cannot be loaded, {cure}") from None


# ------------------------------------------------------------------ reading back

_Solid = tuple[Array, IntArray]


def volume_of(vertices: Array, faces: IntArray) -> float:
    """Return the volume that a closed surface encloses, mm3; negative when inside out."""
    a, b, c = (vertices[faces[:, k]] - vertices.mean(axis=0) for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6.0


def read_back_3mf(
    paths: Path | Sequence[Path], parts: Sequence[Part], scale: Scale = AS_IT_IS
) -> dict[str, float]:
    """Return the volume of each named object, mm3, after comparing it with its part.

    Read by the 3MF consortium's own library in strict mode. A part that was turned or moved
    passes; one that was mirrored, changed anywhere by 0.001 mm or scaled by other factors than
    `scale` does not. Volumes are those before scaling.

    Raises
    ------
    OutputError
        A warning, an open mesh, another unit, a transform, a missing or a different part.
    """
    found: dict[str, float] = {}
    by_label = {part.label: part for part in parts}
    for path in [paths] if isinstance(paths, Path) else paths:
        for name, (scaled, faces) in meshes_3mf(path).items():
            if name not in by_label or name in found:
                raise OutputError(f"{path.name} holds {name!r}, which was not to be in it")
            part, vertices = by_label[name], scaled / np.array(scale)
            if not np.array_equal(faces, part.faces) or _stray(vertices, part.vertices) > FLOAT:
                raise OutputError(f"{path.name}: {name} reads back with another shape or mirrored")
            found[name] = _volume(path, part, (vertices, faces), 1e-4)
    if missing := sorted(by_label.keys() - found.keys()):
        raise OutputError(f"{', '.join(missing)} cannot be found in the 3MF files")
    return found


def _stray(found: Array, wanted: Array) -> float:
    """Return the largest distance, mm, after the best turn about z and move; never mirrored."""
    if found.shape != wanted.shape:
        return float("inf")
    flat = [(v[:, 0] + 1j * v[:, 1]) - (v[:, 0] + 1j * v[:, 1]).mean() for v in (found, wanted)]
    turn = np.vdot(flat[1], flat[0])
    level = [v[:, 2] - v[:, 2].min() for v in (found, wanted)]
    apart = np.abs(flat[0] - turn / abs(turn) * flat[1])
    return float(np.hypot(apart, level[0] - level[1]).max())


def meshes_3mf(path: Path) -> dict[str, _Solid]:
    """Return the named meshes of a 3MF file, mm, read in strict mode.

    Raises
    ------
    OutputError
        A warning, an open mesh, another unit or a transform.
    """
    import lib3mf

    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    try:
        reader.ReadFromBuffer(path.read_bytes())
    except lib3mf.ELib3MFException as error:
        raise OutputError(f"{path.name} does not read back as 3MF: {error}") from None
    warnings = [reader.GetWarning(i)[0] for i in range(reader.GetWarningCount())]
    if warnings or model.GetUnit() != lib3mf.ModelUnit.MilliMeter:
        raise OutputError(f"{path.name} is not a clean 3MF file in millimetres {warnings}")
    meshes = {}
    items = model.GetBuildItems()
    while items.MoveNext():
        item = items.GetCurrent()
        mesh = model.GetMeshObjectByID(item.GetObjectResourceID())
        if item.HasObjectTransform() or not mesh.IsManifoldAndOriented():
            raise OutputError(f"{path.name}: {mesh.GetName()} is moved or not a closed surface")
        points = np.frombuffer(b"".join(map(bytes, mesh.GetVertices())), np.float32)
        corners = np.frombuffer(b"".join(map(bytes, mesh.GetTriangleIndices())), np.uint32)
        meshes[mesh.GetName()] = (
            points.reshape(-1, 3).astype(np.float64),
            corners.reshape(-1, 3).astype(np.int64),
        )
    return meshes


def read_back_stl(path: Path, part: Part, scale: Scale = AS_IT_IS) -> float:
    """Return the volume in an STL file before scaling, mm3, after comparing it with its part.

    Raises
    ------
    OutputError
        Any triangle differs, or the header does not name part, side and unit.
    """
    import trimesh

    data = path.read_bytes()
    words = f"{part.side.value} {part.name}, unit mm".encode()
    if data[:5] == b"solid" or words not in data[:80]:
        raise OutputError(f"{path.name} does not say part, side and unit in its header")
    mesh = trimesh.load_mesh(io.BytesIO(data), file_type="stl", process=False)
    corners, found = part.vertices[part.faces], mesh.triangles / np.array(scale)
    if found.shape != corners.shape or np.abs(found - corners).max() > FLOAT:
        raise OutputError(f"{path.name} reads back with another shape or mirrored")
    return _volume(path, part, (mesh.vertices / np.array(scale), mesh.faces), 1e-4)


def read_back_step(path: Path, part: Part) -> float:
    """Return the volume of the solid in a STEP file, mm3, after comparing it with its part.

    The volume is that of a tessellation finer than 0.01 mm: the kernel's own figure for
    trimmed spline faces is less sure. It is compared with the part's volume before engraving.

    Raises
    ------
    OutputError
        Not one valid solid, or place, height (0.05 mm), outline or volume (0.1 %) differ.
    """
    _load_kernel()
    import cadquery
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.Interface import Interface_Static
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()
    # edges from their curves in space: four times as quick, and what a plain reader does
    Interface_Static.SetIVal_s("read.surfacecurve.mode", CURVES_IN_SPACE)
    if reader.ReadFile(str(path)) != IFSelect_ReturnStatus.IFSelect_RetDone:
        raise OutputError(f"{path.name} does not read back as STEP")
    reader.TransferRoots()
    shape = cadquery.Shape.cast(reader.OneShape())
    if len(shape.Solids()) != 1 or not shape.isValid():
        raise OutputError(f"{path.name} does not hold one valid solid")
    return _compared_solid(shape, path, part)


def _compared_solid(shape: Any, path: Path, part: Part) -> float:
    """Return the volume of a CAD solid, mm3; refuse one that is not the part."""
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.BRepTools import BRepTools

    BRepTools.Clean_s(shape.wrapped)
    # splines by the length alone; cylinders of a few mm by the angle, or they come out thin
    turn = 0.1 if any(face.geomType() == "BSPLINE" for face in shape.Faces()) else 0.05
    BRepMesh_IncrementalMesh(shape.wrapped, CHORD, False, turn)  # False: not relative to size
    points, corners = shape.tessellate(np.inf)  # whatever tolerance: the facets just made
    solid = (np.array([p.toTuple() for p in points]), np.array(corners, np.int64))
    heights = [v[:, 2].max() - v[:, 2].min() for v in (solid[0], part.vertices)]
    rounded = 0.0 if part.solid_volume is None else float(part.facts.get("rim_radius", 0.0))
    if abs(heights[0] - heights[1]) > HEIGHT + rounded or not _lies_on_outline(part, *solid):
        raise OutputError(f"{path.name} reads back with another shape or place, or mirrored")
    wanted = part.volume if part.solid_volume is None else part.solid_volume
    return _volume(path, part, solid, STEP_VOLUME, wanted)


def _lies_on_outline(part: Part, vertices: Array, faces: IntArray) -> bool:
    """Return whether the solid, seen from below, covers the part's outline and nothing else."""
    import shapely

    flat = vertices[faces][:, :, :2]
    turn = flat[:, 1:] - flat[:, :1]
    below = turn[:, 0, 0] * turn[:, 1, 1] - turn[:, 0, 1] * turn[:, 1, 0] < -1e-9
    seen = shapely.union_all(shapely.polygons(flat[below]))
    plan = shapely.Polygon(part.outline, part.holes)
    return bool(seen.symmetric_difference(plan).area < OUTLINE * plan.length)


def _volume(
    path: Path, part: Part, solid: _Solid, within: float, wanted: float | None = None
) -> float:
    """Return the solid's volume; refuse one that differs from the part's."""
    wanted = volume_of(part.vertices, part.faces) if wanted is None else wanted
    found = volume_of(*solid)
    if abs(found - wanted) > within * wanted:
        raise OutputError(
            f"{path.name}: {part.label} reads back with {found:.1f} mm³, it should have "
            f"{wanted:.1f} mm³"
        )
    return found
