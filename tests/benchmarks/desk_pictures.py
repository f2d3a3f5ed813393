"""Pictures of every page of the desk, in both themes, and those of the README.

python tests/benchmarks/desk_pictures.py [FOLDER] [--readme]

Starts a desk in a folder of its own with the sample rider, fits it by the desk's own requests and
lets Chromium without a window draw the pages. FOLDER is ``desk-pictures`` if left out; with
--readme ``docs/desk_support.png`` is written anew.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx
from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from insole.record.questions import QUESTIONS

ROOT = Path(__file__).resolve().parents[2]
PORT = 8723
ADDRESS = f"http://127.0.0.1:{PORT}"
CASE = "/api/cases/sample-rider"
PAGES = {
    "riders": "/",
    **{room: f"/{room}" for room in ("check", "outlines", "scanners", "bench", "workshop")},
    **{
        step: f"/case/sample-rider/{step}"
        for step in ("questions", "scans", "landmarks", "shoe", "support", "parts", "trial")
    },
}
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--enable-unsafe-swiftshader",
    "--hide-scrollbars",
    "--window-size=1280,900",
)


def main() -> None:
    given = [text for text in sys.argv[1:] if not text.startswith("--")]
    folder = Path(given[0] if given else "desk-pictures")
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home:
        desk = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "insole.cli",
                "desk",
                "--no-browser",
                "--port",
                str(PORT),
                "--home",
                home,
            ],
            cwd=ROOT,
        )
        try:
            fitted()
            shoot(folder)
        finally:
            desk.terminate()
            desk.wait(20)
    if "--readme" in sys.argv:
        (ROOT / "docs").mkdir(exist_ok=True)
        picture = Image.open(folder / "support-light.png")
        picture.crop((0, 0, picture.width, 1480)).resize((1000, round(1000 / 1280 * 1480))).save(
            ROOT / "docs" / "desk_support.png", optimize=True
        )


def fitted() -> None:
    """Bring the sample rider to a kept plan with parts."""
    with httpx.Client(base_url=ADDRESS, headers={"origin": ADDRESS}, timeout=300) as client:
        for _ in range(300):
            time.sleep(0.5)
            try:
                if "left right" in client.get("/").text:
                    break
            except httpx.TransportError:
                continue
        answers = {question.id: "no" for question in QUESTIONS}
        wishes = {"left": {"support_level": 0.8}, "right": {"support_level": 0.85, "forefoot": 2}}
        client.put(f"{CASE}/answers", json={"answers": answers})
        client.put(f"{CASE}/wishes", json={"wishes": wishes})
        for path, body in (("plans", {}), ("plans/1/make", {"edges_read": True})):
            job = client.post(f"{CASE}/{path}", json=body).json()
            while job["state"] == "running":
                time.sleep(0.5)
                job = client.get(f"/api/jobs/{job['id']}").json()
            if job["state"] != "done":
                raise SystemExit(job["words"])


def settled(driver: webdriver.Chrome, name: str) -> None:
    """Wait until nothing turns, and what is drawn late is drawn; a minute and a half at most."""
    wanted = {
        "support": ".planfoot:not([data-planned])",
        "scans": ".foot:not(:has(.raw[data-ready]))",
        "landmarks": ".foot:not(:has(.solid[data-ready]))",
    }.get(name, "main .spin")
    time.sleep(1)
    end = time.monotonic() + 90
    while time.monotonic() < end and driver.execute_script(
        "return document.querySelector('main .spin') !== null"
        " || document.querySelector(arguments[0]) !== null",
        wanted,
    ):
        time.sleep(0.3)
    time.sleep(1)


def shoot(folder: Path) -> None:
    """Draw every page in both themes."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for flag in FLAGS:
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        for theme in ("light", "dark"):
            driver.get(ADDRESS)
            driver.execute_script("localStorage.setItem('theme', arguments[0])", theme)
            for name, path in PAGES.items():
                driver.get(ADDRESS + path)
                settled(driver, name)
                high = driver.execute_script("return document.documentElement.scrollHeight")
                driver.set_window_size(1280, min(max(high + 20, 800), 3000))
                time.sleep(1)
                driver.save_screenshot(str(folder / f"{name}-{theme}.png"))
                driver.set_window_size(1280, 900)
    finally:
        driver.quit()


if __name__ == "__main__":
    main()
