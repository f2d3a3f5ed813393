"""A copy of the house in memory, one fault in it at a time, and tests run against it.

    with Copy() as copy:  copy.tried("insole/planning/cleat.py", text, tests, seconds) -> Outcome

Libraries are loaded once; each run is a fork of this process, so that only the house itself is
loaded anew. Nothing of the house may be imported by whoever calls. What tests make once and share
(`tests/store.py`) is kept from run to run as long as it stands on floors below the fault's.
"""

from __future__ import annotations

import compileall
import contextlib
import importlib
import os
import re
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PARTS = ("footscan", "insole", "tests", "sample_scans", "docs")
FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md", "constraints.txt")
LOADED = (  # what nearly every test asks for
    "numpy scipy.ndimage scipy.spatial scipy.interpolate scipy.optimize scipy.stats shapely "
    "pydantic manifold3d ezdxf ezdxf.filemanagement reportlab.platypus reportlab.pdfgen.canvas "
    "pypdfium2 matplotlib.textpath matplotlib.font_manager skimage.measure lxml.etree click "
    "lib3mf PIL.Image PIL.ImageDraw PIL.ImageFont filelock trimesh pytest xml.etree.ElementTree"
).split()

# what tests share, by the floor of the house that it is made on, lowest first
MADE_ON = (
    ("footscan/specimen", ("footscan.specimen.made_up.build",)),
    ("footscan/finding", ("footscan.finding.matching.match",)),
    ("footscan", ("footscan.pipeline.measure_scan", "footscan.pipeline.measure_feet_in")),
    ("insole/planning", ("insole.planning.planner.plan",)),
    (
        "insole/parts",
        ("insole.parts.part.as_worn", "insole.parts.build.all_parts", "insole.parts.engraving"),
    ),
)
UP_TO = {  # rooms, and how many of these floors a fault in them leaves alone
    "footscan/measuring": 2,
    "footscan/quality": 2,
    "footscan/sides": 2,
    "footscan/arch": 1,
    "footscan/checking": 3,
    "footscan": 0,
    "insole/shoe": 3,
    "insole/record": 3,
    "insole/planning": 3,
    "insole/trials": 4,
    "insole/parts": 4,
    "insole": 5,
}


def left_alone(file: str) -> tuple[str, ...]:
    """Return the names of shared things that a fault in a file does not change."""
    room = next(name for name in UP_TO if file.startswith(name))
    return tuple(name for _, names in MADE_ON[: UP_TO[room]] for name in names)


@dataclass(frozen=True, slots=True)
class Outcome:
    """How the tests ended: noticed, survived, slow or broken; by which test; processor seconds."""

    word: str
    by: str
    seconds: float


class Copy:
    """The house as it stands, in a folder of its own."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="faulty-", dir="/dev/shm"))
        hidden = shutil.ignore_patterns("__pycache__", "*.pyc")
        for name in PARTS:
            shutil.copytree(ROOT / name, self.folder / name, ignore=hidden)
        for name in FILES:
            shutil.copy(ROOT / name, self.folder)
        for name in ("footscan", "insole", "tests"):
            compileall.compile_dir(self.folder / name, quiet=2)
        self.shared = self.folder / "shared"
        self.shared.mkdir()
        (self.folder / "tmp").mkdir()
        for name in LOADED:
            with contextlib.suppress(ImportError):
                importlib.import_module(name)

    def __enter__(self) -> Copy:
        return self

    def __exit__(self, *error: object) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)

    def text(self, file: str) -> str:
        """Return a file of the house as it stands."""
        return (self.folder / file).read_text(encoding="utf-8")

    def tried(self, file: str, text: str, tests: Sequence[str], seconds: float) -> Outcome:
        """Run tests with a file's text replaced, and put it back."""
        path = self.folder / file
        before, stamp = path.read_bytes(), path.stat()
        path.write_text(text, encoding="utf-8")
        os.utime(path, (stamp.st_atime, stamp.st_mtime + 100 + time.monotonic() % 1000))
        try:
            return self.run(tests, seconds, left_alone(file))
        finally:
            for left in (self.folder / "tmp").iterdir():
                shutil.rmtree(left, ignore_errors=True)
            path.write_bytes(before)
            os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))

    def run(self, tests: Sequence[str], seconds: float, shared: tuple[str, ...] = ()) -> Outcome:
        """Run tests in a fork of this process, up to the first that fails."""
        began = time.monotonic()
        log = self.folder / "log.txt"
        process = os.fork()
        if not process:
            self._child(tests, log, shared)
        while True:
            done, status, used = os.wait4(process, os.WNOHANG)
            if done:
                break
            if time.monotonic() - began > seconds:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process, signal.SIGKILL)
                _, _, used = os.wait4(process, 0)
                return Outcome("slow", "", used.ru_utime + used.ru_stime)
            time.sleep(0.02)
        took = used.ru_utime + used.ru_stime
        code = os.waitstatus_to_exitcode(status)
        said = log.read_text(encoding="utf-8", errors="replace")
        failed = re.search(r"(?m)^(?:FAILED|ERROR) (.{1,240})", said)  # with what was wrong
        # 1: a test failed; 2: the house or its tests could not be loaded; 0: all passed
        word = {0: "survived", 1: "noticed", 2: "noticed"}.get(code, f"broken {code}")
        by = failed[1] if failed else said.strip()[-200:]
        return Outcome(word, by if word != "survived" else "", took)

    def _child(self, tests: Sequence[str], log: Path, shared: tuple[str, ...]) -> None:
        code = 70
        try:
            os.setpgid(0, 0)
            out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(out, 1)
            os.dup2(out, 2)
            os.chdir(self.folder)
            here = str(self.folder)
            others = [p for p in sys.path if Path(p or ".").resolve() != ROOT]
            sys.path[:] = [here, *(p for p in others if not p.startswith(str(ROOT)))]
            sys.dont_write_bytecode = True
            os.environ |= {"PYTHONPATH": here, "PYTHONDONTWRITEBYTECODE": "1"}
            tempfile.tempdir = str(self.folder / "tmp")
            os.environ["TMPDIR"] = tempfile.tempdir
            os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
            import pytest

            # whoever asks sets the time: a slow run beside others is no fault that was noticed
            how = ["-x", "-q", "--no-header", "--tb=line", "-o", "faulthandler_timeout=0"]
            plugins = [_Shared(self.shared, shared), _AsAsked(tests)]
            code = int(pytest.main([*how, *tests], plugins=plugins))
            loaded = sys.modules.get("footscan") or sys.modules.get("insole")
            if loaded is not None and not str(loaded.__file__).startswith(here):
                code = 71  # another house was tested
            sys.stdout.flush()
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)


def _store() -> Any:
    """Return what the tests share; nothing when none of them asks for it."""
    return getattr(sys.modules.get("tests.store"), "STORE", SimpleNamespace(folder=None))


class _AsAsked:
    """Runs tests in the order in which they were asked for, not the dearest files first."""

    def __init__(self, tests: Sequence[str]) -> None:
        self.tests = list(tests)

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        # registered before the tests' own conftest, and so called after it
        items.sort(key=lambda item: self._place(item.nodeid))

    def _place(self, name: str) -> int:
        asked = (k for k, one in enumerate(self.tests) if name == one or name.startswith(one))
        return next(asked, len(self.tests))


class _Shared:
    """Gives a run what earlier ones made, and keeps what it makes of it."""

    def __init__(self, folder: Path, names: tuple[str, ...]) -> None:
        self.folder, self.names = folder, names

    def pytest_collection_finish(self, session: object) -> None:
        store = _store()
        for path in self.folder.iterdir() if store.folder is not None else ():
            if path.name.startswith(self.names):
                os.link(path, store.folder / path.name)

    def pytest_sessionfinish(self, session: object) -> None:
        store = _store()
        for path in store.folder.iterdir() if store.folder is not None else ():
            whole = path.suffix != ".lock" and not path.name.rpartition(".")[2].isdigit()
            if whole and self.names and path.name.startswith(self.names):
                with contextlib.suppress(FileExistsError):
                    os.link(path, self.folder / path.name)
