"""Writes that are broken off, and two at once: old or new, never half; nothing stale afterwards.

    python tests/benchmarks/kill_study.py [--rounds 600] [--seed 1] [--make 6] [--operations 1000]

Each round forks a child that does one piece of work in a folder of its own and breaks it off:

    call     SIGKILL at the n-th call that changes files, as chance has it
    time     SIGKILL after a time within the work's own
    full     the n-th such call fails with "no space left on device", and all after it
    size     RLIMIT_FSIZE: a write beyond so many bytes fails
    reader   the folder belongs to somebody else and is read-only
    two      two children at once, with different content

Then what is on the disk must be the old state or the new one (read back by the program), the work
done again without fault must succeed, and no leftover may be there after it. `--make` kills whole
runs of make, with all files; `--operations` lets two processes work in one store at random.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import contextlib
import errno
import io
import json
import os
import resource
import signal
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

import numpy as np

from footscan.errors import FootscanError
from insole.desk.archive import take_in
from insole.desk.store import Draft, Home, Workshop
from insole.output import folder as output
from insole.output.contents import Item
from insole.record.limits import default_limits
from insole.record.plan import to_json
from insole.shoe import file as shoe_file
from insole.trials import cases, entry, trial
from insole.workflow import keeping, making, plans, riding
from tests.plans import sample_plan

CALLS = ("fsync", "replace", "rename", "link", "mkdir", "unlink", "rmdir")
LEFTOVERS = (".partial", ".making-", ".erased.", ".arriving.")
NOBODY = 65534
FLAGS = dict.fromkeys(("pain", "numbness", "tingling", "cramp", "slipping", "stuck"), "no")


def plan_of(version: int = 1) -> Any:
    return sample_plan().model_copy(
        update={"answers": {}, "case": "rider-7", "version": version, "date": "2026-05-01"}
    )


PLANS = {version: plan_of(version) for version in (1, 2, 3)}


def said_of(number: int) -> Any:
    return entry.Said(
        text="", answer="same", date=f"2026-05-{number:02}", flags=FLAGS, felt=["too high"]
    )


# ------------------------------------------------------------------ pieces of work


@dataclass(frozen=True)
class Work:
    """Set a folder up, do the work, and tell its state: "old", "new", or what is wrong."""

    setup: Callable[[Path], None]
    do: Callable[[Path, int], None]
    state: Callable[[Path, int], str]


def _nothing(base: Path) -> None:
    base.mkdir(exist_ok=True)


def _kept_if(path: Path, write: Callable[[], object]) -> None:
    """Write a file that is never replaced; a refusal since it is there already is as it should."""
    there = path.exists()
    try:
        write()
    except FootscanError:
        if not there:
            raise


def _with_case(base: Path) -> None:
    cases.keep(base / "home", PLANS[1])


def _save_plan(base: Path, which: int) -> None:
    plans.save_plan(PLANS[which], base / "plans")
    keeping.keep_plan(PLANS[which], base / "plans")


def _plan_state(base: Path, which: int) -> str:
    file = base / "plans" / f"rider-7-v{which}-plan.json"
    kept = base / "plans" / "rider-7" / "plans" / f"plan-{which:03}.json"
    for path in (file, kept):
        if path.exists() and path.read_text(encoding="utf-8") != to_json(PLANS[which]):
            return f"half: {path.name}"
    if (base / "plans" / "rider-7" / "case.json").exists():
        cases.open_case(base / "plans" / "rider-7")
    return "new" if file.exists() and kept.exists() else "old"


def _log_setup(base: Path) -> None:
    riding.log_trial(PLANS[1], said_of(1), base / "log.json")


def _log(base: Path, which: int) -> None:
    riding.log_trial(PLANS[1], said_of(1 + which), base / "log.json")


def _log_state(base: Path, which: int) -> str:
    found = [one.date for one in cases.read_log(base / "log.json")]
    return {1: "old", 2: "new"}.get(len(found), "new" if len(found) == 3 else f"half: {found}")


def _case_log(base: Path, which: int) -> None:
    riding.log_trial(PLANS[1], said_of(1 + which), base / "home")


def _case_log_state(base: Path, which: int) -> str:
    found = cases.open_case(base / "home" / "rider-7").trials()
    return "old" if not found else "new"


def _export(base: Path, which: int) -> None:
    path = base / "out.zip"
    _kept_if(path, lambda: cases.open_case(base / "home" / "rider-7").export(path))


def _export_state(base: Path, which: int) -> str:
    path = base / "out.zip"
    if not path.exists():
        return "old"
    with zipfile.ZipFile(path) as archive:
        return "new" if archive.testzip() is None and len(archive.namelist()) == 2 else "half"


def _import_setup(base: Path) -> None:
    _with_case(base)
    cases.open_case(base / "home" / "rider-7").export(base / "in.zip")
    Home(base / "desk")


def _import(base: Path, which: int) -> None:
    home = Home(base / "desk")
    home.sweep()
    if not (home.cases_folder / "rider-7").exists():
        take_in(home, base / "in.zip")


def _import_state(base: Path, which: int) -> str:
    folder = base / "desk" / "cases" / "rider-7"
    if not folder.exists():
        return "old"
    return "new" if cases.open_case(folder).versions() == [1] else "half"


def _desk_setup(base: Path) -> None:
    home = Home(base / "desk")
    home.create("rider-7").save(Draft(shoe="old.toml"))
    home.save_workshop(Workshop(kerf=0.0))


def _desk(base: Path, which: int) -> None:
    home = Home(base / "desk")
    home.sweep()
    home.case("rider-7").save(Draft(shoe=f"new{which}.toml", answers={"diabetes": "no"}))
    home.save_workshop(Workshop(kerf=0.1 * which))


def _desk_state(base: Path, which: int) -> str:
    home = Home(base / "desk")
    shoe, kerf = home.case("rider-7").draft().shoe, home.workshop().kerf
    if kerf not in (0.0, 0.1, 0.2, 0.1 * which) or shoe not in (
        "old.toml",
        "new1.toml",
        "new2.toml",
    ):
        return f"half: {shoe} {kerf}"
    return "new" if shoe == f"new{which}.toml" and kerf == 0.1 * which else "old"


def _shoe(base: Path, which: int) -> None:
    path = base / "shoes" / "s.toml"
    figures = {"inside.length": 278, "inside.ball_width": 96, "bed.drop": 14}
    _kept_if(path, lambda: shoe_file.write_new(path, "ours", figures))


def _shoe_state(base: Path, which: int) -> str:
    from insole.shoe import shoe

    path = base / "shoes" / "s.toml"
    return "new" if path.exists() and shoe.load(path).drop == 14 else "old"


def _answers(base: Path, which: int) -> None:
    path = base / "answers.toml"
    _kept_if(path, lambda: keeping.keep_answers(path, {"diabetes": "no"}, ""))


def _answers_state(base: Path, which: int) -> str:
    from insole.record import questions

    path = base / "answers.toml"
    if not path.exists():
        return "old"
    return "new" if questions.read(path)[0]["diabetes"] == "no" else "half"


def _erase(base: Path, which: int) -> None:
    folder = base / "home" / "rider-7"
    if folder.exists():
        cases.open_case(folder).erase("rider-7")
    else:
        cases.create(base / "home", "other")  # the next case sweeps what was broken off
        cases.open_case(base / "home" / "other").erase("other")


def _erase_state(base: Path, which: int) -> str:
    folder = base / "home" / "rider-7"
    if not folder.exists():
        return "new"
    return "old" if cases.open_case(folder).plan(1) == PLANS[1] else "half"


def _scanner(base: Path, which: int) -> None:
    from datetime import date

    from footscan.checking import log_file
    from footscan.checking.entry import Entry

    log_file.append(
        base / "log.csv",
        Entry(
            date=date(2026, 5, which),
            scanner="north",
            artefact="ball",
            diameter_mm=50.0,
            spacing_mm=None,
            measured_diameter_mm=50.0,
            measured_spacing_mm=None,
            size_error_mm=0.0,
            form_error_mm=0.1,
            spacing_error_mm=None,
            flatness_error_mm=None,
            scale_factor=1.0,
            scale_sd=1e-4,
            not_passed="",
            scan="a.ply",
            software="1",
        ),
    )


def _scanner_state(base: Path, which: int) -> str:
    from footscan.checking import log_file

    if not (base / "log.csv").exists():
        return "old"
    return "new" if log_file.read(base / "log.csv") else "old"


def _light(name: str, size: int) -> Item:
    def write(path: Path) -> None:
        from footscan.files import write_whole

        write_whole(path, name.encode() * size)

    return Item(path=name, write=write, check=lambda paths: None)


def _folder(base: Path, which: int) -> None:
    writers = [_light(f"cut/part-{k}.dxf", 4000) for k in range(6)]
    with contextlib.redirect_stdout(io.StringIO()):
        output.write(PLANS[which], [], base / "parts", writers=writers)


def _folder_state(base: Path, which: int) -> str:
    from insole.output.publishing import check_folder

    folder = base / "parts" / f"rider-7-v{which}"
    if not folder.exists():
        return "old"
    faults = check_folder(folder)
    return f"half: {faults[0]}" if faults else "new"


WORKS = {
    "plan": Work(_nothing, _save_plan, _plan_state),
    "trial in a file": Work(_log_setup, _log, _log_state),
    "trial in a case": Work(_with_case, _case_log, _case_log_state),
    "case export": Work(_with_case, _export, _export_state),
    "case import": Work(_import_setup, _import, _import_state),
    "desk saves": Work(_desk_setup, _desk, _desk_state),
    "shoe": Work(_nothing, _shoe, _shoe_state),
    "answers": Work(_nothing, _answers, _answers_state),
    "erase": Work(_with_case, _erase, _erase_state),
    "scanner log": Work(_nothing, _scanner, _scanner_state),
    "made folder": Work(_nothing, _folder, _folder_state),
}


# ------------------------------------------------------------------ faults


def _at_call(n: int, act: Callable[[], None]) -> None:
    """Have `act` come before the n-th call that changes files, and before every later one."""
    count = [0]
    for name in CALLS:
        real = getattr(os, name)

        def wrapped(*args: Any, real: Any = real, **kwargs: Any) -> Any:
            count[0] += 1
            if count[0] >= n:
                act()
            return real(*args, **kwargs)

        setattr(os, name, wrapped)


def _full() -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def child(work: Work, base: Path, which: int, fault: str, n: int) -> int:
    """Fork a child that does the work with a fault; return its id. Its exit says how it went."""
    sys.stdout.flush()
    process = os.fork()
    if process:
        return process
    code = 0
    try:
        with open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), 2)
        if fault == "call":
            _at_call(n, lambda: os.kill(os.getpid(), signal.SIGKILL))
        elif fault == "full":
            _at_call(n, _full)
        elif fault == "size":
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (n, n))
        elif fault == "reader":
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        work.do(base, which)
    except FootscanError:
        code = 3
    except OSError as error:
        code = 50 if fault in ("full", "size", "reader") else 70
        if os.environ.get("SHOW"):
            print(repr(error))
    except BaseException as error:
        if os.environ.get("SHOW"):
            print(repr(error))
        code = 70
    os._exit(code)


def ended(process: int) -> int:
    """Return how a child ended: its exit code, or minus the signal."""
    _, status = os.waitpid(process, 0)
    return os.waitstatus_to_exitcode(status)


def leftovers(base: Path) -> list[str]:
    return [
        str(path.relative_to(base))
        for path in base.rglob("*")
        if any(mark in path.name for mark in LEFTOVERS)
    ]


def one_round(name: str, fault: str, rng: np.random.Generator, took: dict[str, float]) -> str:
    """Return what a round showed: "old" or "new", or a sentence that begins with "bad"."""
    work = WORKS[name]
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder) / "b"
        base.mkdir()
        work.setup(base)
        first = 1
        if fault == "two":
            both = [child(work, base, which, "", 0) for which in (1, 2)]
            codes = [ended(process) for process in both]
            if any(code not in (0, 3) for code in codes):
                return f"bad: two at once ended in {codes}"
            states = [work.state(base, which) for which in (1, 2)]
            whole = "new" in states or name == "desk saves"  # two files: one each may have won
            if any(s.startswith("half") for s in states) or not whole:
                return f"bad: two at once left {states}, {codes}"
            found = "new"
        else:
            n = (
                int(rng.integers(1, 26))
                if fault in ("call", "full")
                else int(rng.choice([0, 1, 50, 400, 3000, 30_000, 200_000]))
            )
            if fault == "reader":
                os.chmod(folder, 0o755)
                for path in (base, *base.rglob("*")):
                    path.chmod(0o555 if path.is_dir() else 0o444)
            began = time.monotonic()
            process = child(work, base, first, fault, n)
            if fault == "time":
                time.sleep(float(rng.uniform(0, took.get(name, 0.2))))
                with contextlib.suppress(ProcessLookupError):
                    os.kill(process, signal.SIGKILL)
            code = ended(process)
            took[name] = max(took.get(name, 0.05), min(time.monotonic() - began, 2.0))
            if code in (70, 50) or (code < 0 and code != -signal.SIGKILL):
                return f"bad: ended in {code}"  # 50: an error that no sentence was made of
            try:
                found = work.state(base, first)
            except FootscanError as error:
                return f"bad: {error}"
            if found.startswith("half") or (code == 3 and found == "new" and fault != "full"):
                return f"bad: {found} after exit {code}"
            if code == 0 and found != "new":
                return f"bad: exit 0 but {found}"
            if fault == "reader":
                for path in (base, *base.rglob("*")):
                    path.chmod(0o755 if path.is_dir() else 0o644)
        try:  # again, without a fault: nothing may stand in the way
            began = time.monotonic()
            if name.startswith("trial") or name == "scanner log":
                work.do(base, 3)
            elif fault != "two":
                work.do(base, first)
            elif name == "desk saves":
                work.do(base, 1)
            if time.monotonic() - began > 4.0 and name != "made folder":
                return "bad: something stale held it up"
        except FootscanError as error:
            return f"bad: not again: {error}"
        if work.state(base, first) != "new" and fault != "two" and not name.startswith("trial"):
            return f"bad: {work.state(base, first)} after it was done again"
        if left := leftovers(base):
            return f"bad: left behind: {left[:3]}"
        return found


def faults(rounds: int, seed: int) -> int:
    rng = np.random.default_rng(seed)
    kinds = ["call", "call", "time", "full", "size", "two"] + ["reader"] * (os.getuid() == 0)
    took: dict[str, float] = {}
    count: Counter[tuple[str, str]] = Counter()
    bad = 0
    for number in range(rounds):
        name = list(WORKS)[number % len(WORKS)]
        fault = kinds[number // len(WORKS) % len(kinds)]
        found = one_round(name, fault, rng, took)
        count[fault, found.partition(":")[0]] += 1
        if found.startswith("bad"):
            bad += 1
            print(f"  round {number}, {name}, {fault}: {found}", flush=True)
    for (fault, found), n in sorted(count.items()):
        print(f"  {fault:8} {found:6} {n}")
    print(f"{rounds} faults over {len(WORKS)} kinds of work: {bad} bad")
    return bad


# ------------------------------------------------------------------ whole runs of make


def makes(count: int, seed: int) -> int:
    """Kill whole runs of make at random moments; a last one must succeed and sweep."""
    from insole.output.publishing import check_folder

    rng = np.random.default_rng(seed)
    plan = plan_of()
    bad = 0
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "parts"
        took = 0.0
        for number in range(count + 1):
            sys.stdout.flush()
            began = time.monotonic()
            process = os.fork()
            if not process:
                try:
                    making.make(plan, out)
                    os._exit(0)
                except BaseException:
                    os._exit(70)
            if number and number < count:
                time.sleep(float(rng.uniform(0, took)))
                with contextlib.suppress(ProcessLookupError):
                    os.kill(process, signal.SIGKILL)
            code = ended(process)
            made = out / "rider-7-v1"
            if number == 0:
                took = time.monotonic() - began
                if code != 0 or check_folder(made):
                    print(f"  make: exit {code}")
                    return 1
                import shutil

                shutil.rmtree(out)
            elif made.exists():
                if check_folder(made):
                    bad += 1
                    print(f"  make {number}: half a folder")
                elif number < count:
                    import shutil

                    shutil.rmtree(made)
        if code != 0 or leftovers(out) or not (out / "rider-7-v1").exists():
            bad += 1
            print(f"  the last make: exit {code}, left {leftovers(out)[:3]}")
    print(f"make, {took:.0f} s each, killed {count - 1} times: {bad} bad")
    return bad


# ------------------------------------------------------------------ two processes in one store


def operations(count: int, seed: int) -> int:
    """Let two processes do random work in one store; sentences are allowed, faults are not."""
    with tempfile.TemporaryDirectory() as folder:
        home = Home(Path(folder) / "home")
        names = ["anna-1", "bert-2", "cleo-3"]
        limits = default_limits()

        def lane(k: int) -> tuple[int, int]:
            rng = np.random.default_rng([seed, k])
            done = refused = 0
            for number in range(count // 2):
                name = names[int(rng.integers(0, 3))]
                try:
                    match int(rng.integers(0, 8)):
                        case 0:
                            home.create(name, opened="2026-05-01")
                        case 1:
                            case = home.case(name)
                            plan = PLANS[1].model_copy(
                                update={"case": name, "version": case.next_version()}
                            )
                            case.case.add_plan(plan)
                        case 2:
                            case = home.case(name).case
                            if versions := case.versions():
                                log = case.trials()
                                case.add_trial(
                                    trial.judge(
                                        case.plan(versions[-1]), said_of(5), log, limits=limits
                                    )
                                )
                        case 3 | 4:
                            home.case(name).save(Draft(shoe=f"{k}-{number}.toml"))
                            assert home.case(name).draft().shoe.endswith(".toml")
                        case 5:
                            home.rows()
                        case 6:
                            target = Path(folder) / f"{k}-{number}.zip"
                            home.case(name).case.export(target)
                            with zipfile.ZipFile(target) as archive:
                                assert archive.testzip() is None
                            target.unlink()
                        case _:
                            if rng.random() < 0.3:
                                home.erase(name, name)
                            else:
                                home.save_workshop(Workshop(kerf=float(rng.integers(0, 5))))
                                home.workshop()
                    done += 1
                except FootscanError:
                    refused += 1
            return done, refused

        children = []
        for k in range(2):
            read, write = os.pipe()
            sys.stdout.flush()
            process = os.fork()
            if not process:
                try:
                    answer: Any = lane(k)
                except BaseException as error:
                    import traceback

                    answer = f"{type(error).__name__}: {error} {traceback.format_exc()[-600:]}"
                os.write(write, json.dumps(answer).encode())
                os._exit(0)
            os.close(write)
            children.append((process, read))
        bad = 0
        for process, read in children:
            with os.fdopen(read) as pipe:
                answer = json.loads(pipe.read())
            ended(process)
            print(f"  a process: {answer}")
            bad += isinstance(answer, str)
        for case in cases.cases(home.cases_folder):
            for version in case.versions():
                case.plan(version)
            case.trials()
        home.sweep()
        if left := leftovers(home.folder):
            bad += 1
            print(f"  left behind: {left}")
    print(f"{count} operations by two processes: {bad} bad")
    return bad


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--make", type=int, default=0)
    parser.add_argument("--operations", type=int, default=1000)
    args = parser.parse_args()
    bad = faults(args.rounds, args.seed)
    bad += operations(args.operations, args.seed) if args.operations else 0
    bad += makes(args.make, args.seed) if args.make else 0
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
