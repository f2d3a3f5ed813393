"""The command that opens the desk: where it listens, what it says, what it refuses."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

pytest.importorskip("uvicorn", reason="the desk's packages are not installed: '.[desk]'")

from insole.cli import main
from insole.desk import server

ROOT = Path(__file__).resolve().parents[2]


def test_the_desk_listens_on_this_machine_only_and_ends_cleanly(tmp_path):
    run = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "insole.cli",
            "desk",
            "--port",
            "0",
            "--no-browser",
            "--no-sample",
            "--home",
            str(tmp_path / "home"),
        ],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert run.stderr is not None
    try:
        line = run.stderr.readline()
        found = re.search(r"the desk is open at (http://127\.0\.0\.1:(\d+)/)$", line.strip())
        assert found, line
        address, port = found[1], int(found[2])
        end = time.monotonic() + 60
        while True:
            try:
                with urllib.request.urlopen(address, timeout=30) as answer:
                    assert "Riders" in answer.read().decode()
                break
            except urllib.error.URLError:
                assert time.monotonic() < end
                time.sleep(0.2)
        second = subprocess.run(
            [
                sys.executable,
                "-m",
                "insole.cli",
                "desk",
                "--port",
                "0",
                "--no-browser",
                "--home",
                str(tmp_path / "home"),
            ],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert second.returncode == 3
        assert "another desk works in" in second.stderr
        with socket.socket() as other:  # no other address of this machine
            other.settimeout(1)
            name = socket.gethostbyname(socket.gethostname())
            if not name.startswith("127."):
                assert other.connect_ex((name, port)) != 0
    finally:
        run.terminate()
        run.wait(30)
        run.stderr.close()


@pytest.mark.parametrize(
    ("given", "hosts", "token"),
    [
        ([], ("127.0.0.1", "localhost", "::1"), False),
        (["--host", "192.168.4.2"], ("127.0.0.1", "localhost", "::1", "192.168.4.2"), True),
        (
            ["--host", "0.0.0.0", "--name", "Bench.local"],
            ("127.0.0.1", "localhost", "::1", "bench.local"),
            True,
        ),
    ],
)
def test_beyond_this_machine_there_is_always_a_token(given, hosts, token, monkeypatch, tmp_path):
    asked = {}

    def serve(home, host, port, rules, **more):
        asked.update(rules=rules, host=host)

    monkeypatch.setattr(server, "serve", serve)
    assert main(["desk", "--home", str(tmp_path), *given]) == 0
    assert asked["rules"].hosts == hosts
    assert (len(asked["rules"].token) >= 16) == token


def test_a_short_token_and_a_taken_port_are_refused(tmp_path, capsys):
    assert main(["desk", "--token", "short", "--home", str(tmp_path)]) == 2
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert main(["desk", "--port", port, "--no-browser", "--home", str(tmp_path)]) == 3
    assert f"port {port} is taken" in capsys.readouterr().err


def test_a_store_is_backed_up_and_restored_from_the_command_line(tmp_path, capsys):
    from insole.desk.store import Home

    Home(tmp_path / "home").create("heron")
    path = tmp_path / "all.zip"
    assert main(["desk", "--home", str(tmp_path / "home"), "--back-up", str(path)]) == 0
    assert "1 cases" in capsys.readouterr().out
    assert main(["desk", "--home", str(tmp_path / "other"), "--restore", str(path)]) == 0
    assert Home(tmp_path / "other").case("heron").name == "heron"
    assert main(["desk", "--home", str(tmp_path / "other"), "--restore", str(path)]) == 0
    assert "left as they are: heron" in capsys.readouterr().out
    assert main(["desk", "--home", str(tmp_path / "home"), "--back-up", str(path)]) != 0
    assert main(["desk", "--home", str(tmp_path / "none"), "--back-up", f"{path}2"]) != 0
    assert not (tmp_path / "none").exists()
    assert main(["desk", "--restore", str(tmp_path / "no.zip"), "--home", str(tmp_path)]) != 0
    assert main(["desk", "--back-up", "a.zip", "--restore", "b.zip"]) == 2
