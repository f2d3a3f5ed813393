"""Strays among bare points: sheets stay, what fills a room goes, whatever its share and box."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from footscan.finding import strays
from footscan.pipeline import Options, measure_scan
from footscan.quality.claims import among_strays
from footscan.results import Finding, Severity
from footscan.scan import Scan
from footscan.specimen.made_up import Shape, build
from footscan.specimen.scanner import ScannerSpec, scan

RADII = np.array([130.0, 50.0, 40.0])


def egg(rng, n, noise=0.2):
    """Return points on a body of a foot's size, its skin known by formula, and their noise."""
    way = rng.standard_normal((n, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    return way * RADII + noise * rng.standard_normal((n, 3))


def off_skin(points):
    """Return about how far points lie off the egg's skin, mm."""
    share = np.linalg.norm(points / RADII, axis=1)
    return np.abs(1 - 1 / share) * np.linalg.norm(points, axis=1)


def loose(rng, count, box):
    if box == "clusters":
        middle = rng.uniform(-1, 1, (max(1, count // 100), 3)) * (RADII + 80)
        return middle[rng.integers(len(middle), size=count)] + rng.normal(0, 9, (count, 3))
    return rng.uniform(-1, 1, (count, 3)) * (RADII + box)


@pytest.mark.parametrize("noise", [0.0, 0.2, 0.4])
@pytest.mark.parametrize("count", [8_000, 40_000])
def test_skin_stays(count, noise):
    skin = egg(np.random.default_rng(1), count, noise)
    assert strays.belongs(skin).mean() > 0.99


@pytest.mark.parametrize("box", [0.0, 50.0, 300.0, "clusters"])
@pytest.mark.parametrize("share", [0.01, 0.08, 0.3])
def test_what_fills_a_room_goes_and_skin_stays(share, box):
    rng = np.random.default_rng(2)
    skin = egg(rng, 20_000)
    lone = loose(rng, int(share / (1 - share) * len(skin)), box)
    kept = strays.belongs(np.concatenate([skin, lone]))
    assert kept[: len(skin)].mean() > 0.98
    far = off_skin(lone) > 8.0
    assert kept[len(skin) :][far].mean() < 0.005
    near = off_skin(lone) > 3.0
    assert kept[len(skin) :][near].mean() < 0.06


def test_a_coarse_part_is_no_stray():
    """Half of the body scanned twice as coarsely in each direction: it stays."""
    rng = np.random.default_rng(3)
    skin = egg(rng, 40_000)
    coarse = skin[:, 0] < 0
    skin = skin[~coarse | (rng.random(len(skin)) < 1 / 4)]
    kept = strays.belongs(skin)
    round_enough = (skin[:, 0] < -3) & (skin[:, 0] > -110)  # the tip bends by its own spacing
    assert kept[round_enough].mean() > 0.95


@pytest.mark.parametrize("count", [3_500, 5_000])
def test_a_fine_floor_does_not_make_the_foot_a_stray(count):
    """A floor scanned twice to three times as finely as the body that stands on it."""
    rng = np.random.default_rng(4)
    skin = egg(rng, count)
    floor = np.column_stack([rng.uniform(-250, 250, (40_000, 2)), np.full(40_000, -40.0)])
    kept = strays.belongs(np.concatenate([skin, floor]))
    assert kept[: len(skin)][np.abs(skin[:, 0]) < 115].mean() > 0.97
    assert kept[len(skin) :].mean() > 0.98


def test_a_sheet_apart_stays():
    """A floor or a second body is no stray: others decide about it."""
    rng = np.random.default_rng(4)
    floor = np.column_stack([rng.uniform(-250, 250, (9000, 2)), np.full(9000, -60.0)])
    kept = strays.belongs(np.concatenate([egg(rng, 20_000), floor]))
    assert kept[20_000:].mean() > 0.98


@pytest.mark.parametrize("box", [5.0, 60.0, 250.0])
def test_a_foot_among_strays_comes_out_as_without_them(box):
    """30 % of the points are strays, in a tight and in a wide box: lengths to 0.6 mm."""
    foot = build(replace(Shape(), cell=1.8))
    spec = ScannerSpec(points=20_000, noise=0.15, faces=False, turn_deg=(20.0, -35.0, 70.0))
    clean = scan(foot, spec, np.random.default_rng(5))
    rng = np.random.default_rng(6)
    low, high = clean.vertices.min(axis=0), clean.vertices.max(axis=0)
    lone = rng.uniform(low - box, high + box, (int(0.3 / 0.7 * len(clean.vertices)), 3))
    points = rng.permutation(np.concatenate([clean.vertices, lone]))
    dirty = Scan(vertices=points, faces=np.zeros((0, 3), dtype=int))
    found = measure_scan(dirty, Options())
    assert found.foot.side is foot.shape.side
    for name in ("foot_length", "foot_breadth"):
        value, sd = found.measures[name].value, found.measures[name].sd
        assert abs(value - foot.truth.measures[name]) < 0.6 + 1.96 * sd, name
    assert any(f.code == "strays" for f in found.report.findings)


def finding(code, value):
    return Finding(
        code=code, severity=Severity.NOTE, text="", advice="", region="scan", value=value, limit=0.0
    )


@pytest.mark.parametrize(
    ("found", "severity"),
    [
        ([finding("strays", 1.9), finding("proportion-girth", 1.9)], None),
        ([finding("strays", 2.1), finding("proportion-girth", 1.9)], Severity.AGAIN),
        (
            [
                finding("strays", 1.2),
                finding("other-bodies", 1.2),
                finding("length-unusual", 400.0),
            ],
            Severity.AGAIN,
        ),
        ([finding("strays", 30.0)], None),
    ],
)
def test_an_unusual_foot_among_strays_is_sent_back(found, severity):
    assert [f.severity for f in among_strays(found)] == ([severity] if severity else [])
