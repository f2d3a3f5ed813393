"""3MF files: written, and read back."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from footscan.files import write_whole
from footscan.scan import Array, IntArray
from insole.errors import OutputError
from insole.output.print.plates import Plate, lay_out
from insole.output.print.printing import AS_IT_IS, FLOAT, Scale, Solid, mesh_volume
from insole.parts.part import Part

__all__ = ["meshes_3mf", "model_3mf", "package_3mf", "read_back_3mf", "scale_words", "write_3mf"]

DIGITS = 4  # of a coordinate in a 3MF: 0.1 micrometre, finer than the float32 of its readers
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
SHADES = ("#8FA3B5FF", "#B58F6AFF", "#7FA37AFF", "#A88FB5FF")  # one per material, only to see


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
            found[name] = mesh_volume(path, part, (vertices, faces), 1e-4)
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


def meshes_3mf(path: Path) -> dict[str, Solid]:
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
