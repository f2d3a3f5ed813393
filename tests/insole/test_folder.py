"""The output folder: whole or not at all, never changed, the same bytes from the same plan."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from footscan.scan import Side
from insole.errors import OutputError
from insole.output import contents as listed
from insole.output import folder, publishing
from insole.output.contents import Item
from insole.output.cut import nesting
from insole.output.made import Run, made_parts
from insole.output.print import printing, step
from insole.output.readme import Making, glue_rows, order
from insole.output.settings import FolderError, Settings, folder_name
from insole.parts.build import all_parts
from insole.parts.facts import DowelFacts, WedgeFacts
from insole.parts.part import Part
from insole.readback.folder import EVERYTHING
from insole.record.material_file import default_materials
from insole.record.materials import Materials
from insole.record.plan import Plan, fingerprint, from_json
from insole.record.values import Override
from tests.insole.test_printing import mirrored, prism
from tests.plans import sample_plan

QUICK = Settings(papers=("a4",))


@pytest.fixture(scope="module")
def plan() -> Plan:
    return sample_plan()


@pytest.fixture
def pair() -> list[Part]:
    return [prism(Side.LEFT), prism(Side.RIGHT)]


def no_papers(plan: Plan, parts: Sequence[Part]) -> list[Item]:
    """Return the print and cut files only: papers take a second each."""
    tag = folder_name(plan)
    return [
        *listed._print_items(plan, parts, QUICK, tag),
        *listed._cut_items(parts, QUICK, tag),
    ]


def write(plan: Plan, parts: Sequence[Part], out: Path, **how: Any) -> Path:
    how.setdefault("settings", QUICK)
    how.setdefault("writers", no_papers(plan, parts))
    return folder.write(plan, parts, out, **how)


def item(path: str, action: Any) -> Item:
    return Item(path=path, write=action, check=lambda paths: None)


def contents(place: Path) -> dict[str, bytes]:
    files = (path for path in place.rglob("*") if path.is_file())
    return {path.relative_to(place).as_posix(): path.read_bytes() for path in files}


# ------------------------------------------------------------------ what is in it


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """Write everything for a pair, STEP and papers included."""
    said: list[str] = []
    plan = sample_plan(under=True)
    out = tmp_path_factory.mktemp("out")
    settings = Settings(step=True)
    return folder.write(plan, all_parts(plan), out, settings=settings, say=said.append), said


def test_a_pair_gets_every_kind_of_file(whole: tuple[Path, list[str]]) -> None:
    place, said = whole
    names = set(contents(place))
    labels = [part.label for part in all_parts(sample_plan(under=True))]
    tag = "demo-0001-v1"
    for label in labels:
        assert f"print/{label}-{tag}.stl" in names
        assert f"solid/{label}-{tag}.step" in names
        printed = label.endswith(("-forefoot-shim", "-heel-shim"))  # of wedge-tpu: no sheet
        assert (f"cut/parts/{label}-{tag}.dxf" in names) != printed
    for side in ("left", "right"):
        for face in ("foot", "shoe"):
            for suffix in ("dxf", "svg"):
                assert f"cut/{side}-{face}-side-up-{tag}.{suffix}" in names
    assert f"print/wedge-tpu-{tag}.3mf" in names
    assert f"print/trial-eva-{tag}.3mf" not in names  # nobody prints a foam
    assert f"paper/pieces-{tag}.pdf" in names
    for paper in ("template-a4", "template-letter", "bench-page", "report", "plan"):
        assert f"paper/{paper}-{tag}.pdf" in names
    assert {f"pictures/placement-{tag}.png", "plan.json", "READ-ME-FIRST.txt"} < names
    for sheet in ("base-pp-1.5mm-1", "trial-eva-10mm-1", "under-shoe-solid"):
        assert any(name.startswith(f"cut/sheet-{sheet}") for name in names)
    # the only thing to mind: bases are longer than the default bed; then the sheets to lay out
    about_sheets = [text for text in said if text.startswith("sheet-")]
    printed = [text for text in said if "is printed from" in text]
    assert said[2:] == [*printed, *about_sheets]
    assert all("-base needs a printer bed of 28" in text for text in said[:2])
    assert said[2] == (
        "left-heel-shim is printed from TPU 95A: no sheet; for sheet stock choose a sheet "
        "material for the shim"
    )
    assert all("% of it is waste" in text for text in about_sheets)


def test_the_manifest_names_every_file_with_its_hash(whole: tuple[Path, list[str]]) -> None:
    place, _ = whole
    files = contents(place)
    manifest = json.loads(files.pop("manifest.json"))
    assert {entry["path"]: entry["sha256"] for entry in manifest["files"]} == {
        name: hashlib.sha256(data).hexdigest() for name, data in files.items()
    }
    plan = sample_plan(under=True)
    assert manifest["plan"] == fingerprint(plan)
    assert manifest["tool"] == plan.tool
    assert [scan["sha256"] for scan in manifest["scans"]] == ["1f" * 32, "2e" * 32]
    assert from_json(files["plan.json"]) == plan
    assert publishing.check_folder(place) == []


def test_the_readme_says_what_a_maker_must_know(whole: tuple[Path, list[str]]) -> None:
    text = " ".join((whole[0] / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())
    for words in (
        "in millimetres",
        "at 100 %",
        "Foot pain calls for clinical advice.",
        "right-forefoot-shim: wedge-tpu, 2° varus, thick on the big-toe side",
        "left-base needs a printer bed",
        "PLA never goes into a shoe",
        "left-base, right-base take",
        "ten clip-ins",
    ):
        assert words in text


def readme(place: Path) -> str:
    return " ".join((place / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())


def test_the_readme_names_one_file_a_part_and_an_order_of_work(
    whole: tuple[Path, list[str]],
) -> None:
    place, _ = whole
    text, tag = readme(place), "demo-0001-v1"
    routes = text.split("What to make each part from")[1].split("Order of work")[0]
    for part in all_parts(sample_plan(under=True)):
        kit = "take it from the kit, or " if part.name == "arch-pad" else ""
        assert routes.count(f"{part.label}: {kit}make this: ") == 1
    for name in set(re.findall(rf"(?:print|cut)/\S+-{tag}\.(?:3mf|dxf|stl)", routes)):
        assert (place / name).is_file(), name
    assert f"left-heel-shim: make this: print/wedge-tpu-{tag}.3mf" in routes
    assert "to print it take trial-tpu, same file" in routes
    order = text.split("Order of work")[1].split("Printing")[0]
    places = [order.index(f" {k}. ") for k in range(1, 9)]
    assert places == sorted(places)
    assert "1. Buy: base-pp 1.5 mm sheet" in order
    assert "longer cleat bolts" in order
    for line in ("CUT: cut through", "GRIND: do not burn", "PEN: draw", "NOTE: switch off"):
        assert line in text


def test_layers_take_sheet_for_a_wedge_that_is_printed_only(tmp_path: Path) -> None:
    plan = sample_plan()
    parts, said = all_parts(plan), list[str]()
    settings = replace(QUICK, layers=True)
    tag = folder_name(plan)
    made = made_parts(plan, parts, settings)
    pieces = made.pieces
    writers = list(listed._sheet_items(pieces, settings, tag))
    place = folder.write(plan, parts, tmp_path, settings=settings, writers=writers, say=said.append)
    shims = {p.material for p in pieces if "shim" in p.name}
    assert shims == {"wedge-eva"}
    run = Run(plan, made, settings, said.append, notes=dict(made.notes))
    folder._note_sheets(run)
    assert run.notes["cut: left-heel-shim"] == (
        "left-heel-shim is built up from wedge-eva sheet, as wedge-tpu is printed only"
    )
    assert not any("wedge-tpu" in path for path in contents(place) if path.startswith("cut/sheet"))
    assert any("sheet-wedge-eva-1mm" in path for path in contents(place))


def test_without_sheet_wedges_printed_ones_are_not_built_up() -> None:
    """A table whose only wedge material is printed: no layers, one sentence."""
    plan = sample_plan()
    table = Materials(
        entries={
            name: m
            for name, m in default_materials().items()
            if name == "wedge-tpu" or "wedge" not in m.places
        }
    )
    settings = replace(QUICK, layers=True, materials=table)
    parts = all_parts(plan)
    pieces = made_parts(plan, parts, settings).pieces
    assert not any("shim" in p.name for p in pieces)
    assert any("arch-pad-layer" in p.name for p in pieces)


def test_the_readme_says_how_layers_are_glued(plan: Plan) -> None:
    parts = all_parts(plan)
    settings = replace(QUICK, layers=True)
    pieces = made_parts(plan, parts, settings).pieces
    nested = nesting.nest(pieces, size=(600.0, 400.0)).sheets
    making = made_of(plan, parts, settings, nested)
    rows = " ".join(glue_rows(making))
    assert "Layer 1 lies at the bottom, each arrow forward" in rows
    assert "glue lines add to the height" in rows
    pad = next(p for p in parts if p.label == "left-arch-pad")
    assert f"{pad.vertices[:, 2].max():.1f} mm planned" in rows
    assert glue_rows(made_of(plan, parts, QUICK, nested)) == []


def made_of(plan: Plan, parts: Sequence[Part], settings: Settings, nested: Any) -> Making:
    made = made_parts(plan, parts, settings)
    return Making(
        plan=plan,
        parts=made.parts,
        materials=settings.materials,
        layers=made.layers,
        sheets=nested,
        tag="t",
    )


def test_the_readme_glues_dowels_into_the_pad(plan: Plan) -> None:
    """Glued into the base they stand up in the shoe when it is ridden without the pad."""
    parts = all_parts(plan)
    dowels = replace(
        prism(Side.LEFT), name="dowels", material="base-pp", facts=DowelFacts(pieces=6)
    )
    said = " ".join(order(made_of(plan, [*parts, dowels], QUICK, [])))
    assert "glue a dowel into each socket of the pad, none into the base" in said
    assert "dowel" not in " ".join(order(made_of(plan, parts, QUICK, [])))


def test_plates_are_named_for_what_they_hold() -> None:
    """Bases too large for one plate are not called base twice; dowels have a file of their own."""
    plan = sample_plan()
    parts = all_parts(plan)
    row = replace(prism(Side.LEFT), name="dowels", material="base-pp")
    files = listed.plate_files([*parts, row], QUICK, "t")
    assert files["left-base"] == "print/left-base-pp-t.3mf"
    assert files["left-dowels"] == "print/dowels-base-pp-t.3mf"
    small = listed.plate_files([replace(prism(), name="base", material="base-pp")], QUICK, "t")
    assert set(small.values()) == {"print/base-pp-t.3mf"}


def test_readme_and_papers_round_a_thick_edge_alike(
    tmp_path: Path, pair: list[Part], plan: Plan
) -> None:
    """2.054 mm is 2.1 mm, also where the part keeps it as 2.05 (in binary a little less)."""
    facts = WedgeFacts(
        thick_side="big-toe side", thick_edge=2.05, thick_edge_planned=2.054, edge=0.5, words="1°"
    )
    parts = [replace(part, facts=facts) for part in pair]
    text = (write(plan, parts, tmp_path) / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    assert "thick edge 2.1 mm" in text


def test_a_part_without_step_is_named_with_what_to_use(
    tmp_path: Path, pair: list[Part], plan: Plan
) -> None:
    parts = [replace(part, solid=None) for part in pair]
    settings = Settings(step=True, papers=("a4",))
    place = write(plan, parts, tmp_path, settings=settings)
    text = " ".join((place / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())
    name = parts[0].label.replace("-", " ")
    assert f"no STEP for the {name}: use the STL" in text


def test_the_readme_always_calls_for_clinical_advice(
    tmp_path: Path, pair: list[Part], plan: Plan
) -> None:
    limit = Override(limit="forefoot 5°", who="A. Fitter", why="trial on a stand", when="May")
    bare = plan.model_copy(update={"cautions": [], "overrides": [limit]})
    text = (write(bare, pair, tmp_path) / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    assert "Foot pain calls for clinical advice." in text
    assert "forefoot 5°: trial on a stand (A. Fitter, May)" in text
    assert "clip-ins" not in text


def test_two_runs_give_the_same_bytes(tmp_path: Path) -> None:
    """Everything but the second paper size, in another process with other seeds and time zone."""
    one = sample_plan(sides=("right",))
    here = folder.write(one, all_parts(one), tmp_path / "a", settings=Settings(papers=("a4",)))
    code = (
        "import sys; from pathlib import Path\n"
        "from tests.plans import sample_plan\n"
        "from insole.parts.build import all_parts\n"
        "from insole.output import folder\n"
        "plan = sample_plan(sides=('right',))\n"
        "settings = folder.Settings(papers=('a4',))\n"
        "folder.write(plan, all_parts(plan), Path(sys.argv[1]), settings=settings)\n"
    )
    paths = os.pathsep.join(path for path in sys.path if path)
    other = {"PYTHONPATH": paths, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"}
    command = [sys.executable, "-c", code, str(tmp_path / "b")]
    subprocess.run(command, check=True, env=os.environ | other)
    there = tmp_path / "b" / here.name
    found, again = contents(here), contents(there)
    assert found.keys() == again.keys()
    assert len(found) > 15
    different = [name for name in found if found[name] != again[name]]
    assert different == []


def test_without_the_kernel_all_other_files_are_there(
    tmp_path: Path, pair: list[Part], plan: Plan
) -> None:
    class Bare(step.StepWorker):
        def finish(self) -> dict[str, str]:
            raise step.StepUnavailable("no STEP files: this machine misses libGL.so.1")

    said: list[str] = []
    settings = Settings(step=True)
    place = write(plan, pair, tmp_path, settings=settings, worker=Bare(), say=said.append)
    assert not (place / "solid").exists()
    assert list((place / "print").iterdir())
    assert said == ["no STEP files: this machine misses libGL.so.1"]
    assert "misses libGL.so.1" in (place / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    assert json.loads((place / "manifest.json").read_text("utf-8"))["notes"] == {"solid": said[0]}


# ------------------------------------------------------------------ versions


def test_an_identical_version_is_kept(tmp_path: Path, pair: list[Part], plan: Plan) -> None:
    place = write(plan, pair, tmp_path)
    before = {path: path.stat().st_mtime_ns for path in place.rglob("*")}
    said: list[str] = []
    assert write(plan, pair, tmp_path, say=said.append) == place
    assert {path: path.stat().st_mtime_ns for path in place.rglob("*")} == before
    assert said == ["demo-0001-v1 is there with the same content and is kept as it is"]
    assert list(tmp_path.iterdir()) == [place]


def test_other_content_under_the_same_name_is_refused(
    tmp_path: Path, pair: list[Part], plan: Plan
) -> None:
    before = contents(write(plan, pair, tmp_path))
    other = plan.model_copy(update={"date": "12 May"})
    words = r"v1 exists with other content; give the plan a new version or choose another folder"
    with pytest.raises(FolderError, match=words) as e:
        write(other, pair, tmp_path)
    assert (e.value.exit_code, e.value.asks) == (3, ("version", "out"))
    assert contents(tmp_path / "demo-0001-v1") == before
    second = write(other.model_copy(update={"version": 2}), pair, tmp_path)
    assert second.name == "demo-0001-v2"
    assert {path.name for path in tmp_path.iterdir()} == {"demo-0001-v1", "demo-0001-v2"}


@pytest.mark.parametrize("tamper", ["change", "remove", "add", "manifest"])
def test_a_version_that_was_tampered_with_is_refused(
    tmp_path: Path, pair: list[Part], plan: Plan, tamper: str
) -> None:
    place = write(plan, pair, tmp_path)
    target = place / "print" / f"left-arch-pad-{place.name}.stl"
    if tamper == "change":
        target.write_bytes(target.read_bytes()[:-1] + b"x")
    elif tamper == "remove":
        target.unlink()
    elif tamper == "add":
        (place / "cut" / "mine.dxf").write_text("mine", encoding="utf-8")
    else:
        (place / "manifest.json").write_text("[]", encoding="utf-8")
    assert len(publishing.check_folder(place)) == 1
    with pytest.raises(FolderError, match="exists with other content"):
        write(plan, pair, tmp_path)


@pytest.mark.parametrize(
    ("case", "name"),
    [
        ("demo-0001", "demo-0001-v1"),
        ("../../etc/passwd", "etc-passwd-v1"),
        ("rider: 7?*", "rider-7-v1"),
        ("con", "case-con-v1"),
        ("LPT1.x", "case-LPT1.x-v1"),
        ("...", "case-v1"),
        ("Läufer 3", "Läufer-3-v1"),
    ],
)
def test_folder_names_are_allowed_everywhere(plan: Plan, case: str, name: str) -> None:
    assert folder_name(plan.model_copy(update={"case": case})) == name


# ------------------------------------------------------------------ failures


def full_disk(path: Path) -> None:
    path.write_bytes(b"half")
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))


def interrupted(path: Path) -> None:
    path.write_bytes(b"half")
    raise KeyboardInterrupt


def unreadable(path: Path) -> None:
    raise OutputError(f"{path.name} does not read back")


@pytest.mark.parametrize(
    ("action", "error", "message"),
    [
        (full_disk, FolderError, "cannot be written: no space left on device; make room"),
        (unreadable, OutputError, "x does not read back"),
        (interrupted, KeyboardInterrupt, "^$"),
    ],
)
@pytest.mark.parametrize("there", [True, False])
def test_a_failure_leaves_nothing(
    tmp_path: Path,
    pair: list[Part],
    plan: Plan,
    action: Any,
    error: type[BaseException],
    message: str,
    there: bool,
) -> None:
    out = tmp_path / "out"
    if there:
        out.mkdir()
    writers = [*no_papers(plan, pair)[:2], item("x", action)]
    with pytest.raises(error, match=message):
        write(plan, pair, out, writers=writers, settings=Settings())
    assert list(tmp_path.rglob("*")) == ([out] if there else [])


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are a POSIX thing")
def test_a_disk_that_is_really_full_gives_one_sentence(tmp_path: Path) -> None:
    """The operating system itself refuses to write beyond 20 kB a file."""
    code = (
        "import resource, sys; from pathlib import Path\n"
        "from tests.insole.test_folder import *\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))\n"
        "try: write(sample_plan(), [prism()], Path(sys.argv[1]))\n"
        "except FolderError as error: sys.stdout.write(str(error))\n"
    )
    paths = os.pathsep.join(path for path in sys.path if path)
    env = os.environ | {"PYTHONPATH": paths}
    command = [sys.executable, "-c", code, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, env=env, check=True)
    assert "demo-0001-v1 cannot be written: file too large" in done.stdout
    assert done.stdout.count("\n") == 0
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_reads_back_different_stops_everything(
    tmp_path: Path, pair: list[Part], plan: Plan
) -> None:
    good = no_papers(plan, pair)
    stl = next(i for i in good if i.path.endswith(".stl"))
    wrong = replace(stl, write=partial(printing.write_stl, part=mirrored(pair[0])))
    with pytest.raises(OutputError, match=r"left-arch-pad-demo-0001-v1\.stl .* mirrored"):
        write(plan, pair, tmp_path, writers=[wrong])
    assert list(tmp_path.iterdir()) == []


def test_all_that_can_be_read_back_is_read_once_and_when_it_stands(
    tmp_path: Path, pair: list[Part], plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []

    def check(making: Path, *, name: str, of: Sequence[str]) -> None:
        there = set(contents(making))
        assert name == folder.folder_name(plan)
        assert {item.path for item in listed.items(plan, pair, QUICK)} <= there
        assert "print" not in of or {folder.README, folder.FIRST_SHEET} <= there
        read.extend(of)

    monkeypatch.setattr(folder.readback, "check", check)
    folder.write(plan, pair, tmp_path, settings=QUICK)
    assert sorted(read) == sorted(EVERYTHING)


def test_a_picture_cut_short_is_refused(tmp_path: Path, pair: list[Part], plan: Plan) -> None:
    def half(path: Path) -> None:
        path.write_bytes(b"%PDF-1.4\n1 0 obj")

    paper = Item(path="paper/x.pdf", write=half, check=listed._whole)
    with pytest.raises(OutputError, match=r"x\.pdf does not read back as a whole pdf file"):
        write(plan, pair, tmp_path, writers=[paper])


def test_a_place_that_is_none_is_refused(tmp_path: Path, pair: list[Part], plan: Plan) -> None:
    with pytest.raises(FolderError, match=r"there is no folder .*nowhere; make it or choose"):
        write(plan, pair, tmp_path / "nowhere" / "out")
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(FolderError, match="file is a file; choose a folder") as no:
        write(plan, pair, tmp_path / "file")
    assert no.value.asks == ("out",)


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() == 0, reason="the superuser may write anywhere"
)
def test_a_folder_that_is_read_only_gives_one_sentence(
    tmp_path: Path, pair: list[Part], plan: Plan
) -> None:
    tmp_path.chmod(0o555)
    try:
        with pytest.raises(FolderError, match="cannot be written: permission denied"):
            write(plan, pair, tmp_path)
    finally:
        tmp_path.chmod(0o755)


def test_parts_with_the_same_label_are_a_wrong_call(tmp_path: Path, plan: Plan) -> None:
    with pytest.raises(ValueError, match="labels of their own"):
        write(plan, [prism(), prism()], tmp_path)


# ------------------------------------------------------------------ runs that died, runs at work


def test_what_a_killed_run_left_is_swept(tmp_path: Path, pair: list[Part], plan: Plan) -> None:
    code = (
        "import os, sys; from pathlib import Path\n"
        "from tests.insole.test_folder import *\n"
        "die = item('x', lambda path: (path.write_text('half'), os._exit(9)))\n"
        "write(sample_plan(), [prism()], Path(sys.argv[1]), writers=[die])\n"
    )
    paths = os.pathsep.join(path for path in sys.path if path)
    env = os.environ | {"PYTHONPATH": paths}
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], env=env, check=False)
    assert done.returncode == 9
    assert len(list(tmp_path.glob(f"{publishing.MAKING}*"))) == 2  # the folder and its lock
    place = write(plan, pair, tmp_path)
    assert list(tmp_path.iterdir()) == [place]


def test_a_run_at_work_is_left_alone(tmp_path: Path, pair: list[Part], plan: Plan) -> None:
    """A second run sweeps while the first is in the middle; the first still ends well."""
    second = plan.model_copy(update={"version": 2})

    def meanwhile(path: Path) -> None:
        path.write_text("first", encoding="utf-8")
        write(second, pair, tmp_path)
        assert path.exists()

    place = write(plan, pair, tmp_path, writers=[item("x", meanwhile)])
    assert (place / "x").read_text("utf-8") == "first"
    assert {path.name for path in tmp_path.iterdir()} == {"demo-0001-v1", "demo-0001-v2"}


def test_of_two_runs_of_one_version_the_slower_keeps_the_faster(
    tmp_path: Path, pair: list[Part], plan: Plan
) -> None:
    said: list[str] = []
    writers = no_papers(plan, pair)
    last = writers[-1]

    def meanwhile(path: Path) -> Any:
        write(plan, pair, tmp_path, writers=writers)
        return last.write(path)

    slow = [*writers[:-1], replace(last, write=meanwhile)]
    place = write(plan, pair, tmp_path, writers=slow, say=said.append)
    assert "kept as it is" in said[0]
    assert list(tmp_path.iterdir()) == [place]


def test_printed_pads_weigh_what_their_volume_says(whole: tuple[Path, list[str]]) -> None:
    """The STL in the folder has the part's volume less the letters, read by another library."""
    for part in all_parts(sample_plan(under=True)):
        mesh = trimesh.load_mesh(whole[0] / "print" / f"{part.label}-demo-0001-v1.stl")
        engraved = float(part.facts.engraved.volume)
        assert mesh.volume == pytest.approx(part.volume - engraved, rel=2e-3)
        assert np.ptp(mesh.vertices, axis=0) == pytest.approx(
            np.ptp(part.vertices, axis=0), abs=1e-3
        )
