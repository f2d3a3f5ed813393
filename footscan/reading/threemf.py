"""3MF: a zip archive of XML with objects, components, and a list of what is placed where."""

from __future__ import annotations

import io
import zipfile
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import IO
from xml.parsers import expat

import numpy as np

from footscan.reading.raw import MAX_FACES, MAX_POINTS, BadFile, Raw, check_count, join, moved
from footscan.scan import Array, Unit

__all__ = ["read_3mf"]

MAX_PARTS = 4096
MAX_EXPANDED_BYTES = 1 << 30
MAX_RATIO = 200  # XML of coordinates packs about tenfold
SMALL_BYTES = 1 << 20  # below this no ratio matters
MAX_DEPTH = 32  # objects within objects
MAX_PLACED = 10_000
MAX_ELEMENTS = 3_000_000  # vertices and triangles of XML: some ten seconds
MOST_TIMES, SPARE = 8, 100_000  # that the stored points may be placed, and points beside
MAX_XML_DEPTH = 100
CHUNK_BYTES = 1 << 20
_UNITS = {"millimeter": Unit.MM, "centimeter": Unit.CM, "meter": Unit.M, "inch": Unit.INCH}
_MM_IN = {"micron": 0.001, "foot": 304.8}  # units that a Scan does not know: read as mm
_PACKED = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
Attributes = dict[str, str]


@dataclass(slots=True)
class _Object:
    """A mesh, or a group of other objects, each with its pose."""

    points: array[float] = field(default_factory=lambda: array("d"))
    corners: array[int] = field(default_factory=lambda: array("q"))
    components: list[tuple[str, str, Array]] = field(default_factory=list)


@dataclass(slots=True)
class _Model:
    """One model part of the archive."""

    unit: str = "millimeter"  # what the format says when nothing is written
    objects: dict[str, _Object] = field(default_factory=dict)
    items: list[tuple[str, str, Array]] = field(default_factory=list)


class _Archive:
    """The parts of the archive, found without regard to case and read once."""

    def __init__(self, data: bytes) -> None:
        self._zip = zipfile.ZipFile(io.BytesIO(data))
        parts = self._zip.infolist()
        if len(parts) > MAX_PARTS or sum(part.file_size for part in parts) > MAX_EXPANDED_BYTES:
            raise BadFile("unpacks to more than is taken; export it more coarsely")
        for part in parts:
            _check_part(part)
        self._parts = {part.filename.strip("/").lower(): part for part in parts}
        self._models: dict[str, _Model] = {}
        self.points = 0  # in all model parts that were read

    def root(self) -> str:
        """Name of the part that the archive's relations give as the model."""
        targets: list[str] = []

        def relation(name: str, attributes: Attributes) -> None:
            if name == "Relationship" and attributes.get("Type", "").endswith("/3dmodel"):
                targets.append(attributes.get("Target", ""))

        if "_rels/.rels" in self._parts:
            with self._zip.open(self._parts["_rels/.rels"]) as stream:
                _parse(stream, relation)
        models = [name for name in self._parts if name.endswith(".model")]
        name = targets[0] if targets else models[0] if len(models) == 1 else ""
        if name.strip("/").lower() not in self._parts:
            raise BadFile(
                "is a zip archive without a 3MF model; unpack it and give the scan itself"
            )
        return name

    def model(self, name: str) -> _Model:
        """A model part."""
        key = name.strip("/").lower()
        if key not in self._parts:
            raise BadFile(f"names a part {name[:60]!r} that is not in it; export it again")
        if key not in self._models:
            with self._zip.open(self._parts[key]) as stream:
                model = self._models[key] = _read_model(stream)
            self.points += sum(len(one.points) for one in model.objects.values()) // 3
        return self._models[key]


def _check_part(part: zipfile.ZipInfo) -> None:
    """Refuse a part that expands beyond reason or that cannot be opened."""
    if part.flag_bits & 1:
        raise BadFile("is locked with a password; export it without one")
    if part.compress_type not in _PACKED:
        raise BadFile("is packed by a method that 3MF does not allow; export it again")
    ratio = part.file_size / max(part.compress_size, 1)
    if part.file_size > SMALL_BYTES and ratio > MAX_RATIO:
        raise BadFile(f"holds a part that unpacks {ratio:.0f}-fold, which no scan does")


def read_3mf(data: bytes) -> Raw:
    """Read every object that the build section places; in mm when the unit is micron or foot."""
    archive = _Archive(data)
    root = archive.root()
    model = archive.model(root)
    if model.unit not in _UNITS and model.unit not in _MM_IN:
        raise BadFile(f"states the unit {model.unit[:20]!r}, which 3MF does not have")
    if not model.items:
        raise BadFile("places no object in its build section; export it again")
    scale = np.diag([_MM_IN.get(model.unit, 1.0)] * 3 + [1.0])
    unit = _UNITS.get(model.unit, Unit.MM)
    raw = join(_placed(archive, root, scale))
    return Raw(vertices=raw.vertices, faces=raw.faces, unit=unit)


def _placed(archive: _Archive, root: str, scale: Array) -> list[Raw]:
    """Every mesh that the build section reaches, in place."""
    unit = archive.model(root).unit
    items = archive.model(root).items[::-1]
    waiting = [(path or root, name, scale @ pose, 0) for path, name, pose in items]
    meshes: list[Raw] = []
    placed = points = faces = 0
    while waiting:
        path, name, pose, depth = waiting.pop()
        placed += 1
        if depth > MAX_DEPTH or placed > MAX_PLACED:
            raise BadFile("nests its objects in a circle or too deeply; export it as one mesh")
        model = archive.model(path)
        if name not in model.objects:
            raise BadFile(f"places an object {name[:20]!r} that is not in it; export it again")
        if model.unit != unit:
            raise BadFile("has parts in different units; export it as one mesh")
        found = model.objects[name]
        points += len(found.points) // 3
        if points > MOST_TIMES * archive.points + SPARE:
            raise BadFile("places the same object many times; export it as one mesh")
        faces += len(found.corners) // 3
        check_count(points)
        check_count(faces, "triangles", MAX_FACES)
        if found.points:
            vertices = np.array(found.points).reshape(-1, 3)
            corners = np.array(found.corners, dtype=np.int64).reshape(-1, 3)
            if len(corners) and not 0 <= corners.min() <= corners.max() < len(vertices):
                raise BadFile("has a face that names a point it does not have; export it again")
            meshes.append(moved(vertices, corners, pose))
        check_count(len(waiting) + len(found.components), "objects in one another", MAX_PLACED)
        for part, other, inner in reversed(found.components):
            waiting.append((part or path, other, pose @ inner, depth + 1))
    return meshes


def _read_model(stream: IO[bytes]) -> _Model:
    """Read a model part as it streams by; nothing of the XML is kept."""
    model = _Model()
    current = _Object()

    def start(name: str, attributes: Attributes) -> None:
        nonlocal current
        if name == "vertex":
            x, y, z = attributes["x"], attributes["y"], attributes["z"]
            current.points.extend((float(x), float(y), float(z)))
        elif name == "triangle":
            a, b, c = attributes["v1"], attributes["v2"], attributes["v3"]
            current.corners.extend((int(a), int(b), int(c)))
        elif name == "object":
            current = model.objects[attributes["id"]] = _Object()
            check_count(len(model.objects), "objects", MAX_PLACED)
        elif name == "component":
            current.components.append(_reference(attributes))
            check_count(len(current.components), "components", MAX_PLACED)
        elif name == "item":
            model.items.append(_reference(attributes))
            check_count(len(model.items), "placed objects", MAX_PLACED)
        elif name == "model":
            model.unit = attributes.get("unit", model.unit)
        if len(current.points) > 3 * MAX_POINTS or len(current.corners) > 3 * MAX_FACES:
            raise BadFile("has more points than are taken; export it more coarsely")

    _parse(stream, start)
    return model


def _reference(attributes: Attributes) -> tuple[str, str, Array]:
    """Part, object and pose that an item or a component names."""
    path = next((value for name, value in attributes.items() if name.endswith(" path")), "")
    pose = np.eye(4)
    if "transform" in attributes:
        # 3MF multiplies row vectors: four rows of three, the last one the shift.
        rows = np.array([float(word) for word in attributes["transform"].split()]).reshape(4, 3)
        pose[:3] = rows.T
    return path, attributes["objectid"], pose


def _parse(stream: IO[bytes], start: Callable[[str, Attributes], None]) -> None:
    """Run through an XML part; a document type, and so any entity, is refused."""
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    depth = count = 0
    plain: dict[str, str] = {}  # names without their namespace, worked out once each

    def opened(name: str, attributes: Attributes) -> None:
        nonlocal depth, count
        depth += 1
        count += 1
        if count > MAX_ELEMENTS:
            raise BadFile("has more points than are taken from 3MF; export it as PLY or STL")
        if depth > MAX_XML_DEPTH:
            raise BadFile("nests its XML too deeply; export it again")
        short = plain.get(name)
        if short is None:
            check_count(len(plain), "kinds of XML elements", MAX_PLACED)
            short = plain[name] = name.rpartition(" ")[2]
        start(short, attributes)

    def closed(_: str) -> None:
        nonlocal depth
        depth -= 1

    def doctype(*_: object) -> None:
        raise BadFile("declares XML entities, which no 3MF file needs; export it again")

    parser.StartElementHandler = opened
    parser.EndElementHandler = closed
    parser.StartDoctypeDeclHandler = doctype
    while chunk := stream.read(CHUNK_BYTES):
        parser.Parse(chunk, False)
    parser.Parse(b"", True)
