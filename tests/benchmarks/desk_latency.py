"""How long the desk makes a fitter wait, in a real browser; figures to read, no test.

python tests/benchmarks/desk_latency.py [ADDRESS OF A DESK WITH THE SAMPLE RIDER]

Prints: first page; slider to new numbers; a dragged pad's picture; an upload's time on screen.
Each is the median and the worst of several tries, ms. Read them on a quiet machine.
"""

from __future__ import annotations

import os
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from footscan.specimen import made_up, samples
from footscan.specimen.scanner import ScannerSpec, scan, write_scan

TRIES = 9
LEVEL = """
const done = arguments[arguments.length - 1], slider = document.querySelector('#level-left');
const foot = slider.closest('.planfoot'), place = foot.querySelector('.headline');
const start = performance.now();
new MutationObserver((_, watch) => {
  watch.disconnect();
  requestAnimationFrame(() => done(performance.now() - start));
}).observe(place, {childList: true});
slider.value = arguments[0];
slider.dispatchEvent(new Event('input', {bubbles: true}));
slider.dispatchEvent(new Event('change', {bubbles: true}));
"""
DRAG = """
const done = arguments[arguments.length - 1], map = document.querySelector('[data-side=left] .map');
const pad = map.querySelector('.pad path'), box = pad.getBoundingClientRect();
const at = (kind, x, y) => (kind === 'pointerdown' ? pad : map).dispatchEvent(new PointerEvent(kind,
  {bubbles: true, pointerId: 1, pointerType: 'pen', clientX: x, clientY: y}));
map.setPointerCapture = () => {};
const x = box.x + box.width / 2, y = box.y + box.height / 2;
at('pointerdown', x, y);
const start = performance.now();
at('pointermove', x, y - 12);
requestAnimationFrame(() => { const took = performance.now() - start; at('pointercancel', x, y);
  done(took); });
"""


def told(name: str, found: list[float]) -> None:
    print(f"{name:32} median {statistics.median(found):7.0f} ms   worst {max(found):7.0f} ms")


def uploaded(driver: webdriver.Chrome, address: str, folder: Path) -> list[float]:
    """Return how long large scans take from the choice of the file to the foot on screen, ms."""
    left, _ = samples.sample_shapes()
    spec = ScannerSpec(points=150_000, noise=0.08)
    found = []
    for k in range(3):
        seen = scan(made_up.build(left), spec, np.random.default_rng(k))
        path = write_scan(seen, folder / f"dense_{k}.ply")
        driver.get(f"{address}/case/sample-rider/scans")
        time.sleep(6)
        start = time.perf_counter()
        driver.find_element("id", "files").send_keys(str(path))
        shown = (
            "const f = document.querySelector('.foot[data-side=left]');"
            "return f.textContent.includes(arguments[0]) &&"
            " f.querySelector('.solid[data-ready]') !== null"
        )
        while not driver.execute_script(shown, path.name):
            time.sleep(0.05)
        found.append(1000 * (time.perf_counter() - start))
        print(f"  {len(seen.faces)} faces, {path.stat().st_size / 1e6:.0f} MB")
    return found


def main() -> None:
    address = sys.argv[1].rstrip("/") if len(sys.argv) > 1 else "http://127.0.0.1:8714"
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for flag in (
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--window-size=1280,1000",
        "--enable-unsafe-swiftshader",
    ):
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_script_timeout(120)
    try:
        print("load of the machine:", *(f"{v:.1f}" for v in os.getloadavg()))
        first = []
        for _ in range(TRIES):
            driver.get(f"{address}/")
            first.append(
                driver.execute_script(
                    "return performance.getEntriesByType('navigation')[0].loadEventEnd"
                )
            )
        told("first page", first)
        driver.get(f"{address}/case/sample-rider/support")
        done = "return document.querySelector('[data-side=left]').dataset.planned"
        while not driver.execute_script(done):
            time.sleep(0.2)
        time.sleep(2)
        told(
            "slider to new numbers",
            [driver.execute_async_script(LEVEL, 60 + 5 * (k % 8)) for k in range(TRIES)],
        )
        time.sleep(2)
        told("dragged pad on screen", [driver.execute_async_script(DRAG) for _ in range(TRIES)])
        with tempfile.TemporaryDirectory() as folder:
            told("300 000 faces, dropped to seen", uploaded(driver, address, Path(folder)))
    finally:
        driver.quit()


if __name__ == "__main__":
    main()
