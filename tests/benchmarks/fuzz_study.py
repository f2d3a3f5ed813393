"""Spoilt input into every reader: each gives its content or one sentence, in 10 s and 2 GB.

    python tests/benchmarks/fuzz_study.py [--inputs 20000] [--seed 1] [--kinds ply,plan] [--only N]
    python tests/benchmarks/fuzz_study.py --places       FIFO, devices, links, sparse 3 GB, names
    python tests/benchmarks/fuzz_study.py --options 300  wild option values
    python tests/benchmarks/fuzz_study.py --commands 60  the command line itself, on spoilt files:
                 3 s each on a quiet core; --minutes 2 ends them then and says how many were tried

The readers run in worker processes of this one; a worker may take 2 GB more than it began with
(RLIMIT_AS) and 10 s for one input, else it is ended and the input counted. Seconds are those of
the worker's processor, so that other work on the machine does not matter; 60 s by the clock end
what waits. Anything raised but a
`FootscanError` of one printable line counts as unexpected, a warning too. Input N of a seed is the
same every time: `--only N` runs it alone and lets its error through.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import contextlib
import io
import multiprocessing
import os
import resource
import stat
import subprocess
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parent)]

import numpy as np
from fuzz_good import ENDINGS, KINDS, ROOT, SCANS, good_files
from fuzz_makers import spoil
from fuzz_readers import Reader, readers

from footscan.errors import FootscanError

SECONDS, BLOCKED, BYTES = 10.0, 60.0, 2 * 2**30
WORKERS = 2
LONGEST_SENTENCE = 1500


# ------------------------------------------------------------------ what reads


def outcome(read: Reader, path: Path) -> str:
    """Return how a reading went: read, refused, or what was unexpected."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.filterwarnings("ignore", category=DeprecationWarning)
            read(path)
    except FootscanError as error:
        text = str(error)
        if not text or len(text) > LONGEST_SENTENCE or not text.isprintable():
            return f"unexpected: bad sentence of {len(text)}: {text[:150]!r}"
        return "refused"
    except MemoryError:
        return "unexpected: MemoryError"
    except Exception as error:
        return f"unexpected: {type(error).__name__}: {str(error)[:150]!r}"
    return "read"


# ------------------------------------------------------------------ workers with limits


def _limit_memory() -> None:
    """Let this process take so much more address space, and no more."""
    now = int(Path("/proc/self/statm").read_text("utf-8").split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (now + BYTES, now + BYTES))


def _used(process: int) -> float:
    """Return the processor's seconds that a process took so far."""
    with contextlib.suppress(OSError):
        fields = Path(f"/proc/{process}/stat").read_text("utf-8").rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return 0.0


def _work(
    job: Callable[[int, Path], str], todo: range, at: Any, since: Any, used: Any, pipe: Any
) -> None:
    """Run the inputs of a range; say each outcome with its seconds and the memory so far."""
    _limit_memory()
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        for number in todo:
            at.value, since.value = number, time.monotonic()
            used.value = time.process_time()
            began = time.process_time()
            result = job(number, Path(folder))
            took = time.process_time() - began
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
            since.value = 0.0
            pipe.send((number, result, took, peak))
    pipe.send(None)


def run(job: Callable[[int, Path], str], count: int) -> Iterator[tuple[int, str, float, int]]:
    """Yield number, outcome, seconds and peak MB for each input, hangs and deaths among them."""
    fork = multiprocessing.get_context("fork")
    share = -(-count // WORKERS)
    lanes = []

    def start(todo: range) -> dict[str, Any]:
        ours, theirs = fork.Pipe(duplex=False)
        at, since, used = fork.Value("l", todo.start), fork.Value("d", 0.0), fork.Value("d", 0.0)
        process = fork.Process(target=_work, args=(job, todo, at, since, used, theirs))
        process.start()
        theirs.close()
        return {
            "process": process,
            "pipe": ours,
            "at": at,
            "since": since,
            "used": used,
            "todo": todo,
        }

    for k in range(WORKERS):
        todo = range(k * share, min((k + 1) * share, count))
        if len(todo):
            lanes.append(start(todo))
    while lanes:
        for lane in list(lanes):
            verdict = None
            try:
                while lane["pipe"].poll(0.02):
                    said = lane["pipe"].recv()
                    if said is None:
                        lane["process"].join()
                        lanes.remove(lane)
                        break
                    yield said
                else:
                    began = lane["since"].value
                    took = _used(lane["process"].pid) - lane["used"].value
                    if began and (took > SECONDS or time.monotonic() - began > BLOCKED):
                        lane["process"].kill()
                        verdict = "hang"
            except EOFError:
                verdict = "died"
            if verdict:
                lane["process"].join()
                number = lane["at"].value
                yield number, f"unexpected: {verdict}", SECONDS, 0
                lanes.remove(lane)
                rest = range(number + 1, lane["todo"].stop)
                if len(rest):
                    lanes.append(start(rest))


def tell(results: Iterator[tuple[int, str, float, int]], name_of: Callable[[int], str]) -> int:
    """Print counts, the slowest input and every unexpected outcome; return how many of these."""
    counts: Counter[str] = Counter()
    bad: dict[str, list[int]] = {}
    slowest, peak = (0.0, 0), 0
    for number, result, took, memory in results:
        counts[result.partition(":")[0]] += 1
        slowest, peak = max(slowest, (took, number)), max(peak, memory)
        if result.startswith("unexpected"):
            kind = f"{name_of(number)}: {result}"
            if kind not in bad:
                print(f"  {number} {kind}", flush=True)
            bad.setdefault(kind, []).append(number)
    print(f"{sum(counts.values())} inputs: {dict(counts)}")
    print(
        f"slowest {slowest[0]:.2f} s (input {slowest[1]}, {name_of(slowest[1])}); "
        f"largest worker {peak} MB resident"
    )
    for kind, numbers in sorted(bad.items(), key=lambda item: -len(item[1])):
        print(f"  {len(numbers)} x {kind}, such as {numbers[:4]}")
    return sum(map(len, bad.values()))


# ------------------------------------------------------------------ the studies


def spoilt(
    number: int, seed: int, kinds: tuple[str, ...], good: dict[str, bytes]
) -> tuple[str, str, bytes]:
    """Return kind, way and bytes of an input."""
    rng = np.random.default_rng([seed, number])
    kind = kinds[number % len(kinds)]
    way, data = spoil(kind, good[kind], rng)
    return kind, way, data


def files(args: argparse.Namespace) -> int:
    kinds = tuple(args.kinds.split(",")) if args.kinds else KINDS
    good, read = good_files(), readers()
    with tempfile.TemporaryDirectory() as folder:
        for kind in kinds:  # a good file must be read, else nothing is tested
            path = Path(folder) / f"good.{ENDINGS.get(kind, kind)}"
            path.write_bytes(good[kind])
            found = outcome(read[kind], path)
            if found != "read" and kind not in ("desk",):
                print(f"the good {kind} is {found}")

    def job(number: int, folder: Path) -> str:
        kind, _, data = spoilt(number, args.seed, kinds, good)
        ending = ENDINGS.get(kind, kind)
        if number % 29 == 0:  # a wrong ending
            ending = ("ply", "stl", "txt", "json", "3mf", "off")[number // 29 % 6]
        path = folder / f"input.{ending}"
        path.write_bytes(data)
        try:
            return outcome(read[kind], path)
        finally:
            path.unlink(missing_ok=True)

    def name_of(number: int) -> str:
        return f"{kinds[number % len(kinds)]} {spoilt(number, args.seed, kinds, good)[1]}"

    if args.only is not None:
        kind, way, data = spoilt(args.only, args.seed, kinds, good)
        path = Path(tempfile.mkdtemp()) / f"input.{ENDINGS.get(kind, kind)}"
        path.write_bytes(data)
        print(kind, way, len(data), path)
        read[kind](path)
        return 0
    return tell(run(job, args.inputs), name_of)


def places(args: argparse.Namespace) -> int:
    """Files that are none, in the place of every kind: none is waited for or read to its end."""
    good, read = good_files(), readers()
    base = Path(tempfile.mkdtemp())
    moved = {"case_json", "trial_json", "desk", "workshop"}  # these move what they are given

    def put(kind: str, what: str) -> Path:
        folder = base / f"{kind}-{what}".replace("/", "_").replace(" ", "_")
        folder.mkdir()
        path = folder / f"input.{ENDINGS.get(kind, kind)}"
        match what:
            case "fifo":
                os.mkfifo(path)
            case "/dev/zero" | "/dev/random" | "/nowhere":
                path.symlink_to(what)
            case "link to itself":
                path.symlink_to(path)
            case "link to a good file":
                (folder / "good").write_bytes(good[kind])
                path.symlink_to(folder / "good")
            case "folder":
                path.mkdir()
            case "empty":
                path.touch()
            case "3 GB of nothing":
                with path.open("wb") as file:
                    file.truncate(3 * 2**30)
            case "390 MB of nothing":
                with path.open("wb") as file:
                    file.truncate(390 * 10**6)
            case "unreadable":
                path.write_bytes(good[kind])
                path.chmod(0)
            case "long name":
                path = folder / ("x" * 240 + path.suffix)
                path.write_bytes(good[kind])
            case "odd name":
                path = folder / f"in\u202eput\x07{path.suffix}"
                path.write_bytes(good[kind])
            case "bytes name":
                path = Path(
                    os.fsdecode(os.fsencode(folder) + b"/in\xff\xfe" + os.fsencode(path.suffix))
                )
                path.write_bytes(good[kind])
            case "socket":
                import socket

                with socket.socket(socket.AF_UNIX) as one, contextlib.chdir(folder):
                    one.bind(path.name)
        return path

    whats = (
        "fifo",
        "/dev/zero",
        "/dev/random",
        "/nowhere",
        "link to itself",
        "folder",
        "empty",
        "link to a good file",
        "3 GB of nothing",
        "390 MB of nothing",
        "unreadable",
        "long name",
        "odd name",
        "bytes name",
        "socket",
    )
    wanted = [(kind, what) for kind in KINDS for what in whats]

    def job(number: int, folder: Path) -> str:
        kind, what = wanted[number]
        path = put(kind, what)
        try:
            return outcome(read[kind], path)
        finally:
            if kind not in moved and not stat.S_ISDIR(os.lstat(path).st_mode):
                path.unlink()

    return tell(run(job, len(wanted)), lambda number: " ".join(wanted[number]))


VALUES = (
    "nan",
    "inf",
    "-inf",
    "-1",
    "0",
    "1e-9",
    "1e-320",
    "1e308",
    "1e999",
    "99999999999999999999",
    "",
    " ",
    "left=",
    "left=nan",
    "=1",
    "up=1",
    "left=left=1",
    "1,2",
    "1,2,3",
    "nan,0",
    "1e6",
    "-1e6",
    "١٢",
    "0x10",
    "1_0",
    "right=-45",
    "abc",
    "a\u202eb",
    "a\x01b",
    "猫",
    "../../x",
    "CON",
    "x" * 5000,
    "1;2;3;4",
    ";;;",
    "=1+1",
    "0.5",
    "200",
    "-200",
    "/dev/zero",
    "2999-01-01",
    "2026-02-30",
    "diabetes=maybe",
    "pain=yes",
    "mth1=1,2",
    "mth1=nan,0,0",
    "mth1=9e9,0,0",
    "9:mth1=1,2,3",
    "heel=-3",
    "220x0",
    "nanxnan",
    "1e9x1e9",
    "220",
    "-5x-5",
)


def options(args: argparse.Namespace) -> int:
    """Wild values for every option of every command, in process; scans are measured once.

    A value that is allowed is planned or made with, which takes longer than reading: a minute.
    """
    global SECONDS, BLOCKED
    SECONDS, BLOCKED = 60.0, 300.0
    from insole import cli
    from insole.workflow import processes

    measured, kept = processes.measure_feet_in, {}
    left, right = (str(ROOT / "sample_scans" / f"larch_{side}.ply") for side in ("left", "right"))
    shoe = str(ROOT / "sample_scans" / "shoe.toml")

    def remembered(paths: Any, given: Any) -> Any:
        key = (tuple(map(str, paths)), repr(given))
        if key not in kept:
            kept[key] = measured(paths, given)
        return kept[key]

    processes.measure_feet_in = remembered
    base = Path(tempfile.mkdtemp())
    plans = base / "plans"
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        assert (
            cli.main(
                ["plan", left, right, "--shoe", shoe, "--case", "rider-7", "--out", str(plans)]
            )
            == 0
        )
    plan = str(next(plans.glob("*-plan.json")))
    starts = {
        "check": [left],
        "measure": [left],
        "plan": [left, "--shoe", shoe],
        "fit": [left, "--shoe", shoe],
        "settle": [left, "--standing", left],
        "shoe": ["new", str(base / "new.toml")],
        "questions": [],
        "make": [plan, "--thick-edges-checked"],
        "trial": [plan, "--on", "2026-05-01", "--same", "--no-red-flags"],
        "case": [str(plans)],
        "compare": [left, right],
        "artefact": [left],
        "bar": ["--material", "wedge-tpu"],
    }
    wanted = []
    for name, command in sorted(cli.cli.commands.items()):
        if name not in starts:
            continue
        one = getattr(command, "commands", {}).get("new", command) if name == "shoe" else command
        for parameter in one.params:
            if parameter.opts[0].startswith("--") and not getattr(parameter, "is_flag", False):
                wanted += [(name, parameter.opts[0], value) for value in VALUES]
    rng = np.random.default_rng(args.seed)
    chosen = rng.permutation(len(wanted))[: args.options]

    def job(number: int, folder: Path) -> str:
        name, option, value = wanted[chosen[number]]
        out = ["--out", str(folder / f"out{number}")] if name in ("plan",) else []
        if name == "make" or (name == "bar" and option != "--out"):
            out = ["--out", str(folder / (f"out{number}" if name == "make" else "bar.3mf"))]
        if name == "trial" and option != "--log":
            out = ["--log", str(folder / f"log{number}.json")]
        err = io.StringIO()
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(err):
            with contextlib.chdir(folder):
                code = cli.main([name, *starts[name], *out, option, value])
        text = err.getvalue()
        if code in (70, 1) or "Traceback" in text or "Warning" in text:
            return f"unexpected: exit {code}: {text.strip()[-200:]!r}"
        return f"exit {code}"

    return tell(run(job, len(chosen)), lambda number: " ".join(wanted[chosen[number]])[:80])


def commands(args: argparse.Namespace) -> int:
    """The command line as a process of its own, on spoilt files and on scans of no foot."""
    good = good_files()
    rng = np.random.default_rng(args.seed)
    sample = ROOT / "sample_scans"
    left = str(sample / "larch_left.ply")
    base = Path(tempfile.mkdtemp())
    uses = {
        **{kind: ["check", "FILE"] for kind in SCANS},
        "shoe": ["plan", left, "--shoe", "FILE"],
        "limits": ["plan", left, "--limits", "FILE"],
        "kit": ["plan", left, "--kit", "FILE"],
        "materials": ["bar", "--material", "wedge-tpu", "--materials", "FILE", "--out", "b.3mf"],
        "answers": ["plan", left, "--answers", "FILE"],
        "plan": ["make", "FILE"],
        "log": ["trial", "--show", "FILE"],
        "by_hand": ["measure", left, "--by-hand", "FILE"],
        "scanner_log": ["check", left, "--scanner-log", "FILE"],
        "case_json": ["case", "."],
    }
    kinds = sorted(uses)

    def clouds(number: int) -> bytes:
        """Points that are a file but no foot."""
        n = int(rng.choice([100, 3000, 20_000]))
        points = rng.normal(size=(n, 3)) * 10.0 ** rng.integers(-3, 6)
        match number % 5:
            case 0:
                points[:, 2] = 0.0
            case 1:
                points[:] = points[0]
            case 2:
                points[:, 1:] = 0.0
            case 3:
                points[: n // 2] += 1e6
        return "\n".join(" ".join(map(str, p)) for p in points).encode()

    unexpected, slowest, count = 0, (0.0, ""), Counter()
    ends = time.monotonic() + 60.0 * args.minutes
    for number in range(args.commands):
        if time.monotonic() > ends:
            print(f"  ended after {args.minutes:g} minutes: {args.commands - number} not tried")
            break
        if number and number % 25 == 0:
            print(f"  {number} tried", flush=True)
        kind = kinds[number % len(kinds)]
        way, data = spoil(kind, good[kind], rng)
        arguments = list(uses[kind])
        if number % 4 == 3:
            kind, way, data, arguments = "xyz", "a cloud", clouds(number), ["measure", "FILE"]
        folder = base / str(number)
        folder.mkdir()
        path = folder / ("case.json" if kind == "case_json" else f"f.{ENDINGS.get(kind, kind)}")
        path.write_bytes(data)
        began = time.monotonic()
        try:
            done = subprocess.run(
                [
                    sys.executable,
                    "-m",
                    "insole.cli",
                    *(str(path) if word == "FILE" else word for word in arguments),
                ],
                cwd=folder,
                capture_output=True,
                timeout=60,
                check=False,
                env=os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
            )
            code, text = done.returncode, done.stderr.decode(errors="replace")
        except subprocess.TimeoutExpired:
            code, text = -9, "hang"
        took = time.monotonic() - began
        slowest = max(slowest, (took, f"{number} {kind} {way}"))
        count[code] += 1
        if code not in (0, 2, 3, 4, 5, 10, 20) or "Traceback" in text or "Warning" in text:
            unexpected += 1
            said = text.strip()[-200:]
            print(f"  {number} {kind} {way}: exit {code}: {said!r} ({path})", flush=True)
    print(
        f"{count.total()} commands: exits {dict(count)}; slowest {slowest[0]:.1f} s ({slowest[1]})"
    )
    return unexpected


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default="")
    parser.add_argument("--only", type=int)
    parser.add_argument("--places", action="store_true")
    parser.add_argument("--options", type=int, default=0)
    parser.add_argument("--commands", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="of --commands")
    args = parser.parse_args()
    study = (
        places if args.places else options if args.options else commands if args.commands else files
    )
    bad = study(args)
    print(f"{bad} unexpected")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
