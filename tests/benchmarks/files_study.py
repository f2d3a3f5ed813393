"""Do written files hold what was planned? Random plans, every file read back by other readers.

Made-up feet (either side or a pair, any length, breadth and arch), random wishes within the
limits, with and without a shoe, kerfs from 0 to 0.4 mm. Each plan is written as a folder; then

    parts      what the make checks find wrong
    print      STL and 3MF in trimesh (closed, wound outwards, volume), 3MF in lib3mf's strict mode
    cut        DXF in ezdxf (audit), SVG as XML: length and area against the outline moved out by
               half the kerf with round corners, as shapely does it; nested sheets: least distance
    solid      STEP in the kernel: valid, and the volume of its surface, facets within 0.004 mm
    paper      both rulers of every page of the template, in a raster
    bench      heights and volumes on papers against the meshes; engraving on a cut, segments below
               0.05 mm, chords in place of arcs, lines drawn twice; ripple of tops against their
               own course over 15 mm
    forms      moulds with random relief, rim and shelf: the STL's surface against sole, crest and
               tender spots of the plan, undercuts, the other foot's mirrored
    side       read from the written shape: the notch in the medial edge, or, where a part may be
               turned, whether the outline or its mirror image fits better

    python tests/benchmarks/files_study.py [--plans N] [--seed N] [--no-step] [--keep DIR]

Exit code 1 when a bound is passed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import ezdxf
import ezdxf.path
import lib3mf
import numpy as np
import pypdfium2
import shapely
import trimesh
from shapely import affinity

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from footscan.errors import FootscanError
from footscan.results import MeasuredFoot
from footscan.scan import Array, Load, Side
from footscan.specimen.made_up import build, random_shape
from insole.output import folder
from insole.output.contents import may_print
from insole.output.cut import nesting
from insole.output.made import made_parts
from insole.output.papers import tiles
from insole.output.settings import Settings, folder_name
from insole.parts import build as make
from insole.parts import form as forms
from insole.parts.form_upper import why_not
from insole.parts.part import Part
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.readback.drawings import read_drawing
from insole.record.material_file import default_materials
from insole.record.plan import FootPlan, Plan
from insole.shoe.shoe import Shoe, parse
from tests import feet
from tests.benchmarks.bench_figures import BENCH_BOUNDS, look_at_bench
from tests.benchmarks.form_figures import FORM_BOUNDS, look_at_forms, wish_of
from tests.plans import SHOE

PER_MM = 20  # raster pixels in a millimetre
INCH_MM = 25.4
SURFACE_MM = 0.004  # between a solid's surface and the facets that its volume is taken from
ANGLE = 0.1  # rad between facets: a fiftieth of that fills the round sides of one bed with 10 GB
# how far from right a file may be; what is counted must not occur
BOUNDS = {
    "make checks failed": 0,
    "mesh not closed": 0,
    "reader warnings": 0,
    "wrong side": 0,
    "STL volume, %": 0.1,
    "3MF volume, %": 0.1,
    "mesh to planned volume, %": 1.0,
    "DXF length, %": 0.1,
    "DXF area by perimeter, mm": 0.05,
    "SVG length, %": 0.1,
    "SVG area by perimeter, mm": 0.05,
    "sheet: clearance missing, mm": 0.02,
    "sheet: over the edge, mm": 0.02,
    "ruler off, mm": 0.1,
    "blank pages": 0,
    "STEP volume, %": 0.1,
    "STEP not valid": 0,
    "STEP missing": 0,
    "not written": 0,
    **BENCH_BOUNDS,
    **FORM_BOUNDS,
}


@dataclass(slots=True)
class Ledger:
    """The worst of every figure, and where it was."""

    worst: dict[str, tuple[float, str]] = field(default_factory=dict)
    count: Counter[str] = field(default_factory=Counter)
    spent: Counter[str] = field(default_factory=Counter)
    said: list[str] = field(default_factory=list)

    def note(self, name: str, value: float, where: str) -> None:
        """Enter a figure; for what is counted, 1 for each that is wrong and 0 for a good one."""
        self.count[name] += 1
        if BOUNDS[name] == 0:
            if value:
                self.said.append(f"{name}: {where}")
            total, first = self.worst.get(name, (0.0, ""))
            self.worst[name] = (total + value, first or (where if value else ""))
        elif name not in self.worst or value > self.worst[name][0]:
            self.worst[name] = (value, where)

    def passed(self) -> bool:
        """Return whether every figure keeps its bound."""
        return all(self.worst[name][0] <= BOUNDS[name] for name in self.worst)


# ------------------------------------------------------------------ plans


def wishes(rng: np.random.Generator, number: int) -> PlanWishes:
    """Return random wishes within the limits."""

    def maybe(share: float, low: float, high: float, step: float) -> float | None:
        value = round(float(rng.uniform(low, high)) / step) * step
        return value if rng.random() < share else None

    shifted = rng.random() < 0.3
    tender = rng.random() < 0.2
    contoured = rng.random() < 0.35
    both = FootWish.of(
        contoured=str(rng.choice(["three-quarter", "full"])) if contoured else None,
        cup=maybe(0.5, 6, 14, 1.0) if contoured else None,
        metatarsal=maybe(0.5, 4, 6, 1.0) if contoured else None,
        support_level=maybe(0.7, 0.5, 1.0, 0.05),
        pad_source="kit" if rng.random() < 0.4 else None,
        shift=(float(rng.integers(-2, 2)), float(rng.integers(-2, 3))) if shifted else None,
        turn=maybe(0.2, -5, 5, 5.0),
        tender=((float(rng.uniform(100, 140)), float(rng.uniform(0, 20))),) if tender else None,
        forefoot=maybe(0.6, -2, 2, 1.0),
        heel=maybe(0.5, -2, 2, 1.0),
        under=maybe(0.3, -2, 2, 1.0),
    )
    return PlanWishes(both=both, case=f"study-{number}")


def level_shoe(foot: MeasuredFoot) -> Shoe:
    """Return a shoe with a level bed that fits the foot, and bolt holes for a shim under it."""
    length = foot.foot.length + 14.0
    wide = float(foot.measures["foot_breadth"].value or 0.38 * length)
    return parse(
        {
            "name": "level",
            "inside": {"length": length, "ball_width": wide + 2.0, "heel_width": 0.72 * wide},
            "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
            "stock_insole": {
                "kept": False,
                "thickness": {"heel": 5.0, "arch": 5.0, "ball": 5.0, "toes": 3.0},
            },
            "cleat": SHOE["cleat"],
        }
    )


def plans(count: int, seed: int) -> Iterator[tuple[Plan, float, float]]:
    """Yield plans with a kerf for each, mm, and the seconds that planning took."""
    rng = np.random.default_rng(seed)
    done = 0
    while done < count:
        sides = [(Side.LEFT,), (Side.RIGHT,), (Side.LEFT, Side.RIGHT)][done % 3]
        try:
            made = {
                side: feet.measured_specimen(build(random_shape(rng, side=side, load=Load.HALF)))
                for side in sides
            }
            shoe = level_shoe(max(made.values(), key=lambda foot: foot.foot.length))
            start = time.perf_counter()
            plan = planner.plan(
                made.get(Side.LEFT),
                made.get(Side.RIGHT),
                shoe if rng.random() < 0.7 else None,
                wishes(rng, done + 1),
            )
        except (FootscanError, ValueError) as error:  # a refusal, or sizes that no foot has
            print(f"drawn again: {error}", file=sys.stderr)
            continue
        done += 1
        yield (
            plan,
            round(float(rng.choice([0.0, rng.uniform(0, 0.4)])), 2),
            (time.perf_counter() - start),
        )


# ------------------------------------------------------------------ reading


def polygons(rings: list[Array]) -> list[shapely.Polygon]:
    """Return the regions of cut rings, each outline after its holes as the files have them."""
    found, holes = [], []
    for ring in rings:
        shape = shapely.Polygon(ring)
        later = [shapely.Polygon(other) for other in rings if other is not ring]
        if any(other.contains(shape) for other in later):
            holes.append(ring)
        else:
            found.append(shapely.Polygon(ring, holes))
            holes = []
    return found


def dxf_shapes(path: Path, ledger: Ledger) -> list[shapely.Polygon]:
    """Return the cut regions of a DXF file."""
    doc = ezdxf.readfile(path)
    audit = doc.audit()
    ledger.note("reader warnings", bool(audit.errors or audit.fixes), path.name)
    lines = doc.modelspace().query('LWPOLYLINE[layer=="CUT"]')
    ledger.note("reader warnings", not all(line.closed for line in lines), path.name)
    paths = [ezdxf.path.make_path(line) for line in lines]
    return polygons([np.array([(v.x, v.y) for v in p.flattening(0.001)]) for p in paths])


def svg_shapes(path: Path, ledger: Ledger) -> list[shapely.Polygon]:
    """Return the cut regions of an SVG file, y up."""
    root = ElementTree.parse(path).getroot()
    width = float(str(root.get("viewBox")).split()[2])
    ledger.note("reader warnings", root.get("width") != f"{width:.3f}mm", path.name)
    return polygons([shape.points for shape in read_drawing(path).layers["CUT"]])


def footprint(mesh: trimesh.Trimesh) -> shapely.Polygon:
    """Return what a mesh covers, seen from below."""
    flat = mesh.triangles[mesh.face_normals[:, 2] < -1e-6][:, :, :2]
    whole = shapely.union_all(shapely.polygons(flat)).buffer(0.01).buffer(-0.01)  # no slits
    return max(getattr(whole, "geoms", [whole]), key=lambda piece: piece.area)


def toes_up(part: Part) -> shapely.Polygon:
    """Return the part's region from above, toes up: +x forward becomes up, +y becomes left."""
    shape = shapely.Polygon(part.outline, part.holes)
    return shapely.transform(shape, lambda p: np.column_stack([-p[:, 1], p[:, 0]]))


def notch_side(shape: shapely.Polygon) -> int:
    """Return on which side of a shape, toes up, its notch is: +1 right, -1 left, 0 none."""
    filled = shapely.Polygon(shape.exterior).simplify(0.002)  # fine arcs upset the closing below
    closed = filled.buffer(3.5, quad_segs=16).buffer(-3.5, quad_segs=16)
    pieces = shapely.get_parts(closed.difference(filled.buffer(0.02)))
    pieces = [piece for piece in pieces if 0.5 < piece.area < 25]
    if not pieces:
        return 0
    notch = max(pieces, key=lambda piece: piece.area).centroid
    low, _, high, _ = filled.intersection(
        shapely.box(-1e4, notch.y - 1.0, 1e4, notch.y + 1.0)
    ).bounds
    return 1 if notch.x > (low + high) / 2 else -1


def fits_better(shape: shapely.Polygon, part: Part) -> bool:
    """Return whether a region is the part's outline, turned, rather than its mirror image."""
    wanted = centred(shapely.Polygon(part.outline))
    found = centred(shapely.Polygon(shape.exterior))
    twin = affinity.scale(wanted, 1, -1, origin=(0, 0))
    least = [
        min(
            found.symmetric_difference(affinity.rotate(image, turn, origin=(0, 0))).area
            for turn in range(0, 360, 3)
        )
        for image in (wanted, twin)
    ]
    return least[0] < least[1]


def centred(shape: shapely.Polygon) -> shapely.Polygon:
    """Return a shape without points that add nothing, its centroid at the origin."""
    at = shape.centroid
    return affinity.translate(shape, -at.x, -at.y).simplify(0.02)


# ------------------------------------------------------------------ comparing


def look_at_print(place: Path, parts: list[Part], tag: str, ledger: Ledger) -> None:
    """Compare STL and 3MF files with the parts."""
    for part in parts:
        path = place / "print" / f"{part.label}-{tag}.stl"
        wanted = trimesh.Trimesh(part.vertices, part.faces, process=False).volume
        mesh = trimesh.load_mesh(path)  # merges corners that are the same in single precision
        closed = mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0
        ledger.note("mesh not closed", not closed, path.name)
        ledger.note("STL volume, %", 100 * abs(mesh.volume / wanted - 1), path.name)
        engraved = part.volume - part.facts.engraved.volume
        off = 100 * abs(mesh.volume / engraved - 1)
        ledger.note("mesh to planned volume, %", off, path.name)
        below = shapely.transform(footprint(mesh), lambda p: np.column_stack([-p[:, 1], p[:, 0]]))
        note_side(below, part, path.name, ledger)
    by_label = {part.label: part for part in parts if may_print(part, default_materials())}
    for path in sorted((place / "print").glob("*.3mf")):
        model = lib3mf.get_wrapper().CreateModel()
        reader = model.QueryReader("3mf")
        reader.SetStrictModeActive(True)
        reader.ReadFromBuffer(path.read_bytes())
        ledger.note("reader warnings", reader.GetWarningCount(), path.name)
        scene = trimesh.load_scene(path)
        for name, mesh in scene.geometry.items():
            part = by_label.pop(name)
            wanted = trimesh.Trimesh(part.vertices, part.faces, process=False).volume
            ledger.note("mesh not closed", not mesh.is_watertight, f"{path.name} {name}")
            ledger.note("3MF volume, %", 100 * abs(mesh.volume / wanted - 1), path.name)
            good = fits_better(footprint(mesh), part)
            ledger.note("wrong side", not good, f"{path.name} {name}")
    ledger.note("not written", len(by_label), f"{tag} 3MF {', '.join(by_label)}")


def note_side(shape: shapely.Polygon, part: Part, where: str, ledger: Ledger) -> None:
    """Enter whether the notch lies at the big toe: seen from above, at a left foot's right."""
    if part.facts.notch is None:
        return
    wanted = 1 if part.side is Side.LEFT else -1
    if part.name == forms.FORM:  # it lies plantar side up
        wanted = -wanted
    ledger.note("wrong side", notch_side(shape) != wanted, f"{where} {part.label}")


def look_at_cut(
    place: Path, parts: list[Part], sheet_parts: list[Part], tag: str, kerf: float, ledger: Ledger
) -> None:
    """Compare DXF and SVG files with the parts."""
    for part in sheet_parts:
        path = place / "cut" / "parts" / f"{part.label}-{tag}.dxf"
        (shape,) = dxf_shapes(path, ledger)
        compare(shape, part, kerf, "DXF", path.name, ledger)
        note_side(shape, part, path.name, ledger)
    for side in {part.side for part in parts}:
        mine = [part for part in parts if part.side is side]
        for face in ("foot", "shoe"):
            stem = f"{side.value}-{face}-side-up-{tag}"
            for kind, reader in (("DXF", dxf_shapes), ("SVG", svg_shapes)):
                path = place / "cut" / f"{stem}.{kind.lower()}"
                for shape, part in zip(reader(path, ledger), mine, strict=True):
                    compare(shape, part, kerf, kind, path.name, ledger)
                    above = shape if face == "foot" else affinity.scale(shape, -1, 1)
                    note_side(above, part, path.name, ledger)
    by_label = {part.label: part for part in parts}
    sheets = nesting.nest(sheet_parts, size=Settings().sheet, kerf=kerf).sheets
    for sheet in sheets:
        path = place / "cut" / f"{sheet.name}-{tag}.dxf"
        shapes = dxf_shapes(path, ledger)
        for shape, placed in zip(shapes, sheet.placed, strict=True):
            part = by_label[placed.part.label]
            compare(shape, part, kerf, "DXF", path.name, ledger)
            ledger.note("wrong side", not fits_better(shape, part), f"{path.name} {part.label}")
            room = (*shape.bounds[:2], *np.subtract(sheet.size, shape.bounds[2:]))
            ledger.note("sheet: over the edge, mm", nesting.MARGIN - min(room), path.name)
        for k, shape in enumerate(shapes):
            for other in shapes[:k]:
                short = 2 * kerf + 3.0 - shape.distance(other)
                ledger.note("sheet: clearance missing, mm", short, path.name)


def compare(
    shape: shapely.Polygon, part: Part, kerf: float, kind: str, where: str, ledger: Ledger
) -> None:
    """Enter how far length and area are from the outline moved out by half the kerf."""
    truth = toes_up(part).buffer(kerf / 2, quad_segs=64)
    ledger.note(f"{kind} length, %", 100 * abs(shape.length / truth.length - 1), where)
    ledger.note(f"{kind} area by perimeter, mm", abs(shape.area - truth.area) / truth.length, where)


def look_at_paper(place: Path, plan: Plan, parts: list[Part], tag: str, ledger: Ledger) -> None:
    """Measure rulers, and look for the base's outline on each page as the eye sees it."""
    from tests.insole.test_template import matching, on_page

    for path in sorted((place / "paper").glob("template-*.pdf")):
        document = pypdfium2.PdfDocument(path.read_bytes())
        sides = Counter()
        for number, page in enumerate(document):
            where = f"{path.name} page {number + 1}"
            raster = page.render(scale=PER_MM * INCH_MM / 72, grayscale=True).to_numpy()
            ink = 255.0 - raster.reshape(raster.shape[:2]).astype(float)
            ledger.note("blank pages", not (ink > 128).any(), where)
            at = round((tiles.MARGIN + 2.0 + 3.3) * PER_MM)
            for line in (ink[-at], ink[:, at]):
                ends = centres(line)[-2:] if line is not ink[:, at] else centres(line)
                length = ends[-1] - ends[-2] if len(ends) > 1 else 0.0
                ledger.note("ruler off, mm", abs(length - 100.0), where)
            words = " ".join(page.get_textpage().get_text_bounded().split())
            for foot in plan.feet:
                if f"{foot.side.upper()}" in words.split():
                    face = "above" if "SEEN FROM ABOVE" in words else "below"
                    ring = bed_outline(parts, foot)
                    good = matching(page, on_page(ring, foot.side, face)) is not None
                    ledger.note("wrong side", not good, where)
                    sides[foot.side] += 1
        ledger.note("blank pages", len(sides) < len(plan.feet), f"{path.name}: a foot is missing")


def bed_outline(parts: list[Part], foot: FootPlan) -> Array:
    """Return the outline that the template shows, as planned, medial at +y."""
    if foot.contour is not None:  # its notch is not drawn
        return np.array(foot.contour.outline)
    (base,) = [p for p in parts if p.name == "base" and p.side.value == foot.side]
    return base.outline * [1, -1] if foot.side == "left" else base.outline


def centres(line: Array) -> list[float]:
    """Return the middles of the dark runs along a line of pixels, mm."""
    dark = line > 40.0
    starts = np.flatnonzero(dark & ~np.roll(dark, 1))
    ends = np.flatnonzero(dark & ~np.roll(dark, -1))
    spans = [np.arange(a, b + 1) for a, b in zip(starts, ends, strict=True)]
    return [float((span * line[span]).sum() / line[span].sum()) / PER_MM for span in spans]


def look_at_solids(place: Path, parts: list[Part], tag: str, ledger: Ledger) -> None:
    """Compare the solids in STEP files with the planned volumes."""
    import cadquery
    from OCP.BRepMesh import BRepMesh_IncrementalMesh

    for part in parts:
        path = place / "solid" / f"{part.label}-{tag}.step"
        ledger.note("STEP missing", not path.is_file(), path.name)
        if not path.is_file():
            continue
        shape = cadquery.importers.importStep(str(path)).val()
        good = shape.isValid() and len(shape.Solids()) == 1
        ledger.note("STEP not valid", not good, path.name)
        # facets lie inside a dome: 0.02 mm would cost a pad 0.16 % of its volume by itself
        BRepMesh_IncrementalMesh(shape.wrapped, SURFACE_MM, False, ANGLE)
        points, corners = shape.tessellate(np.inf)
        mesh = trimesh.Trimesh(np.array([p.toTuple() for p in points]), corners, process=False)
        sharp = part.volume if part.solid_volume is None else part.solid_volume  # no rounded rim
        ledger.note("STEP volume, %", 100 * abs(mesh.volume / sharp - 1), path.name)


# ------------------------------------------------------------------ the study


def study(plan: Plan, kerf: float, room: Path, ledger: Ledger, *, step: bool) -> None:
    """Make, write and read back one plan."""
    start = time.perf_counter()
    parts = make.all_parts(plan)
    tag = folder_name(plan)
    mould = wish_of(np.random.default_rng(len(tag) + sum(tag.encode())))
    if not all(why_not(foot) for foot in plan.feet):
        parts += forms.forms(plan, mould)
    for part in parts:
        found = make.check(part, process="print")
        by_hand = [text for text in found if "by hand" in text]  # small parts: said, not wrong
        ledger.said += [f"note {tag}: {text}" for text in by_hand]
        wrong = [text for text in found if text not in by_hand]
        ledger.note("make checks failed", len(wrong), f"{tag} {'; '.join(wrong)}")
    ledger.spent["parts"] += time.perf_counter() - start
    start = time.perf_counter()
    settings = replace(Settings(), kerf=kerf, step=step, form=mould)
    made = made_parts(plan, parts, settings)
    try:
        place = folder.write(plan, parts, room, settings=settings)
    except FootscanError as error:
        ledger.note("not written", 1, f"{tag}: {error}")
        return
    ledger.note("not written", 0, tag)
    ledger.spent["writing"] += time.perf_counter() - start
    jobs: list[tuple[str, Any]] = [
        ("print", lambda: look_at_print(place, parts, tag, ledger)),
        ("cut", lambda: look_at_cut(place, made.worn, made.pieces, tag, kerf, ledger)),
        ("paper", lambda: look_at_paper(place, plan, parts, tag, ledger)),
        ("bench", lambda: look_at_bench(place, parts, tag, ledger.note)),
        ("forms", lambda: look_at_forms(place, plan, parts, tag, mould, ledger.note)),
    ]
    if step:
        jobs.append(("solid", lambda: look_at_solids(place, parts, tag, ledger)))
    for name, look in jobs:
        start = time.perf_counter()
        look()
        ledger.spent[f"reading {name}"] += time.perf_counter() - start


def main() -> int:
    """Run the study and print it."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--plans", type=int, default=30)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--no-step", action="store_true")
    options.add_argument("--keep", type=Path, help="folder to leave the written folders in")
    given = options.parse_args()
    ledger = Ledger()
    kinds: Counter[str] = Counter()
    for plan, kerf, took in plans(given.plans, given.seed):
        ledger.spent["planning"] += took
        print(f"{plan.case}, kerf {kerf:g} mm", file=sys.stderr, flush=True)
        with tempfile.TemporaryDirectory() as room:
            study(plan, kerf, given.keep or Path(room), ledger, step=not given.no_step)
        for foot in plan.feet:
            kinds[f"{foot.side} foot"] += 1
            kinds["pad" if foot.pad else "no pad"] += 1
            kinds.update(f"{wedge.place.value} wedge" for wedge in foot.wedges)
        kinds["with a shoe" if plan.shoe_name else "without a shoe"] += 1
    print(f"{given.plans} plans: " + ", ".join(f"{n} {kind}" for kind, n in sorted(kinds.items())))
    print(f"{'figure':32} {'cases':>6} {'worst':>9} {'bound':>7}")
    for name, bound in BOUNDS.items():
        if name in ledger.worst:
            worst, where = ledger.worst[name]
            mark = "  " if worst <= bound else " !"
            print(f"{name:32} {ledger.count[name]:6} {worst:9.4f} {bound:7g}{mark} {where}")
    print(*sorted(set(ledger.said)), sep="\n")
    print("seconds: " + ", ".join(f"{name} {spent:.0f}" for name, spent in ledger.spent.items()))
    return 0 if ledger.passed() else 1


if __name__ == "__main__":
    raise SystemExit(main())
