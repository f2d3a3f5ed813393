"""The main job, from scan files to parts on the bench, as a maker runs it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import trimesh

import footscan
import insole
from insole import cli
from insole.parts.build import all_parts
from insole.parts.part import Part
from insole.record.plan import Plan, from_json

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_scans"
DATA = ROOT.parent / "shared" / "data"
PAIR = [str(SAMPLES / "larch_left.ply"), str(SAMPLES / "larch_right.ply")]
WISH = ["--shoe", str(SAMPLES / "shoe.toml"), "--forefoot", "2", "--case", "larch"]
MAKE = ["--thick-edges-checked", "--quiet"]
SHARE = 0.01  # of the volume: what grinding and a printer's flow leave open anyway


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A folder that was made, its plan, and the parts built anew from that plan."""

    folder: Path
    plan: Plan
    parts: list[Part]

    def stl(self, part: Part) -> trimesh.Trimesh:
        return trimesh.load(self.folder / "print" / f"{part.label}-larch-v1.stl", force="mesh")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    out = tmp_path_factory.mktemp("parts")
    assert cli.main(["make", *PAIR, *WISH, *MAKE, "--out", str(out)]) == 0
    plan = from_json((out / "larch-v1" / "plan.json").read_text(encoding="utf-8"))
    return Made(folder=out / "larch-v1", plan=plan, parts=all_parts(plan))


def data(*names: str) -> list[Path]:
    paths = [DATA / name for name in names]
    for path in paths:
        if not path.is_file():
            pytest.skip(f"optional data {path.parent.name}/{path.name} is not beside the project")
    return paths


def expected_part(part: Part) -> float:
    """Return the volume after engraving, mm3."""
    return part.volume - part.facts.engraved.volume


def files_below(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()
    }


# ------------------------------------------------------------------ the sample pair


def test_every_file_of_the_bench_is_there(made: Made) -> None:
    tag, found = "larch-v1", set(files_below(made.folder))
    labels = [
        f"{side}-{name}"
        for side in ("left", "right")
        for name in ("base", "arch-pad", "forefoot-shim")
    ]
    wanted = {f"print/{label}-{tag}.stl" for label in labels}
    # shims are of TPU, which is printed: nothing of them is cut from sheet
    wanted |= {f"cut/parts/{label}-{tag}.dxf" for label in labels if "shim" not in label}
    wanted |= {
        f"cut/{side}-{face}-side-up-{tag}.{suffix}"
        for side in ("left", "right")
        for face in ("foot", "shoe")
        for suffix in ("dxf", "svg")
    }
    wanted |= {f"paper/template-{paper}-{tag}.pdf" for paper in ("a4", "letter")}
    papers = ("bench-page", "report", "plan", "pieces", "section-gauges")
    wanted |= {f"paper/{name}-{tag}.pdf" for name in papers}
    wanted |= {f"pictures/placement-{tag}.png", "plan.json", "manifest.json"}
    wanted |= {"READ-ME-FIRST.txt", "READ-ME-FIRST.pdf"}
    assert wanted <= found
    others = found - wanted
    plates = {name for name in others if name.startswith("print/") and name.endswith(".3mf")}
    sheets = {name for name in others if name.startswith("cut/sheet-")}
    assert plates
    # one per material that is cut, as DXF and SVG
    materials = {part.material for part in made.parts if "shim" not in part.name}
    stems = {Path(name).stem for name in sheets}
    assert all(any(f"sheet-{name}-" in stem for stem in stems) for name in materials)
    assert not any("wedge-tpu" in stem for stem in stems)
    assert others == plates | sheets
    manifest = json.loads((made.folder / "manifest.json").read_text(encoding="utf-8"))
    assert {entry["path"] for entry in manifest["files"]} == found - {"manifest.json"}


def test_every_stl_is_closed_and_of_the_planned_volume(made: Made) -> None:
    assert len(made.parts) == 6
    for part in made.parts:
        mesh = made.stl(part)
        assert mesh.is_watertight, part.label
        assert mesh.is_winding_consistent, part.label
        assert mesh.volume == pytest.approx(expected_part(part), rel=SHARE), part.label


def test_3mf_files_read_without_a_warning_in_millimetres(made: Made) -> None:
    import lib3mf

    library, names = lib3mf.get_wrapper(), []
    for path in sorted((made.folder / "print").glob("*.3mf")):
        model = library.CreateModel()
        reader = model.QueryReader("3mf")
        reader.SetStrictModeActive(True)
        reader.ReadFromFile(str(path))
        assert reader.GetWarningCount() == 0, path.name
        assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
        objects = model.GetMeshObjects()
        while objects.MoveNext():
            mesh = objects.GetCurrentMeshObject()
            assert mesh.IsManifoldAndOriented(), path.name
            names.append(mesh.GetName())
    for part in made.parts:  # pads are of foam here, which nobody prints
        printed = part.material != "trial-eva"
        assert sum(part.label in name for name in names) == printed, (part.label, names)


def test_dxf_files_are_millimetres_and_sound(made: Made) -> None:
    import ezdxf

    paths = sorted((made.folder / "cut").rglob("*.dxf"))
    sheets = [path for path in paths if path.name.startswith("sheet-")]
    cut = [part for part in made.parts if part.material != "wedge-tpu"]  # that is printed only
    assert len(paths) - len(sheets) == 4 + len(cut)
    assert sheets
    for path in paths:
        drawing = ezdxf.readfile(path)
        assert drawing.header["$INSUNITS"] == 4, path.name  # 4: millimetres (DXF reference)
        audit = drawing.audit()
        assert not audit.errors, path.name
        assert not audit.fixes, path.name


def _medial_of(mesh: trimesh.Trimesh) -> float:
    """Return +1 if the thick side of a part is at +y, else -1, from its volume's centroid."""
    low, high = mesh.bounds[:, 1]
    return float(np.sign(mesh.center_mass[1] - (low + high) / 2))


def test_left_parts_are_left(made: Made) -> None:
    by_label = {part.label: part for part in made.parts}
    # the shim is thick on the big-toe side: towards +y on a right foot seen from above
    assert all(w.thick_side == "big-toe side" for foot in made.plan.feet for w in foot.wedges)
    assert _medial_of(made.stl(by_label["right-forefoot-shim"])) == 1
    assert _medial_of(made.stl(by_label["left-forefoot-shim"])) == -1
    for side, sign in (("right", 1), ("left", -1)):
        pad, bed = made.stl(by_label[f"{side}-arch-pad"]), made.stl(by_label[f"{side}-base"])
        middle = bed.bounds[:, 1].mean()
        assert sign * (pad.center_mass[1] - middle) > 5  # the arch is on the medial side
        # at the toes the longest place lies on the big-toe side of the bed's middle
        tip = bed.vertices[bed.vertices[:, 0].argmax()]
        assert sign * (tip[1] - middle) > 0
        for name in ("base", "arch-pad", "forefoot-shim"):
            part = by_label[f"{side}-{name}"]
            if part.facts.notch is not None:
                low, high = made.stl(part).bounds[:, 1]
                assert sign * (part.facts.notch[1] - (low + high) / 2) > 0


def test_the_crest_lies_where_the_plan_says(made: Made) -> None:
    for foot in made.plan.feet:
        assert foot.pad is not None
        part = next(p for p in made.parts if p.label == f"{foot.side}-arch-pad")
        mesh = made.stl(part)
        assert mesh.bounds[0, 2] == pytest.approx(0, abs=1e-4)
        sign = 1 if foot.side == "right" else -1
        place = np.array([foot.pad.crest.from_rear, sign * foot.pad.crest.y])
        near = np.linalg.norm(mesh.vertices[:, :2] - place, axis=1) < 1.5
        top = mesh.vertices[near & (mesh.vertices[:, 2] > 1.0), 2]
        # 0.1 mm: a fingertip finds no smaller step; the top may rise across by 1 in 1
        assert top.min() - 0.1 <= foot.pad.crest.height <= top.max() + 0.1
        assert np.ptp(top) < 3.0
        # the medial side stands highest, to its rounded rim
        assert foot.pad.medial_height - 1.2 <= mesh.bounds[1, 2] <= foot.pad.medial_height + 0.1


@pytest.mark.long
def test_made_twice_is_kept_and_never_changed(
    made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    before, out = files_below(made.folder), str(made.folder.parent)
    again = ["make", str(made.folder / "plan.json"), "--thick-edges-checked"]
    assert cli.main([*again, "--out", out]) == 0
    assert "kept as it is" in capsys.readouterr().err
    assert files_below(made.folder) == before
    changed = json.loads(before["plan.json"])
    changed["date"] = "some other day"
    other = made.folder.parent / "changed.json"
    other.write_text(json.dumps(changed), encoding="utf-8")
    code = cli.main(["make", str(other), "--thick-edges-checked", "--out", out])
    other.unlink()
    err = capsys.readouterr().err
    assert code == 3
    assert "holds another plan" in err
    assert files_below(made.folder) == before
    assert sorted(path.name for path in made.folder.parent.iterdir()) == ["larch", "larch-v1"]


def test_plan_then_make_is_make_from_scans(made: Made, tmp_path: Path) -> None:
    assert cli.main(["plan", *PAIR, *WISH, "--quiet", "--out", str(tmp_path)]) == 0
    written = (tmp_path / "larch-v1-plan.json").read_bytes()
    assert written == (made.folder / "plan.json").read_bytes()


def test_a_script_makes_the_same_files(made: Made, tmp_path: Path) -> None:
    """Byte for byte, the kept case beside the folder included; a single part as well."""
    left, right = (footscan.measure(path) for path in PAIR)
    plan = insole.plan(left=left, right=right, shoe=SAMPLES / "shoe.toml", forefoot=2, case="larch")
    folder = insole.make(plan, tmp_path / "parts", thick_edges_checked=True)
    assert folder == tmp_path / "parts" / "larch-v1"
    assert files_below(folder) == files_below(made.folder)
    assert files_below(folder.parent / "larch") == files_below(made.folder.parent / "larch")
    pad = insole.build(plan, side="left").left.pad.write(tmp_path / "pad.stl")
    wanted = made.folder / "print" / "left-arch-pad-larch-v1.stl"
    assert pad.read_bytes() == wanted.read_bytes()


@pytest.mark.long
def test_step_of_one_foot_reads_back(made: Made, tmp_path: Path) -> None:
    import cadquery

    arguments = ["make", PAIR[0], "--case", "larch", "--step", "--quiet", "--out", str(tmp_path)]
    assert cli.main(arguments) == 0
    folder = tmp_path / "larch-v1"
    plan = from_json((folder / "plan.json").read_text(encoding="utf-8"))
    parts = all_parts(plan)
    assert {part.side.value for part in parts} == {"left"}
    for part in parts:
        path = folder / "solid" / f"{part.label}-larch-v1.step"
        solid = cadquery.importers.importStep(str(path)).val()
        assert solid.isValid(), part.label
        assert solid.Volume() == pytest.approx(part.volume, rel=SHARE), part.label


# ------------------------------------------------------------------ feet that are not ours


def _disguised(path: Path, target: Path, rng: np.random.Generator, mm_per_unit: float) -> Path:
    """Write a scan in mm anew: turned and moved at random, in another unit."""
    mesh = trimesh.load(path, force="mesh", process=False)
    pose = trimesh.transformations.random_rotation_matrix(rng.random(3))
    pose[:3, 3] = rng.uniform(-800, 800, 3)
    mesh.apply_transform(pose)
    mesh.apply_scale(1 / mm_per_unit)
    mesh.export(target)
    return target


@pytest.mark.long
@pytest.mark.parametrize(
    ("left", "right", "unit", "mm_per_unit"),
    [
        ("body_feet/m_p50_L.ply", "body_feet/m_p50_R.ply", "cm", 10.0),
    ],
)
def test_turned_feet_in_other_units(
    left: str,
    right: str,
    unit: str,
    mm_per_unit: float,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    rng = np.random.default_rng(20260531)
    # names say nothing of the side, and the right foot is given first
    scans = [
        _disguised(path, tmp_path / name, rng, mm_per_unit)
        for path, name in zip(data(right, left), ("one.ply", "two.ply"), strict=True)
    ]
    files = [str(path) for path in scans]
    assert cli.main(["measure", *files, "--json"]) == 0
    records = json.loads(capsys.readouterr().out)
    assert [r["scan"]["side"] for r in records] == ["right", "left"]
    assert [r["scan"]["unit"] for r in records] == [unit, unit]
    assert cli.main(["make", *files, *MAKE, "--out", str(tmp_path / "out")]) == 0
    folder = tmp_path / "out" / "case-v1"
    plan = from_json((folder / "plan.json").read_text(encoding="utf-8"))
    assert plan.left is not None
    assert plan.right is not None
    assert (plan.left.scan_file, plan.right.scan_file) == ("two.ply", "one.ply")
    parts = all_parts(plan)
    assert {part.label for part in parts} >= {
        "left-base",
        "left-arch-pad",
        "right-base",
        "right-arch-pad",
    }
    for part in parts:
        mesh = trimesh.load(folder / "print" / f"{part.label}-case-v1.stl", force="mesh")
        assert mesh.is_watertight, part.label
        assert mesh.volume == pytest.approx(expected_part(part), rel=SHARE), part.label


def test_a_closed_sole_gives_no_pad(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(p) for p in data("real_pair/left_foot.stl", "real_pair/right_foot.stl")]
    out = tmp_path / "out"
    assert cli.main(["make", *files, "--out", str(out)]) == 3
    err = capsys.readouterr().err
    assert "sole is closed" in err
    assert not out.exists()
    assert cli.main(["make", *files, "--without-arch", "--out", str(out)]) == 0
    assert capsys.readouterr().out.count("no support: ") == 2
    plan = from_json((out / "case-v1" / "plan.json").read_text(encoding="utf-8"))
    assert [foot.side for foot in plan.feet] == ["left", "right"]
    assert {part.name for part in all_parts(plan)} == {"base"}
    for foot in plan.feet:
        assert foot.pad is None
        assert foot.no_pad_because
        apex = foot.measures.get("arch_apex_height")
        assert apex is None or (apex.value is None and apex.reason)
        # by its owner each foot is 276 mm long; a bare scanner agrees to about 1 %
        assert foot.measures["foot_length"].value == pytest.approx(276, rel=0.015)
    names = {path.name for path in (out / "case-v1" / "print").glob("*.stl")}
    assert names == {"left-base-case-v1.stl", "right-base-case-v1.stl"}


def test_a_missing_sole_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (scan,) = data("hard/sole_missing_right.ply")
    assert cli.main(["make", str(scan), *MAKE, "--out", str(tmp_path / "out")]) == 3
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert "sole is missing" in err
    assert not (tmp_path / "out").exists()


def test_a_scan_without_unit_asks_for_the_scale(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (scan,) = data("hard/unitless_tilted_left.off")
    assert cli.main(["make", str(scan), *MAKE, "--out", str(tmp_path / "out")]) == 3
    assert "--scale" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    assert cli.main(["measure", str(scan), "--scale", "90", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["scan"]["side"] == "left"
    # 2.66 file units long along its own axis, so 239 mm; tilted, so a little more when levelled
    assert record["measures"]["foot_length"]["value"] == pytest.approx(2.66 * 90, rel=0.015)
