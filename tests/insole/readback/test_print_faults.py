"""Faults in print and CAD files, names and records: each is refused with its own sentence."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from footscan.measuring.pose import mirror, mirror_faces
from footscan.scan import Side
from insole.errors import OutputError
from insole.output.print import printing
from insole.output.print.step import write_step
from insole.parts.pad import arch_pad
from insole.parts.part import Part, as_worn
from insole.parts.wedge import shim
from insole.readback.machines import beds_offered
from insole.readback.solids import check_mesh, check_step, read_stl
from insole.readback.told import Told
from insole.record.plan import Plan
from tests.insole.readback.conftest import Bench

TAG = "demo-0001-v1"


def part_of(bench: Bench, label: str) -> Part:
    return next(part for part in bench.parts if part.label == label)


def stl(bench: Bench, label: str, part: Part) -> None:
    printing.write_stl(bench.place / f"print/{label}-{TAG}.stl", part)


def reflected(part: Part) -> Part:
    return replace(part, vertices=mirror(part.vertices), faces=mirror_faces(part.faces))


# ------------------------------------------------------------------ STL


@pytest.mark.parametrize("label", ["left-base", "right-base", "left-heel-shim", "right-arch-pad"])
def test_a_header_that_names_the_other_foot(made_copy: Bench, label: str) -> None:
    made_copy.kept("print")
    part = part_of(made_copy, label)
    other = Side.RIGHT if part.side is Side.LEFT else Side.LEFT
    stl(made_copy, label, replace(part, side=other))
    made_copy.refused(f"{label}-{TAG}.stl: its header does not name the {part.side.value} side")


def test_a_header_that_names_another_part(made_copy: Bench) -> None:
    made_copy.kept("print")
    stl(made_copy, "left-base", replace(part_of(made_copy, "left-base"), name="arch-pad"))
    made_copy.refused("its header does not name the left-base in mm")


def test_a_header_in_another_unit(made_copy: Bench) -> None:
    made_copy.kept("print")
    made_copy.edit("print/left-base*.stl", "unit mm", "unit in", count=1)
    made_copy.refused("its header does not name the left-base in mm")


@pytest.mark.parametrize(
    "label",
    [
        "left-base",
        "right-base",
        "left-arch-pad",
        "right-arch-pad",
        "left-heel-shim",
        "right-forefoot-shim",
    ],
)
def test_a_mesh_that_is_mirrored(made_copy: Bench, label: str) -> None:
    made_copy.kept("print")
    stl(made_copy, label, reflected(part_of(made_copy, label)))
    made_copy.refused(rf"{label}-{TAG}.stl: {label} (is the mirror|does not lie|reaches|is \d)")


def test_the_other_foots_mesh_under_this_foots_header(made_copy: Bench) -> None:
    made_copy.kept("print")
    right = part_of(made_copy, "right-arch-pad")
    stl(made_copy, "left-arch-pad", replace(right, side=Side.LEFT))
    made_copy.refused("left-arch-pad")


@pytest.mark.parametrize("factor", [1.02, 0.98, 0.1, 1 / 25.4])
def test_a_mesh_of_another_size(made_copy: Bench, factor: float) -> None:
    made_copy.kept("print")
    part = part_of(made_copy, "right-base")
    stl(made_copy, part.label, replace(part, vertices=part.vertices * factor))
    made_copy.refused("right-base (covers|does not lie|reaches)")


@pytest.mark.parametrize(
    ("label", "factor"),
    [
        ("left-arch-pad", 0.8),
        ("right-arch-pad", 1.1),
        ("left-base", 2.0),
        ("right-base", 0.6),
    ],
)
def test_a_part_of_another_height(made_copy: Bench, label: str, factor: float) -> None:
    made_copy.kept("print")
    part = part_of(made_copy, label)
    stl(made_copy, label, replace(part, vertices=part.vertices * [1.0, 1.0, factor]))
    made_copy.refused(rf"{label} is [\d.]+ mm high .* the plan says [\d.]+ mm")


def upside_down(part: Part) -> Part:
    """Turned over its long axis, then mirrored back onto its outline: thick top below."""
    high = part.vertices[:, 2].max()
    vertices = part.vertices * [1.0, 1.0, -1.0] + [0.0, 0.0, high]
    return replace(part, vertices=vertices, faces=part.faces[:, ::-1])


@pytest.mark.parametrize("label", ["left-arch-pad", "right-arch-pad"])
def test_a_pad_lying_on_its_top(made_copy: Bench, label: str) -> None:
    made_copy.kept("print")
    stl(made_copy, label, upside_down(part_of(made_copy, label)))
    made_copy.refused(f"{label} (is|covers)")


@pytest.mark.parametrize(("side", "index"), [("left", 0), ("right", 0), ("right", 1)])
def test_the_thick_edge_on_the_thin_side(made_copy: Bench, side: str, index: int) -> None:
    made_copy.kept("print")
    foot = getattr(made_copy.plan, side)
    wedge = foot.wedges[index]
    thin = "little-toe side" if wedge.thick_side == "big-toe side" else "big-toe side"
    wrong = wedge.model_copy(update={"net": -wedge.net, "thick_side": thin})
    part = as_worn(shim(foot, wrong, made_copy.plan.case, made_copy.plan.shoe))
    stl(made_copy, part.label, part)
    made_copy.refused(
        f"{part.label} is thicker on the {thin} .* says thick on the {wedge.thick_side}"
    )


@pytest.mark.parametrize(("field", "said"), [("thick_side", "little-toe side"), ("net", -2.0)])
def test_a_mesh_has_its_thick_edge_where_the_word_says_and_where_the_sign_says(
    made: tuple[Plan, list[Part], Path], field: str, said: object
) -> None:
    """Of a record that contradicts itself neither half may be passed over: it has no right mesh."""
    _, _, place = made
    record = json.loads((place / "plan.json").read_bytes())
    wedge = record["right"]["wedges"][0]
    assert wedge["net"] == 2.0
    assert wedge["thick_side"] == "big-toe side"
    path = place / f"print/right-forefoot-shim-{TAG}.stl"
    header, corners = read_stl(path)
    told = Told.of(record, TAG)
    check_mesh(path, header, corners, "right-forefoot-shim", told)
    piece = replace(told.pieces["right-forefoot-shim"], wedge=wedge | {field: said})
    wrong = Told(plan=record, tag=TAG, pieces={piece.label: piece})
    with pytest.raises(OutputError, match="right-forefoot-shim is thicker on the big-toe side"):
        check_mesh(path, header, corners, piece.label, wrong)


@pytest.mark.parametrize("degrees", [1.0, 3.0, 4.0])
def test_a_shim_of_another_angle(made_copy: Bench, degrees: float) -> None:
    made_copy.kept("print")
    foot = made_copy.plan.right
    assert foot is not None
    wrong = foot.wedges[0].model_copy(update={"net": degrees})
    stl(made_copy, "right-forefoot-shim", as_worn(shim(foot, wrong, made_copy.plan.case)))
    made_copy.refused(r"right-forefoot-shim is [\d.]+ mm thick at the most, the plan says")


def test_a_shim_whose_taper_is_at_the_wrong_end(made_copy: Bench) -> None:
    made_copy.kept("print")
    foot = made_copy.plan.right
    assert foot is not None
    wedge = foot.wedges[0]
    ahead = wedge.taper_rear - wedge.taper_front  # the outline stays, the tapers change ends
    wrong = wedge.model_copy(
        update={
            "taper_rear": wedge.taper_front,
            "taper_front": wedge.taper_rear,
            "full_from": wedge.full_from - ahead,
            "full_to": wedge.full_to - ahead,
        }
    )
    stl(made_copy, "right-forefoot-shim", as_worn(shim(foot, wrong, made_copy.plan.case)))
    made_copy.refused("right-forefoot-shim")


def test_a_pad_moved_along_the_foot(made_copy: Bench) -> None:
    made_copy.kept("print")
    foot = made_copy.plan.left
    assert foot is not None
    assert foot.pad is not None
    part = as_worn(arch_pad(foot, made_copy.plan.case))
    stl(made_copy, part.label, replace(part, vertices=part.vertices + np.array([4.0, 0, 0])))
    made_copy.refused("left-arch-pad does not lie where what the plan says|left-arch-pad")


def test_file_names_of_meshes_exchanged(made_copy: Bench) -> None:
    made_copy.kept("print")
    made_copy.swap(f"print/left-base-{TAG}.stl", f"print/right-base-{TAG}.stl")
    made_copy.refused("left-base-.*its header does not name the left side")


def test_a_mesh_that_is_missing_or_cut_short(made_copy: Bench) -> None:
    made_copy.kept("print")
    path = made_copy.file("print/right-arch-pad*.stl")
    data = path.read_bytes()
    path.write_bytes(data[:-25])
    made_copy.refused("right-arch-pad-.* is not a whole binary STL")
    path.unlink()
    made_copy.refused("print has no STL of right-arch-pad")


# ------------------------------------------------------------------ 3MF


def model(bench: Bench, pattern: str, change: Callable[[str], str]) -> None:
    """Change the model inside a 3MF."""
    path = bench.file(pattern)
    with zipfile.ZipFile(path) as package:
        files = {name: package.read(name) for name in package.namelist()}
    text = files["3D/3dmodel.model"].decode()
    new = change(text)
    assert new != text
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in files.items():
            package.writestr(name, new if name.endswith(".model") else data)


def exchange(one: str, two: str) -> Callable[[str], str]:
    return lambda text: text.replace(one, "\0").replace(two, one).replace("\0", two)


@pytest.mark.parametrize(
    ("pattern", "change", "sentence"),
    [
        (
            "print/wedge-tpu*.3mf",
            exchange('"left-heel-shim"', '"right-forefoot-shim"'),
            "has another shape than its STL, or mirrored",
        ),
        (
            "print/wedge-tpu*.3mf",
            lambda t: t.replace('"left-heel-shim"', '"left-pad"'),
            "holds 'left-pad', which has no STL",
        ),
        (
            "print/wedge-tpu*.3mf",
            lambda t: t.replace('unit="millimeter"', 'unit="inch"'),
            "is not in millimetres",
        ),
        (
            "print/wedge-tpu*.3mf",
            lambda t: t.replace("demo-0001, version 1", "demo-0002, version 1"),
            "has the title 'demo-0002, version 1",
        ),
        (
            "print/wedge-tpu*.3mf",
            lambda t: t.replace("version 1", "version 2"),
            "has the title 'demo-0001, version 2",
        ),
        (
            "print/wedge-tpu*.3mf",
            lambda t: t.replace("<item ", '<item transform="-1 0 0 0 1 0 0 0 1 0 0 0" ', 1),
            "moves or mirrors a part by a transform",
        ),
        (
            "print/wedge-tpu*.3mf",
            lambda t: re.sub(r'x="([\d.]+)" y="([\d.]+)"', r'x="\2" y="\1"', t),
            "has another shape than its STL, or mirrored",
        ),
        (
            "print/wedge-tpu*.3mf",
            lambda t: re.sub(r'z="(\d)', r'z="1\1', t, count=50),
            "has another shape than its STL, or mirrored",
        ),
    ],
)
def test_a_3mf_file_with_a_fault(
    made_copy: Bench, pattern: str, change: Callable[[str], str], sentence: str
) -> None:
    made_copy.kept("print")
    model(made_copy, pattern, change)
    made_copy.refused(sentence)


def test_a_3mf_file_that_is_missing(made_copy: Bench) -> None:
    made_copy.kept("print")
    made_copy.file("print/wedge-tpu*.3mf").unlink()
    made_copy.refused("the 3MF files do not hold left-heel-shim")


def test_the_first_pages_offer_only_printers_that_parts_fit(made_copy: Bench) -> None:
    """The sample's bases take 290 x 105 mm with their margin: no bed of 220 x 220 mm does."""
    beds, lacking = beds_offered(made_copy.place)
    names = ("under-shoe-solid", "wedge-tpu")
    assert beds == {f"print/{name}-{TAG}.3mf": (220.0, 220.0) for name in names}
    assert lacking == {"left-base", "right-base"}
    text = (made_copy.place / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    assert "Have left-base" not in text  # it is cut
    record = json.loads((made_copy.place / "manifest.json").read_bytes())["larger"]
    assert list(record) == [f"print/{side}-base-pp-{TAG}.3mf" for side in ("left", "right")]
    for long, wide, turned in record.values():
        assert 285 < long < 295
        assert 100 < wide < 115
        assert 220 < turned < 235


@pytest.mark.parametrize(
    ("offer", "sentence"),
    [
        ("printer the small one, 220 x 220 mm", "left-base reaches over the bed of 220 x 220 mm"),
        ("printer 300 x 300 mm", "the first pages offer a printer for left-base and deny it"),
    ],
)
def test_a_printer_offered_for_a_base_that_fits_none(
    made_copy: Bench, offer: str, sentence: str
) -> None:
    from reportlab.pdfgen.canvas import Canvas

    made_copy.kept("print")
    page = Canvas(str(made_copy.place / "READ-ME-FIRST.pdf"))
    page.drawString(20, 120, f"{offer}:")
    page.drawString(20, 100, f"print/left-base-pp-{TAG}.3mf")
    page.save()
    made_copy.refused(sentence)


def test_a_plate_named_for_the_other_foot(made_copy: Bench) -> None:
    made_copy.kept("print")
    path = made_copy.file("print/left-base-*.3mf")
    path.rename(path.with_name(f"right-base-copy-{TAG}.3mf"))
    made_copy.refused("holds parts for the left foot")


# ------------------------------------------------------------------ STEP


@pytest.fixture(scope="module")
def step(
    made: tuple[Plan, list[Part], Path], tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Told]:
    """Return the text of the left heel shim's STEP file, and what its plan says."""
    pytest.importorskip("cadquery", reason="no CAD kernel on this machine")
    _, parts, place = made
    path = tmp_path_factory.mktemp("step") / f"left-heel-shim-{TAG}.step"
    write_step(path, next(part for part in parts if part.label == "left-heel-shim"))
    return path.read_text("utf-8"), Told.of(json.loads((place / "plan.json").read_bytes()), TAG)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            lambda t: t.replace(
                "PRODUCT('left-heel-shim','left-heel-shim'",
                "PRODUCT('right-heel-shim','right-heel-shim'",
            ),
            "its product is named right-heel-shim, it should be left-heel-shim",
        ),
        (
            lambda t: t.replace(
                "PRODUCT('left-heel-shim','left", "PRODUCT('left-heel-shim','right"
            ),
            "its product is named left-heel-shim, right-heel-shim",
        ),
        (lambda t: t.replace("FILE_NAME('left", "FILE_NAME('right"), "its header does not name"),
        (lambda t: t.replace(".MILLI.", ".CENTI."), "is not in millimetres"),
        (
            lambda t: re.sub(
                r"(CARTESIAN_POINT\([^(]*\([^,]+,)(-?)", lambda m: m[1] + ("" if m[2] else "-"), t
            ),
            "is the mirror image of what the plan says",
        ),
        (
            lambda t: re.sub(r"(CARTESIAN_POINT\([^(]*\()", r"\g<1>9", t),
            "does not lie on its outline",
        ),
    ],
)
def test_a_step_file_with_a_fault(
    step: tuple[str, Told], tmp_path: Path, change: Callable[[str], str], sentence: str
) -> None:
    text, told = step
    path = tmp_path / f"left-heel-shim-{TAG}.step"
    path.write_text(text, encoding="utf-8")
    check_step(path, "left-heel-shim", told)
    wrong = change(text)
    assert wrong != text
    path.write_text(wrong, encoding="utf-8")
    with pytest.raises(OutputError, match=sentence):
        check_step(path, "left-heel-shim", told)


def test_step_files_of_every_part_are_read_without_a_word(
    made: tuple[Plan, list[Part], Path], tmp_path: Path
) -> None:
    pytest.importorskip("cadquery", reason="no CAD kernel on this machine")
    _, parts, place = made
    told = Told.of(json.loads((place / "plan.json").read_bytes()), TAG)
    for part in parts:
        if part.side is Side.RIGHT:
            path = tmp_path / f"{part.label}-{TAG}.step"
            write_step(path, part)
            check_step(path, part.label, told)


# ------------------------------------------------------------------ names and records


def test_a_folder_of_another_version_or_case(made_copy: Bench) -> None:
    made_copy.kept()
    for name in ("demo-0001-v2", "demo-0002-v1"):
        made_copy.place = made_copy.place.rename(made_copy.place.with_name(name))
        made_copy.refused(f"the folder {name} is not named for demo-0001, version 1")


def test_a_file_of_another_version(made_copy: Bench) -> None:
    path = made_copy.file("print/left-base*.stl")
    shutil.copy(path, path.with_name("left-base-demo-0001-v2.stl"))
    made_copy.refused("left-base-demo-0001-v2.stl does not end in demo-0001-v1")


def test_a_plan_that_was_edited_after_the_parts_were_made(made_copy: Bench) -> None:
    made_copy.edit("plan.json", '"support_level": 0.8', '"support_level": 0.7', count=1)
    made_copy.refused("manifest.json is not of the plan")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            lambda m: m["scans"][0].update(side="right") or m["scans"][1].update(side="left"),
            "names other scans than the plan, or exchanges the feet's",
        ),
        (lambda m: m.update(version=2), "manifest.json is not of the plan"),
        (lambda m: m.update(case="demo-0002"), "manifest.json is not of the plan"),
    ],
)
def test_a_manifest_with_a_fault(
    made_copy: Bench, change: Callable[[Any], Any], sentence: str
) -> None:
    made_copy.kept()
    path = made_copy.place / "manifest.json"
    manifest = json.loads(path.read_bytes())
    change(manifest)
    path.write_text(json.dumps(manifest), encoding="utf-8")
    made_copy.refused(sentence)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("demo-0001, version 1", "demo-0001, version 2", "does not begin with case, version"),
        ("left-heel-shim: ", "right-heel-shim: ", "does not say of left-heel-shim: 2° varus"),
        ("2° varus", "2° valgus", "does not say of left-heel-shim: 2° varus"),
        ("2° varus", "3° varus", "does not say of left-heel-shim: 2° varus"),
        ("on the big-toe side", "on the little-toe side", "thick on the big-toe side"),
        (r"thick edge \d", "thick edge 9", "the thick edge of left-heel-shim is not the plan's"),
    ],
)
def test_a_first_page_with_a_fault(made_copy: Bench, old: str, new: str, sentence: str) -> None:
    made_copy.kept()
    made_copy.edit("READ-ME-FIRST.txt", old, new)
    made_copy.refused(sentence)


def test_numbers_are_finite_in_what_is_read(made_copy: Bench) -> None:
    made_copy.kept("print")
    part = part_of(made_copy, "left-arch-pad")
    vertices = part.vertices.copy()
    vertices[vertices[:, 2] > 3.0] = np.nan
    stl(made_copy, part.label, replace(part, vertices=vertices))
    made_copy.refused("left-arch-pad")
