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
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

import numpy as np
from kill_works import PLANS, WORKS, Work, plan_of, said_of

from footscan.errors import FootscanError
from insole.desk.store import Draft, Home, Workshop
from insole.record.limits import default_limits
from insole.trials import cases, trial
from insole.workflow import making

CALLS = ("fsync", "replace", "rename", "link", "mkdir", "unlink", "rmdir")
LEFTOVERS = (".partial", ".making-", ".erased.", ".arriving.")
NOBODY = 65534


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
        with open(os.devnull, "w", encoding="utf-8") as nowhere:
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
