"""STEP files: written by a worker process, since the CAD kernel takes seconds to load."""

from __future__ import annotations

import os
import pickle
import re
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from footscan.scan import Array, IntArray
from insole.cycles import seldom_sought
from insole.errors import InsoleError, OutputError, PartError
from insole.output.print.plates import check_worn
from insole.output.print.printing import mesh_volume
from insole.parts.facts import PadFacts
from insole.parts.part import Part

__all__ = ["StepUnavailable", "StepWorker", "read_back_step", "write_step", "write_steps"]

STAMP = "1980-01-01T00:00:00"  # the earliest time a zip can hold; no clock gets into a file
CURVES_IN_SPACE = 3  # the kernel's number for it
CHORD = 0.01  # mm between a STEP surface and the facets it is measured with, as a length: the
# kernel's usual calls take it as a share of the part's size, and stop up to 0.3 mm off a dome
STEP_VOLUME = 1e-3  # share that a STEP file's volume may stray from the planned one
HEIGHT = 0.05  # mm that a STEP file's highest point may stray
OUTLINE = 0.01  # mm that a STEP file's outline may stray, as mean over its length


class StepUnavailable(OutputError):
    """STEP files cannot be written on this machine; every other file can."""


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
    check_worn([part])
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

    entities = (model.Value(i) for i in range(1, model.NbEntities() + 1))
    product = next(entity for entity in entities if isinstance(entity, StepBasic_Product))
    product.SetName(TCollection_HAsciiString(label))
    product.SetId(TCollection_HAsciiString(label))


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
        code = "from insole.output.print.step import _serve; _serve()"
        paths = os.pathsep.join(path for path in sys.path if path)
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", code],  # nothing is imported from the folder it is in
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
    seldom_sought()
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
    """Return the volume of a CAD solid, mm3; refuse one that is not the part.

    The quicker of the kernel's two meshers keeps the same tolerance in a third of the time. What
    it shows wrong, the usual one is asked about before a file is refused.
    """
    try:
        return _compared_facets(_facets(shape, quick=True), path, part)
    except OutputError:
        return _compared_facets(_facets(shape, quick=False), path, part)


def _compared_facets(solid: tuple[Array, IntArray], path: Path, part: Part) -> float:
    """Return the volume of a tessellated solid, mm3; refuse one that is not the part."""
    heights = [v[:, 2].max() - v[:, 2].min() for v in (solid[0], part.vertices)]
    facts, rounded = part.facts, 0.0
    if part.solid_volume is not None and isinstance(facts, PadFacts):
        rounded = facts.rim_radius
    if abs(heights[0] - heights[1]) > HEIGHT + rounded or not _lies_on_outline(part, *solid):
        raise OutputError(f"{path.name} reads back with another shape or place, or mirrored")
    wanted = part.volume if part.solid_volume is None else part.solid_volume
    return mesh_volume(path, part, solid, STEP_VOLUME, wanted)


def _facets(shape: Any, *, quick: bool) -> tuple[Array, IntArray]:
    """Return points and outward triangles within ``CHORD`` of a solid's faces."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.BRepTools import BRepTools
    from OCP.IMeshTools import IMeshTools_MeshAlgoType, IMeshTools_Parameters
    from OCP.TopAbs import TopAbs_Orientation
    from OCP.TopLoc import TopLoc_Location

    faces = shape.Faces()
    BRepTools.Clean_s(shape.wrapped)
    how = IMeshTools_Parameters()
    how.Deflection, how.Relative = CHORD, False  # as a length, not relative to size
    # splines by the length alone; cylinders of a few mm by the angle, or they come out thin
    how.Angle = 0.1 if any(face.geomType() == "BSPLINE" for face in faces) else 0.05
    if quick:
        how.MeshAlgo = IMeshTools_MeshAlgoType.IMeshTools_MeshAlgoType_Delabella
    BRepMesh_IncrementalMesh(shape.wrapped, how)
    points: list[tuple[float, float, float]] = []
    corners: list[IntArray] = []
    for face in faces:
        place = TopLoc_Location()
        facets = BRep_Tool.Triangulation_s(face.wrapped, place)
        if facets is None:
            continue  # a face without area, or one that the mesher missed: the volume tells
        turn, start = place.Transformation(), len(points) - 1
        nodes = (facets.Node(i) for i in range(1, facets.NbNodes() + 1))
        points += [node.Transformed(turn).Coord() for node in nodes]
        mine = [facets.Triangle(i).Get() for i in range(1, facets.NbTriangles() + 1)]
        turned = face.wrapped.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
        corners.append(np.array(mine, np.int64)[:, :: -1 if turned else 1] + start)
    return np.array(points), np.vstack(corners)


def _lies_on_outline(part: Part, vertices: Array, faces: IntArray) -> bool:
    """Return whether the solid, seen from below, covers the part's outline and nothing else."""
    import shapely

    flat = vertices[faces][:, :, :2]
    turn = flat[:, 1:] - flat[:, :1]
    below = turn[:, 0, 0] * turn[:, 1, 1] - turn[:, 0, 1] * turn[:, 1, 0] < -1e-9
    seen = shapely.union_all(shapely.polygons(flat[below]))
    plan = shapely.Polygon(part.outline, part.holes)
    return bool(seen.symmetric_difference(plan).area < OUTLINE * plan.length)
