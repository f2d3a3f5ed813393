"""glTF 2.0, as one binary file (GLB) or as JSON with its data written into it.

Lengths are metres and the frame is right-handed, by the format's own specification; whether a
file keeps to the metre is checked later against the size of a foot. Nodes are placed by their
poses. Other files are never opened.
"""

from __future__ import annotations

import base64
import binascii
import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from footscan.reading.raw import (
    MAX_FACES,
    BadFile,
    Raw,
    check_count,
    fan,
    join,
    lightness,
    moved,
    no_faces,
)
from footscan.scan import Array, IntArray, Unit

__all__ = ["read_glb", "read_gltf"]

MAX_DEPTH = 64  # nodes within nodes
MAX_PLACED = 10_000
MAX_WORDS = 3_000_000  # values and lists of the JSON: its data is one long text
SPARE = 100_000  # points or triangles that a file of any size may place
_TYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC3": 3, "VEC4": 4}
_POINTS, _TRIANGLES, _STRIP, _FAN = 0, 4, 5, 6
# Extensions that may be demanded without changing where a point is, or that are read here.
_HARMLESS = ("KHR_materials_", "KHR_texture_", "KHR_lights_", "KHR_mesh_quantization")
_NODE_EXTENSIONS = ("EXT_mesh_gpu_instancing",)
Node = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Document:
    """The JSON tree and its buffers."""

    tree: Node
    buffers: tuple[bytes, ...]

    def get(self, kind: str, index: object) -> Node:
        """One entry of a top list of the tree."""
        entries = self.tree.get(kind, [])
        if not isinstance(index, int) or not 0 <= index < len(entries):
            raise BadFile(f"names one of its {kind} that it does not have; export it again")
        entry: Node = entries[index]
        return entry

    def view(self, index: object) -> tuple[memoryview, int]:
        """Bytes of a buffer view and the distance of its rows, 0 when they are packed."""
        view = self.get("bufferViews", index)
        number = view["buffer"]
        if not isinstance(number, int) or not 0 <= number < len(self.buffers):
            raise BadFile("names a buffer that it does not have; export it again")
        start, size = _size(view, "byteOffset", 0), _size(view, "byteLength")
        _enough(start + size, len(self.buffers[number]))
        whole = memoryview(self.buffers[number])
        return whole[start : start + size], _size(view, "byteStride", 0)

    def values(self, index: object, kind: str) -> np.ndarray:
        """Values of an accessor, shape (n,) or (n, 3), read where they lie."""
        accessor = self.get("accessors", index)
        if accessor.get("type") != kind or accessor.get("componentType") not in _TYPES:
            raise BadFile("keeps its points or faces in a way that glTF does not allow")
        if "sparse" in accessor or "bufferView" not in accessor:
            raise BadFile("keeps its points as sparse or compressed data; export it without")
        data, stride = self.view(accessor["bufferView"])
        dtype = np.dtype(_TYPES[accessor["componentType"]])
        count, width, start = (
            _size(accessor, "count"),
            _WIDTHS[kind],
            _size(accessor, "byteOffset", 0),
        )
        stride = stride or width * dtype.itemsize
        if stride < width * dtype.itemsize:
            raise BadFile("lays its points over one another; export it again")
        check_count(count, "values", 3 * MAX_FACES)
        if not count:
            return np.zeros((0, width)[: 1 if width == 1 else 2])
        _enough(start + (count - 1) * stride + width * dtype.itemsize, len(data))
        shape = (count,) if width == 1 else (count, width)
        strides = (stride,) if width == 1 else (stride, dtype.itemsize)
        raw: np.ndarray = np.ndarray(shape, dtype, data, start, strides)
        if accessor.get("normalized") and dtype.kind != "f":
            return np.maximum(raw / np.iinfo(dtype).max, -1.0)
        return raw


def _size(entry: Node, key: str, default: int | None = None) -> int:
    """A count or an offset in bytes."""
    value = entry.get(key, default)
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise BadFile(f"has no usable {key} where glTF demands one; export it again")
    return value


def _enough(needed: int, found: int) -> None:
    """Raise when a claim reaches beyond the data."""
    if needed > found:
        raise BadFile(
            f"is cut short: it promises {needed} bytes of data and holds {found}; "
            "copy or export it again"
        )


def read_glb(data: bytes) -> Raw:
    """Read the binary form."""
    if not data.startswith(b"glTF"):
        raise BadFile("does not begin with the word glTF, so it is no GLB file; export it again")
    if len(data) < 20:
        raise BadFile("is cut short in its header; copy or export it again")
    _, version, length, size, kind = struct.unpack_from("<4sII I4s", data)
    if version != 2:
        raise BadFile(f"is glTF version {version}; export it as version 2")
    _enough(max(length, 20 + size), len(data))
    if kind != b"JSON":
        raise BadFile("does not start with its JSON part; export it again")
    at = 20 + size
    blob = b""
    if at + 8 <= len(data):
        size, kind = struct.unpack_from("<I4s", data, at)
        if kind == b"BIN\0":
            _enough(at + 8 + size, len(data))
            blob = data[at + 8 : at + 8 + size]
    return _read(data[20:at], blob)


def read_gltf(data: bytes) -> Raw:
    """Read the JSON form; its data must be written into it."""
    return _read(data, None)


def _read(text: bytes, blob: bytes | None) -> Raw:
    """Read the scene of a JSON tree and the GLB's own buffer, if there is one."""
    check_count(sum(map(text.count, (b",", b"[", b"{"))), "values in its JSON", MAX_WORDS)
    tree = json.loads(text)
    if not isinstance(tree, dict) or "asset" not in tree:
        raise BadFile("is JSON but not glTF; give a scan file")
    for name in tree.get("extensionsRequired", []):
        if not str(name).startswith(_HARMLESS):
            raise BadFile(f"needs the glTF extension {str(name)[:40]}; export it without")
    buffers = tuple(
        _buffer(entry, blob if i == 0 else None) for i, entry in enumerate(tree.get("buffers", []))
    )
    stored = sum(map(len, buffers))
    raw = join(_placed(_Document(tree=tree, buffers=buffers), stored))
    return Raw(vertices=raw.vertices, faces=raw.faces, unit=Unit.M, light=raw.light)


def _buffer(entry: Node, blob: bytes | None) -> bytes:
    """Bytes of a buffer: the GLB's own part, or written into the JSON."""
    uri = entry.get("uri")
    if uri is None:
        data = blob if blob is not None else b""
    elif isinstance(uri, str) and uri.startswith("data:") and ";base64," in uri[:200]:
        try:
            data = base64.b64decode(uri.partition(",")[2], validate=True)
        except binascii.Error:
            raise BadFile("has damaged data in its JSON; copy or export it again") from None
    else:
        raise BadFile(
            f"keeps its points in another file ({str(uri)[:40]!r}); export it as one .glb file"
        )
    _enough(_size(entry, "byteLength"), len(data))
    return data


def _roots(tree: Node) -> list[object]:
    """Nodes of the scene that is shown, or all that are nobody's child."""
    scenes = tree.get("scenes", [])
    if scenes:
        shown = tree.get("scene", 0)
        if not isinstance(shown, int) or not 0 <= shown < len(scenes):
            raise BadFile("shows a scene that it does not have; export it again")
        return list(scenes[shown].get("nodes", []))
    children = {child for node in tree.get("nodes", []) for child in node.get("children", [])}
    return [i for i in range(len(tree.get("nodes", []))) if i not in children]


def _placed(document: _Document, stored: int) -> list[Raw]:
    """Every mesh that the scene reaches, in place; no more of it than `stored` bytes can hold.

    A point takes six bytes or more, a triangle of a strip one: what is more is the same again.
    """
    waiting = [(index, np.eye(4), 0) for index in reversed(_roots(document.tree))]
    meshes: list[Raw] = []
    known: dict[int, list[Raw]] = {}
    placed = points = faces = 0
    while waiting:
        index, pose, depth = waiting.pop()
        placed += 1
        if depth > MAX_DEPTH or placed > MAX_PLACED:
            raise BadFile("nests its nodes in a circle or too deeply; export it as one mesh")
        node = document.get("nodes", index)
        if any(name in node.get("extensions", {}) for name in _NODE_EXTENSIONS):
            raise BadFile("repeats a mesh by an extension of glTF; export it as one mesh")
        pose = pose @ _pose(node)
        if "mesh" in node:
            mesh = document.get("meshes", node["mesh"])
            if node["mesh"] not in known:
                known[node["mesh"]] = [*_primitives(document, mesh)]
            for raw in known[node["mesh"]]:
                points += len(raw.vertices)
                faces += len(raw.faces)
                check_count(points)
                check_count(faces, "triangles", MAX_FACES)
                if points > stored // 3 + SPARE or faces > 2 * stored + SPARE:
                    raise BadFile("places the same mesh many times; export it as one mesh")
                meshes.append(moved(raw.vertices, raw.faces, pose, raw.light))
        children = node.get("children", [])
        check_count(len(waiting) + len(children), "nodes in one another", MAX_PLACED)
        waiting += [(child, pose, depth + 1) for child in reversed(children)]
    return meshes


def _pose(node: Node) -> Array:
    """A node's own 4 x 4 matrix, from sixteen numbers by columns or from its parts."""
    if "matrix" in node:
        return np.array(node["matrix"], dtype=np.float64).reshape(4, 4).T
    pose = np.eye(4)
    turn = Rotation.from_quat(node.get("rotation", [0.0, 0.0, 0.0, 1.0])).as_matrix()
    pose[:3, :3] = turn * np.array(node.get("scale", [1.0] * 3), dtype=np.float64).reshape(3)
    pose[:3, 3] = node.get("translation", [0.0] * 3)
    return pose


def _primitives(document: _Document, mesh: Node) -> Iterator[Raw]:
    """Points and triangles of a mesh; lines hold no surface and are passed over."""
    check_count(len(mesh["primitives"]), "pieces of a mesh", MAX_PLACED)
    for primitive in mesh["primitives"]:
        mode = primitive.get("mode", _TRIANGLES)
        if mode not in (_POINTS, _TRIANGLES, _STRIP, _FAN):
            continue
        vertices = document.values(primitive["attributes"]["POSITION"], "VEC3")
        check_count(len(vertices))
        if "indices" in primitive:
            stored = document.values(primitive["indices"], "SCALAR")
            if stored.dtype.kind != "u":
                raise BadFile("names the points of its faces by something that is no index")
            order = stored.astype(np.int64)
        else:
            order = np.arange(len(vertices), dtype=np.int64)
        if len(order) and not 0 <= order.min() <= order.max() < len(vertices):
            raise BadFile("has a face that names a point it does not have; export it again")
        yield Raw(
            vertices=vertices.astype(np.float64),
            faces=_triangles(order, mode),
            light=_light(document, primitive["attributes"], len(vertices)),
        )


def _light(document: _Document, attributes: Node, count: int) -> Array | None:
    """Brightness of the points where they carry colours; broken colours are as good as none."""
    index = attributes.get("COLOR_0")
    if index is None:
        return None
    try:
        kind = document.get("accessors", index).get("type")
        colours = document.values(index, kind if kind == "VEC4" else "VEC3")
    except BadFile:
        return None
    return lightness(colours) if len(colours) == count else None


def _triangles(order: IntArray, mode: int) -> IntArray:
    """Triangles from a row of corners."""
    if mode == _POINTS or len(order) < 3:
        return no_faces()
    if mode == _TRIANGLES:
        if len(order) % 3:
            raise BadFile("has a number of corners that three does not divide; export it again")
        return order.reshape(-1, 3)
    if mode == _FAN:
        return fan(np.array([len(order)]), order)
    strip = np.column_stack([order[:-2], order[1:-1], order[2:]])
    strip[1::2] = strip[1::2, [1, 0, 2]]  # every second triangle of a strip turns the other way
    return strip
