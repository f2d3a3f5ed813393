"""Read the files of a scan.

    file(s) -> Scan (scanner frame, file units) -> footscan.finding.cleaning

Formats: PLY, STL, OBJ, OFF, 3MF, GLB/glTF, PCD, and lists of points as text (XYZ, ASC, CSV, TXT,
PTS). The content decides, the extension only where the content does not. Several files of one
foot are shots in one frame: they are put one after the other.

What is done on the way, and no more than that:

1. every count that a file claims is held against the file's length and our limits,
2. polygons are cut into triangles, objects placed where the file's own scene places them,
3. points that are not finite are dropped and counted, with the faces that use them,
4. vertices of a mesh with exactly equal coordinates become one (STL repeats each corner).

Winding, normals and units stay as the file has them. A text file that ends between two points, or
an OBJ that ends between two faces, cannot be told from a whole one; every other cut is refused.
"""

from __future__ import annotations

import hashlib
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from xml.parsers import expat

import numpy as np

from footscan import files as whole_files
from footscan import typed
from footscan.errors import ScanReadError
from footscan.reading.gltf import read_glb, read_gltf
from footscan.reading.meshes import is_binary_stl, read_obj, read_off, read_stl
from footscan.reading.pcd import read_pcd
from footscan.reading.ply import read_ply
from footscan.reading.point_lists import looks_like_points, read_points
from footscan.reading.raw import MAX_FACES, BadFile, Raw, check_count, join, merge_equal
from footscan.reading.threemf import read_3mf
from footscan.scan import Array, Scan

__all__ = ["SUFFIXES", "TEXT_SUFFIXES", "read"]

MAX_BYTES = 400 * 2**20
MIN_POINTS = 100  # fewer cannot show a foot
MAX_COORDINATE = 1e9  # beyond this in any unit a coordinate is a mark for "nothing seen"
HEAD_BYTES = 1 << 16
NAME_SHOWN = 120
FORMATS = "PLY, STL, OBJ, OFF, 3MF, GLB, glTF, PCD and lists of points (XYZ, ASC, CSV, TXT, PTS)"

_READERS: dict[str, Callable[[bytes], Raw]] = {
    "ply": read_ply,
    "stl": read_stl,
    "obj": read_obj,
    "off": read_off,
    "3mf": read_3mf,
    "glb": read_glb,
    "gltf": read_gltf,
    "pcd": read_pcd,
    "xyz": read_points,
}
_EXTENSIONS = {f".{name}": name for name in _READERS}
_EXTENSIONS |= {f".{name}": "xyz" for name in ("asc", "csv", "txt", "pts")}
SUFFIXES = frozenset(_EXTENSIONS)  # of file names that may be scans
TEXT_SUFFIXES = frozenset(end for end, name in _EXTENSIONS.items() if name == "xyz")  # or notes
_PLY = re.compile(rb"ply[ \t]*\r?\n")
_OFF = re.compile(rb"\s*(ST)?C?N?4?n?OFF\b")
_PCD = re.compile(rb"(\s*#[^\n]*\n)*\s*VERSION\s+\S+\s+FIELDS\s")
_OBJ = re.compile(rb"^[ \t]*v[ \t]+[-+.\d]+\s", re.MULTILINE)
_STL = re.compile(rb"\s*solid\b.*?\bfacet\b", re.DOTALL | re.IGNORECASE)
_GLTF = re.compile(rb'\s*\{.*"asset"\s*:', re.DOTALL)
# What Python's and the libraries' own readers raise on a damaged file.
_DAMAGE = (
    ValueError,  # numbers, text, JSON, shapes
    KeyError,
    IndexError,
    TypeError,  # JSON or XML of another shape than the format's
    AttributeError,
    OverflowError,
    struct.error,
    zlib.error,
    zipfile.BadZipFile,
    NotImplementedError,  # zip features that the standard library does not have
    EOFError,
    OSError,  # seeks to impossible places inside a zip
    expat.ExpatError,
    np.linalg.LinAlgError,
)


def read(paths: Sequence[Path | str] | Path | str) -> Scan:
    """Return the scan that one file, or several shots of one foot in one frame, hold.

    Parameters
    ----------
    paths : sequence of Path or str
        Files in the order in which their points are wanted.

    Returns
    -------
    Scan
        Scanner frame, the file's own unit; micrometres and feet of a 3MF file come as mm.
        ``stated_unit`` is set where the format declares one (3MF, and metre for glTF).
        ``normals`` are given only where every point has a usable one.

    Raises
    ------
    ScanReadError
        A file is missing, empty, cut short, damaged, too large, of an unknown format, or holds
        fewer than 100 points; files state different units, or are the same file twice. The
        message is one sentence that names the file.
    ValueError
        `paths` is empty.

    Notes
    -----
    Coordinates beyond 1e9 count as not finite: scanners write such marks where they saw nothing.
    """
    files = [Path(paths)] if isinstance(paths, (str, Path)) else [Path(path) for path in paths]
    if not files:
        raise ValueError("paths needs at least one file")
    digest = hashlib.sha256()
    seen: dict[str, str] = {}
    formats: list[str] = []
    raws: list[Raw] = []
    dropped = 0
    for path in files:
        data = _bytes(path)
        digest.update(data)
        own = hashlib.sha256(data).hexdigest() if len(files) > 1 else ""
        if own in seen:
            raise ScanReadError(f"{_shown(path)} holds the same as {seen[own]}; give it once")
        seen[own] = _shown(path)
        name, raw, lost = _one(path, data)
        formats.append(name)
        raws.append(raw)
        dropped += lost
    return _scan(files, raws, formats[0], digest.hexdigest(), dropped)


def _scan(files: list[Path], raws: list[Raw], name: str, sha256: str, dropped: int) -> Scan:
    """Put the shots together."""
    shown = ", ".join(_shown(path) for path in files)
    if len({raw.unit for raw in raws}) > 1:
        units = ", ".join(str(raw.unit or "no unit") for raw in raws)
        raise ScanReadError(f"{shown} state different units ({units}); export them all alike")
    try:
        raw = join(raws)
    except BadFile as error:
        raise ScanReadError(f"{shown} together: the scan {error}") from None
    if len(raw.vertices) < MIN_POINTS:
        raise ScanReadError(
            f"{shown} has only {len(raw.vertices)} usable points where a foot needs at least "
            f"{MIN_POINTS}; scan again or export it more finely"
        )
    return Scan(
        vertices=raw.vertices,
        faces=raw.faces,
        normals=raw.normals,
        files=tuple(path.name for path in files),
        sha256=sha256,
        format=name,
        stated_unit=raw.unit,
        dropped=dropped,
        light=raw.light,
    )


def _shown(path: Path) -> str:
    """A file's name, safe to print in one line."""
    return typed.shown(path.name).replace("\n", "?")[:NAME_SHOWN] or str(path)


def _bytes(path: Path) -> bytes:
    """Read a file's bytes, if it is a file of bearable size."""
    name = _shown(path)
    try:
        if path.is_dir():
            raise ScanReadError(f"{name} is a folder; name the scan file in it")
        if not path.exists():
            raise ScanReadError(f"{name} is not there; check the name and the folder")
        if not path.is_file():
            raise ScanReadError(f"{name} is not an ordinary file; give a scan file")
        if wrong := typed.fault(path.name):
            raise ScanReadError(f"{name} has a name that {wrong}; rename the file")
        data = whole_files.read_bounded(path, MAX_BYTES)
    except whole_files.TooLargeError:
        raise ScanReadError(
            f"{name} is larger than the {MAX_BYTES // 2**20} MB that are taken; export it more "
            "coarsely"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name is not valid"
        raise ScanReadError(f"{name} cannot be opened: {reason}") from error
    if not data:
        raise ScanReadError(f"{name} is empty; copy or export it again")
    return data


def _one(path: Path, data: bytes) -> tuple[str, Raw, int]:
    """Format, usable content and number of dropped points of one file."""
    name = _format(data, path.suffix.lower())
    if not name:
        raise ScanReadError(f"{_shown(path)} is of no format that is read: {FORMATS}")
    try:
        with np.errstate(all="ignore"):
            raw = _READERS[name](data)
            return (name, *_usable(raw))
    except BadFile as error:
        raise ScanReadError(f"{_shown(path)} {error}") from None
    except _DAMAGE as error:
        raise ScanReadError(
            f"{_shown(path)} is damaged or not a proper {name.upper()} file "
            f"({_reason(error)}); copy or export it again"
        ) from error
    except (MemoryError, RecursionError) as error:
        raise ScanReadError(
            f"{_shown(path)} is too large or too deeply nested to be read; export it more coarsely"
        ) from error


def _reason(error: BaseException) -> str:
    """A library's words in one short line."""
    if isinstance(error, KeyError):
        return f"{str(error.args[0])[:40]!r} is missing"
    words = " ".join(str(error).split()).rstrip(".")
    return "".join(letter for letter in words if letter.isprintable())[:80] or "unreadable"


def _format(data: bytes, extension: str) -> str:
    """Name of the format: by content, else by extension; empty when neither tells."""
    head = data[:HEAD_BYTES]
    if _PLY.match(head):
        return "ply"
    if head.startswith(b"glTF"):
        return "glb"
    if head.startswith(b"PK\x03\x04"):
        return "3mf"
    if is_binary_stl(data):
        return "stl"
    if b"\0" not in head:
        if name := _text_format(head, extension):
            return name
    elif head[:2] in (b"\xff\xfe", b"\xfe\xff") and looks_like_points(data):
        return "xyz"
    return _EXTENSIONS.get(extension, "")


def _text_format(head: bytes, extension: str) -> str:
    """Name of the format of a text."""
    if _PCD.match(head):
        return "pcd"
    for name, pattern in (("off", _OFF), ("stl", _STL), ("gltf", _GLTF)):
        if pattern.match(head):
            return name
    if _OBJ.search(head):
        return "obj"
    if extension != ".off" and looks_like_points(head):
        return "xyz"
    return ""


def _usable(raw: Raw) -> tuple[Raw, int]:
    """Check faces, drop points that are not finite, and merge a mesh's equal vertices."""
    vertices, faces = raw.vertices, raw.faces
    check_count(len(vertices))
    check_count(len(faces), "triangles", MAX_FACES)
    if not len(vertices):
        raise BadFile("has no points")
    if len(faces) and (faces.min() < 0 or faces.max() >= len(vertices)):
        wrong = int(np.flatnonzero(((faces < 0) | (faces >= len(vertices))).any(axis=1))[0])
        raise BadFile(
            f"has a face (triangle {wrong + 1}) that names a point beyond its {len(vertices)} "
            "points; it may be cut short, so copy or export it again"
        )
    finite = np.asarray((np.abs(vertices) <= MAX_COORDINATE).all(axis=1))  # NaN compares false
    if not finite.any():
        raise BadFile(f"has no usable point among its {len(vertices)}; scan or export it again")
    place = np.cumsum(finite) - 1
    keep = np.flatnonzero(finite)
    if not finite.all():
        faces = place[faces[finite[faces].all(axis=1)]]
    if len(faces):
        first, group = merge_equal(vertices[keep])
        keep, faces = keep[first], group[faces]
    kept = Raw(
        vertices=vertices[keep] + 0.0,
        faces=faces,
        normals=_unit_normals(raw.normals, keep),
        unit=raw.unit,
        light=raw.light[keep] if raw.light is not None else None,
    )
    return kept, int((~finite).sum())


def _unit_normals(normals: Array | None, keep: np.ndarray) -> Array | None:
    """Normals of the kept points at unit length, or None when one of them has no length."""
    if normals is None:
        return None
    kept = normals[keep]
    length = np.sqrt((kept**2).sum(axis=1))
    usable = bool((np.isfinite(length) & (length > 1e-6)).all())
    return kept / length[:, None] if usable else None
