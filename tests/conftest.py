"""Specimens and their measured scans, made once per run."""

from __future__ import annotations

import tests.kernel  # noqa: F401

# isort: split
import io
import os
import re
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from importlib.util import cache_from_source
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from footscan import pipeline
from footscan.finding import cleaning, matching
from footscan.finding.cleaning import Cleaned
from footscan.finding.matching import Match
from footscan.measuring import landmarks, measures, pose
from footscan.measuring.pose import Settled
from footscan.quality import findings as quality
from footscan.results import Landmark, Measure, MeasuredFoot, ScanReport, Severity
from footscan.scan import Load, Scan, Side, Unit
from footscan.specimen import made_up as specimen
from footscan.specimen import scanner
from footscan.specimen.made_up import Shape, Specimen
from footscan.specimen.scanner import ScannerSpec
from insole import cli
from insole.output import contents
from insole.output.pictures import plan_view
from insole.output.pictures import scan as scan_picture
from insole.parts import build, engraving, part
from insole.planning import planner
from insole.readback import folder as readback_folder
from tests.command_line import Run
from tests.store import (
    STORE,
    files_asked,
    folder_asked,
    remember_plans,
    remember_writers,
    scan_asked,
    watch_patches,
)

STORE.remember(matching, "match")
STORE.remember(specimen, "build")
STORE.remember(pipeline, "measure_scan", scan_asked)
STORE.remember(pipeline, "measure_feet_in", files_asked)
remember_plans(STORE, planner)
STORE.remember(engraving, "fit_marks")
STORE.remember(part, "as_worn")
STORE.remember(build, "all_parts")
STORE.remember(readback_folder, "check", folder_asked)
STORE.remember(plan_view, "_placement")
STORE.remember(scan_picture, "scan_png")
remember_writers(STORE, contents)

POINTS = 16000

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # a shell lets what runs in the background ignore the keyboard's break, and all it starts too
    signal.signal(signal.SIGINT, signal.default_int_handler)


# tests know no workshop of whoever runs them
os.environ["SOLEWRIGHT_HOME"] = str(Path(__file__).parent / "no-workshop")
# what a test patches is patched in its own process only; tests of the second one take it away
os.environ["SOLEWRIGHT_ONE_PROCESS"] = "1"

LONG_FILES = (  # those of ten processor seconds or more, the longest first
    "desk/test_browser",
    "insole/readback/test_cut_faults",
    "desk/test_desk",
    "insole/test_folder",
    "test_main_job",
    "footscan/test_quality",
    "insole/readback/test_paper_faults",
    "insole/test_metatarsal",
    "insole/riding/test_trial",
    "insole/test_planner",
    "insole/test_support",
    "insole/test_contour",
    "insole/test_form",
    "test_front_door",
    "insole/readback/test_print_faults",
    "footscan/test_partial_feet",
    "footscan/test_pipeline",
    "footscan/test_specimen",
    "insole/test_bed_scan",
    "insole/test_parting",
    "insole/test_plan_seal",
    "insole/test_bench",
    "footscan/test_traced_outline",
    "insole/test_cutting",
)

# of the dear cases of one test every fifth one runs, all with --long or in a file alone
EVERY = 5
DEAR = re.compile(  # of these tests' cases, half a second or more each, every fifth runs
    r"::test_(fault_has_its_code_and_no_other|good_scan_has_no_finding|fault_is_found_and_sent_back"
    r"|impression_is_cut_out_of_its_block|side_and_up_of_a_sole_alone|few_points_are_enough"
    r"|leg_cut_low_is_a_foot|any_pose_and_unit_gives_the_same_foot|ripple_is_found_with"
    r"|a_foot_among_strays|an_unusual_foot_among_strays|a_foot_cut_low_is_not_fit"
    r"|a_turned_template_is_found|the_template_s_sole_alone_is_found|no_foot_is_refused"
    r"|sockets_lie_on_the_grid|a_pad_planned_again_finds|it_lies_clear_of_the_arch_pad"
    r"|step_file_is_the_wished_surface|top_of_the_mesh_is_the_wished|mesh_solid_and_quadrature"
    r"|unit_is_told_from_the_length|the_formula_is_found_again|a_pair_lies_on_its_sheets)"
)


def pytest_addoption(parser):
    """Add the option for what takes long."""
    parser.addoption("--long", action="store_true", help="also what is marked long, and all cases")
    parser.addoption("--anew", action="store_true", help="nothing is made once for several tests")


def pytest_configure(config):
    """Give the run a folder for what is made once."""
    if hasattr(config, "workerinput"):
        folder = config.workerinput["store"]
        STORE.folder = Path(folder) if folder else None
        return
    config.option.loadscopereorder = False  # the order is that of `pytest_collection_modifyitems`
    if not config.getoption("--anew"):
        STORE.folder = Path(tempfile.mkdtemp(prefix="solewright-tests-"))
        share_byte_code(STORE.folder / "byte code")


def share_byte_code(folder):
    """Let the processes of a run compile a module once, where none of them may keep byte code.

    Every second or third process of a test would else compile all libraries anew.
    """
    if sys.dont_write_bytecode and not Path(cache_from_source(np.__file__)).exists():
        sys.pycache_prefix, sys.dont_write_bytecode = str(folder), False
        os.environ["PYTHONPYCACHEPREFIX"] = str(folder)
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


STARTED: dict[str, float] = {}  # when a test was begun, in the process that shares them out
HUNG: list[str] = []


def pytest_runtest_logstart(nodeid):
    """Note when it was."""
    STARTED[nodeid] = time.monotonic()


@pytest.hookimpl(optionalhook=True)
def pytest_handlecrashitem(crashitem, report, sched):
    """Have a test that hung done again, once: a machine that stalls fails nobody's work.

    Where it hung stands on standard error. One whose process ended by itself has failed.
    """
    took = time.monotonic() - STARTED[crashitem]
    most = float(sched.config.getini("faulthandler_timeout"))
    if 0 < most <= took and crashitem not in HUNG:
        HUNG.append(crashitem)
        report.outcome = "passed"  # of no phase, so that it is not counted


def pytest_terminal_summary(terminalreporter):
    """Say which tests hung."""
    for name in HUNG:
        terminalreporter.write_line(f"hung, its process was ended, done again: {name}")


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node):
    """Let a worker use the same folder."""
    node.workerinput["store"] = str(STORE.folder) if STORE.folder else ""


def pytest_collection_finish(session):
    """Look for patches from here on: what pytest patched before stays so."""
    watch_patches(STORE)


def pytest_unconfigure(config):
    """Leave nothing behind."""
    if STORE.folder is not None and not hasattr(config, "workerinput"):
        shutil.rmtree(STORE.folder, ignore_errors=True)


def pytest_collection_modifyitems(config, items):
    """Skip what takes long, and some of the many dear cases of one test, unless all are asked."""
    order(items)
    if config.getoption("--long"):
        return
    skip = pytest.mark.skip(reason="takes long: --long runs it")
    few = pytest.mark.skip(reason="one of many cases: --long runs all, and naming one file does")
    alone = len(config.args) == 1 and ".py" in config.args[0]
    cases = {}
    for item in items:
        if item.get_closest_marker("long"):
            item.add_marker(skip)
        elif DEAR.search(item.nodeid):
            cases.setdefault(item.nodeid.partition("[")[0], []).append(item)
    for many in cases.values():
        for k, item in enumerate(many):
            if k % EVERY and not alone:
                item.add_marker(few)


def order(items):
    """Put the dearest files first, then those with the most tests: none is left for the end."""
    files = [item.nodeid.partition("::")[0] for item in items]
    count, place = Counter(files), {name: k for k, name in enumerate(dict.fromkeys(files))}
    rank = {f"tests/{name}.py": k for k, name in enumerate(LONG_FILES)}

    def key(item):
        name = item.nodeid.partition("::")[0]
        return rank.get(name, len(rank)), -count[name], place[name]

    items.sort(key=key)


@pytest.fixture
def anew():
    """Make everything anew, for tests that the same input gives the same result."""
    with STORE.closed():
        yield


@pytest.fixture(scope="session")
def data_dir() -> Path:
    folder = Path(__file__).resolve().parents[2] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip(f"the optional data folder {folder} is not there")
    return folder


@pytest.fixture(scope="session")
def right_specimen() -> Specimen:
    return specimen.build(Shape())


@pytest.fixture(scope="session")
def left_specimen() -> Specimen:
    return specimen.build(Shape(side=Side.LEFT))


@pytest.fixture(scope="session")
def clean_scan(right_specimen) -> Scan:
    return scanner.scan(right_specimen, ScannerSpec(points=POINTS), np.random.default_rng(1))


@pytest.fixture(scope="session")
def clean(clean_scan) -> MeasuredFoot:
    return pipeline.measure_scan(clean_scan, pipeline.Options(load=Load.HALF))


@pytest.fixture(scope="session")
def left(left_specimen) -> MeasuredFoot:
    scan = scanner.scan(left_specimen, ScannerSpec(points=POINTS), np.random.default_rng(1))
    return pipeline.measure_scan(scan, pipeline.Options(load=Load.HALF))


@pytest.fixture(scope="session")
def scan_with(right_specimen):
    """Return a function that scans the right specimen with the faults named."""

    def make(seed: int = 3, **faults) -> Scan:
        spec = ScannerSpec(**{"points": POINTS, **faults})
        return scanner.scan(right_specimen, spec, np.random.default_rng(seed))

    return make


@pytest.fixture(scope="session")
def filled(scan_with) -> MeasuredFoot:
    return pipeline.measure_scan(scan_with(sole="filled"), pipeline.Options(load=Load.HALF))


@pytest.fixture(scope="session")
def messy(scan_with) -> MeasuredFoot:
    """A scan with floor, strays, islands and noise, turned anyhow."""
    scan = scan_with(
        floor=45.0, strays=60, islands=2, noise=0.25, turn_deg=None, shift=None, seed=5
    )
    return pipeline.measure_scan(scan, pipeline.Options(load=Load.HALF))


@pytest.fixture(scope="session")
def hanging_specimen() -> Specimen:
    """A left foot in the air: high arch, forefoot in varus, coarse grid for speed."""
    return specimen.build(
        Shape(side=Side.LEFT, load=Load.NONE, arch_height=23.0, forefoot_deg=6.0, cell=2.0)
    )


@pytest.fixture(scope="session")
def flat_specimen() -> Specimen:
    """A standing foot with an arch of 3 mm."""
    return specimen.build(Shape(arch_height=3.0, cell=2.0))


@pytest.fixture(scope="session")
def hanging(hanging_specimen) -> MeasuredFoot:
    """The hanging foot scanned in inches, turned and moved anyhow."""
    spec = ScannerSpec(unit=Unit.INCH, turn_deg=None, shift=None)
    scan = scanner.scan(hanging_specimen, spec, np.random.default_rng(4))
    return pipeline.measure_scan(scan, pipeline.Options(load=Load.NONE))


@dataclass(frozen=True, kw_only=True, eq=False)
class Way:
    """Every stage's result for a scan whose rough pose is known, so that nothing is matched."""

    scan: Scan
    match: Match
    cleaned: Cleaned
    settled: Settled
    landmarks: dict[str, Landmark]
    measures: dict[str, Measure]
    report: ScanReport

    @property
    def codes(self) -> dict[str, Severity]:
        return {f.code: f.severity for f in self.report.findings}


@pytest.fixture(scope="session")
def known_pose():
    """Return a function that takes a specimen and faults through all stages but the matching.

    The rough pose is the scanner's own, turned 4 degrees off, as a match may be.
    """

    def make(of: Specimen, *, seed: int = 3, load: Load = Load.HALF, **faults) -> Way:
        asked = of, seed, load, faults
        return STORE.ask("known_pose", asked, lambda: anew(of, seed, load, faults))

    def anew(of: Specimen, seed: int, load: Load, faults: dict) -> Way:
        spec, side = ScannerSpec(**faults), of.shape.side
        scan = scanner.scan(of, spec, np.random.default_rng(seed)).scaled(spec.unit.mm)
        there = scanner.scanner_pose(side, spec, np.random.default_rng(seed))
        flip = np.diag([1.0, -1.0 if side is Side.LEFT else 1.0, 1.0])
        off = Rotation.from_euler("xyz", (2.0, 2.0, 3.0), degrees=True).as_matrix()
        match = Match(
            rotation=off @ (there[:3, :3] @ flip).T,
            origin=there[:3, 3].copy(),
            scale=of.truth.measures["foot_length"],
            side=side,
            cost=0.01,
        )
        cleaned = cleaning.clean(scan, match, cleaning.sketch(scan).floor)
        settled = pose.settle(cleaned, match, kind=None, load=load)
        found = landmarks.find(settled.foot, settled.cloud)
        values = measures.measure(settled.foot, settled.cloud, found)
        report = quality.inspect(settled, cleaned, values, quality.Evidence(load=load), scan, found)
        return Way(
            scan=scan,
            match=match,
            cleaned=cleaned,
            settled=settled,
            landmarks=found,
            measures=values,
            report=report,
        )

    return make


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Return a function that runs the command line: code, what it said, and what went wrong.

    What is `typed` is its standard input; without, a test may set one of its own.
    """

    def one(*arguments: object, typed: str | None = None) -> tuple[int, str, str]:
        if typed is not None:
            monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        capsys.readouterr()
        code = cli.main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return one
