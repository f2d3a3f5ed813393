"""How well outlines are found in made-up photographs, and how well bad ones are refused.

    python tests/benchmarks/trace_study.py [--usable 240] [--faulty 120] [--seed N] [--keep DIR]
        [--go-on | --known]

Must show: at least 98 % of usable photographs found and right (side told, length and breadth
within 2.5 mm of the foot), 95 % of lengths and breadths within 1.5 mm, at least 98 % of unusable
ones refused for the right reason, never a wrong side. Prints one line for what fails, then the
figures; exit code 1 when one of them is missed. With ``--go-on`` a run that was stopped keeps what
it judged before; photographs are kept anyway. With ``--known`` it only says what it knows.
"""

from __future__ import annotations

import argparse
import io
import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from shapely import Polygon
from trace_scenes import FAULTS, Scene, feet, pixels, scene

from footscan.outline import trace
from footscan.outline.closed import runs
from footscan.outline.errors import OutlineError
from footscan.outline.gaps import LIMIT_MM, place_of
from footscan.outline.photo import read
from footscan.outline.sheet import LEAST_PX_PER_MM
from footscan.specimen import camera
from footscan.specimen.drawn import STEP_MM

NAMES = (
    "foot_length",
    "foot_breadth",
    "foot_breadth_diagonal",
    "heel_to_ball_length",
    "outside_ball_length",
    "heel_breadth",
    "heel_breadth_max",
)
CLOSE_MM, RIGHT_MM = 1.5, 2.5


def picture(of: Scene, path: Path) -> None:
    """Write the photograph unless it is there."""
    if not path.is_file():
        buffer = io.BytesIO()
        Image.fromarray(pixels(of)).save(buffer, "JPEG", quality=of.quality)
        path.write_bytes(buffer.getvalue())


def fineness(of: Scene, path: Path) -> float:
    """Return how many pixels of the picture a millimetre of the sheet has in the middle, truly.

    Few riders send the camera's own file: what a messenger made small may show too little,
    whatever else is wrong with it, and has to be refused for that.
    """
    corners = camera.corners(of.sheet, of.shot)
    with Image.open(path) as picture:
        shrunk = max(picture.size) / max(of.shot.pixels)
    u, v = of.sheet.size
    return shrunk * float(np.sqrt(Polygon(corners).area / (u * v)))


def open_where_read(of: Scene) -> bool:
    """Return whether gaps of the line run together over the toes that the length is read from.

    Drawn by chance, some do; what is not there nobody can measure, and the photo has to be refused.
    """
    line, pen = of.sheet.line, of.words["pen"]
    if pen.twice:  # the second stroke has no gaps
        return False
    missing = np.zeros(len(line), dtype=bool)
    for start, length in pen.gaps:
        first = int(start * len(line))
        missing[np.arange(first, first + round(length / STEP_MM)) % len(line)] = True
    along = of.sheet.foot[:, 1]  # scenes have their toes up
    share = (line[:, 1] - along.min()) / np.ptp(along)
    return any(
        length * STEP_MM > LIMIT_MM["toes"]
        and place_of(share[np.arange(first, first + length) % len(line)]) == "toes"
        for first, length in runs(missing)
    )


def truly(of: Scene, path: Path) -> str:
    """Return the fault of a scene, one that came by chance included; "" for a usable photo."""
    if of.fault:
        return of.fault
    if fineness(of, path) < LEAST_PX_PER_MM:
        return "too-small"
    return "open-outline" if open_where_read(of) else ""


def result(of: Scene, path: Path) -> dict[str, Any]:
    """Return what was found in a photograph against the truth."""
    asked = trace.Asked(paper=of.stated_paper, side=of.stated_side, barrel=of.barrel)
    started = time.process_time()
    found: dict[str, Any] = {
        "photo": path.name,
        "fault": truly(of, path),
        "fineness": fineness(of, path),
        "code": "",
        "words": str(of.words),
    }
    try:
        traced = trace.trace_photo(read(path), asked).traced
    except OutlineError as error:
        found |= {"code": error.code, "text": str(error)}
    except Exception as error:
        found |= {"code": "FAULT", "text": f"{type(error).__name__}: {error}"}
    else:
        found["side"] = traced.facts.side == str(of.sheet.side)
        found["paper"] = traced.sheet["paper"] == of.sheet.paper
        found["off"] = {name: traced.measures[name].value - of.foot["m"][name] for name in NAMES}
        found["sd"] = {name: traced.measures[name].sd for name in NAMES}
        found["smear"] = traced.sheet["smear_mm"]
    return found | {"seconds": time.process_time() - started}


def judged(results: list[dict[str, Any]]) -> bool:
    """Print the figures; return whether all are met."""
    usable = [r for r in results if not r["fault"]]
    faulty = [r for r in results if r["fault"]]
    right = [
        r
        for r in usable
        if not r["code"]
        and r["side"]
        and r["paper"]
        and all(abs(r["off"][n]) <= RIGHT_MM for n in NAMES[:2])
    ]
    for r in usable:
        if r not in right:
            off = {k: round(v, 1) for k, v in r.get("off", {}).items()}
            print(
                "MISSED", r["photo"], r["code"], r.get("text", ""), r.get("side"), off, r["words"]
            )
    refused = [r for r in faulty if r["code"]]
    reason = [
        r
        for r in faulty
        if r["code"] in FAULTS[r["fault"]]
        or (r["code"] == "too-small" and r["fineness"] < LEAST_PX_PER_MM)
    ]
    for r in faulty:
        if r not in reason:
            print("NOT REFUSED RIGHT", r["photo"], r["fault"], r["code"], r.get("text", ""))
    wrong = [r for r in results if r.get("side") is False]
    good = True
    for words, share, least in (
        ("usable found and right", len(right) / max(len(usable), 1), 0.98),
        ("unusable refused", len(refused) / max(len(faulty), 1), 0.98),
        ("unusable refused for the right reason", len(reason) / max(len(faulty), 1), 0.98),
    ):
        print(f"{words}: {100 * share:.1f} % (wanted {100 * least:g})")
        good &= share >= least
    print(f"wrong sides: {len(wrong)} of {len(results)}")
    good &= not wrong
    seen = [r for r in usable if not r["code"]]
    for name in NAMES if seen else ():
        off = np.array([r["off"][name] for r in seen])
        sd = np.array([r["sd"][name] for r in seen])
        close = float((np.abs(off) <= CLOSE_MM).mean())
        print(
            f"{name}: mean {off.mean():+.2f}, rms {np.sqrt((off**2).mean()):.2f}, 95 % within "
            f"{np.quantile(np.abs(off), 0.95):.2f} mm; {100 * close:.0f} % within {CLOSE_MM} "
            f"mm; stated 95 % band holds {100 * (np.abs(off) <= 1.96 * sd).mean():.0f} %"
        )
        if name in NAMES[:2]:
            good &= close >= 0.95
    seconds = np.array([r["seconds"] for r in results])
    print(
        f"{len(results)} photos; seconds each: median {np.median(seconds):.2f}, most "
        f"{seconds.max():.2f}"
    )
    return good


def main() -> int:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--usable", type=int, default=240)
    parser.add_argument("--faulty", type=int, default=120)
    parser.add_argument("--feet", type=int, default=40)
    parser.add_argument("--seed", type=int, default=5, help="of scenes; a DIR belongs to one seed")
    parser.add_argument("--keep", type=Path, default=Path("trace-study"))
    parser.add_argument("--render-only", action="store_true")
    parser.add_argument("--go-on", action="store_true", help="keep what was judged before")
    parser.add_argument("--known", action="store_true", help="figures of what was judged before")
    given = parser.parse_args()
    if given.known:
        known = json.loads((given.keep / "results.json").read_text("utf-8"))
        return 0 if judged(known) else 1
    given.keep.mkdir(parents=True, exist_ok=True)
    of = feet(given.feet, given.keep / "feet.pkl")
    jobs = [(k, "") for k in range(given.usable)]
    jobs += [(k, list(FAULTS)[k % len(FAULTS)]) for k in range(given.faulty)]
    known, store = {}, given.keep / "results.json"
    if given.go_on and store.is_file():
        known = {r["photo"]: r for r in json.loads(store.read_text("utf-8"))}
    results = []
    # mixed, so that a run that is stopped has seen some of each
    jobs.sort(key=lambda job: job[0] / (given.faulty if job[1] else given.usable))
    for k, fault in jobs:
        one = scene(k, fault, of, given.seed)
        path = given.keep / f"{fault or 'usable'}-{k:03d}.jpg"
        picture(one, path)
        if given.render_only:
            continue
        results.append(known.pop(path.name, None) or result(one, path))
        kept = [*results, *known.values()]  # what is not reached before a stop stays known
        store.write_text(json.dumps(kept, indent=0, default=float), encoding="utf-8")
    return 0 if given.render_only or judged(results) else 1


if __name__ == "__main__":
    sys.exit(main())
