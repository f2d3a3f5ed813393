"""A plan and a folder that several files look at."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from insole import cli
from insole.workflow import processes
from tests.command_line import LEFT, RIGHT, SHOE


@pytest.fixture(scope="package")
def plan_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a plan with a wedge in each forefoot, written by the command."""
    out = tmp_path_factory.mktemp("plans")
    wish = ["--shoe", SHOE, "--forefoot", "2", "--case", "larch"]
    assert cli.main(["plan", LEFT, RIGHT, *wish, "--out", str(out), "--quiet"]) == 0
    return out / "larch-v1-plan.json"


@pytest.fixture
def no_scan_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    def touched(*_: object) -> None:
        raise AssertionError("a scan was read")

    monkeypatch.setattr(processes, "measure_feet_in", touched)


@pytest.fixture
def bar(tmp_path: Path) -> Path:
    """Return a scan of two balls of 30 mm, 200 mm apart, 0.1 % too long."""
    rng = np.random.default_rng(1)
    way = rng.standard_normal((1500, 3))
    ball = 15 * way / np.linalg.norm(way, axis=1, keepdims=True)
    points = 1.001 * np.concatenate([ball, ball + np.array([0.0, 200.0, 0.0])])
    path = tmp_path / "bar.xyz"
    np.savetxt(path, points, fmt="%.6f")
    return path
