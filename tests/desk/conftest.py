"""A desk with the sample feet in it, asked in the process; and one that a browser can open."""

from __future__ import annotations

import shutil
import threading
import time
import warnings
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the desk's packages are not installed: '.[desk]'")
uvicorn = pytest.importorskip("uvicorn", reason="the desk's packages are not installed: '.[desk]'")
pytest.importorskip("httpx", reason="httpx is not installed")

with warnings.catch_warnings():  # its client works with either of two packages, and says so
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

from insole.desk.app import create  # noqa: E402
from insole.desk.guard import Rules  # noqa: E402
from tests.desk import threads  # noqa: E402

threads.play()

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
ORIGIN = "http://127.0.0.1"


class Desk:
    """The desk, asked as its own page would."""

    def __init__(self, client: TestClient, home: Path) -> None:
        self.client, self.home = client, home

    def ask(self, method: str, path: str, body: object = None, **more):
        headers = {"origin": ORIGIN} | more.pop("headers", {})
        if body is not None:
            more["json"] = body
        return self.client.request(method, path, headers=headers, **more)

    def upload(self, case: str, path: Path, load: str = "half", side: str = "", drop: str = ""):
        asked = {"name": path.name, "load": load} | ({"side": side} if side else {})
        asked |= {"drop": drop} if drop else {}
        answer = self.ask(
            "POST", f"/api/cases/{case}/scans", params=asked, content=path.read_bytes()
        )
        assert answer.status_code == 202, answer.text
        return self.wait(answer.json())

    def wait(self, job: dict, seconds: float = 240):
        end = time.monotonic() + seconds
        while job["state"] == "running":
            assert time.monotonic() < end, f"{job['what']} took over {seconds} s"
            time.sleep(0.1)
            job = self.client.get(f"/api/jobs/{job['id']}").json()
        return job

    def done(self, answer):
        assert answer.status_code == 202, answer.text
        job = self.wait(answer.json())
        assert job["state"] == "done", job["words"]
        return job["result"]


@pytest.fixture(scope="session")
def desk(tmp_path_factory):
    home = tmp_path_factory.mktemp("desk home")
    with TestClient(create(home, with_sample=False), base_url=ORIGIN) as client:
        made = Desk(client, home)
        for shoe in ("shoe.toml", "shoe_wide.toml"):
            shutil.copy(SAMPLES / shoe, home / "shoes" / shoe)
        yield made


@pytest.fixture
def own_processes(desk):
    """Give the desk's workers processes of their own."""
    service = desk.client.app.app.state.service
    with threads.processes(*service.lanes.values(), service.bench):
        yield


@pytest.fixture(scope="session")
def larch(desk):
    """A case with both feet, a shoe and all questions answered no."""
    from insole.record.questions import QUESTIONS

    assert desk.ask("POST", "/api/cases", {"name": "larch"}).status_code == 201
    answers = {q.id: "no" for q in QUESTIONS}
    assert desk.ask("PUT", "/api/cases/larch/answers", {"answers": answers}).json()["open"] == 0
    for side in ("left", "right"):
        job = desk.upload("larch", SAMPLES / f"larch_{side}.ply")
        assert job["result"] == {"sides": [side], "before": {}, "twice": {}}
    assert desk.ask("PUT", "/api/cases/larch/shoe", {"shoe": "shoe.toml"}).status_code == 200
    return "larch"


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A desk on a free port of this machine: (address, home)."""
    import socket

    home = tmp_path_factory.mktemp("served")
    app = create(home, Rules(), with_sample=False, ahead=False)  # its work is tested once
    (home / "shoes").mkdir(exist_ok=True)
    for shoe in ("shoe.toml", "shoe_wide.toml"):
        shutil.copy(SAMPLES / shoe, home / "shoes" / shoe)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="warning", access_log=False, http="h11", ws="none")
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    yield f"http://127.0.0.1:{listening.getsockname()[1]}", home
    server.should_exit = True
    thread.join(20)
    listening.close()


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """Chromium without a window; skipped where there is none."""
    if shutil.which("chromium") is None or shutil.which("chromedriver") is None:
        pytest.skip("chromium and chromedriver are not on this machine")
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for flag in (
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--enable-unsafe-swiftshader",
        "--window-size=1280,1000",
        f"--user-data-dir={tmp_path_factory.mktemp('browser')}",
    ):
        options.add_argument(flag)
    options.add_experimental_option(
        "prefs",
        {
            "download.default_directory": str(tmp_path_factory.mktemp("downloads")),
        },
    )
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    yield driver
    driver.quit()
