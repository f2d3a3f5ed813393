"""The printed scale card in a phone scan: found, measured, believed, or refused as evidence."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from carded import SQUARES, as_ply, beside

from footscan import reading
from footscan.checking import card
from footscan.errors import UnitsError
from footscan.pipeline import Options, measure_files, measure_scan
from footscan.results import Severity, Verdict
from footscan.scan import Load, Scan

FOOT = Path(__file__).parents[2] / "sample_scans" / "larch_right.ply"


@pytest.fixture(scope="module")
def foot():
    return reading.read(FOOT)


def lone(scan: Scan) -> Scan:
    """Return the scan with few points of the foot: the card is looked for in what is left."""
    return scan.part(np.arange(len(scan.vertices)) % 40 == 0)


@pytest.mark.parametrize("spacing", [1.5, 3.0, 4.5])
@pytest.mark.parametrize("true", [987.0, 25.4, 1.0])
def test_a_card_tells_the_millimetres_of_a_unit(foot, spacing, true):
    shown = beside(lone(foot), np.random.default_rng(4), scale=1.0 / true, spacing=spacing)
    found = card.seen(shown)
    assert found.mm_per_unit == pytest.approx(true, rel=0.006)
    assert 0.003 <= found.sd <= card.SURE
    assert f"{found.mm_per_unit:.4g} mm" in found.words


def test_the_card_that_is_looked_for_is_the_one_of_these_scans():
    (x0, y0), (x1, _), (_, y1), _ = SQUARES
    assert (x1 - x0, y1 - y0) == card.APART_MM


def test_bare_points_show_a_card_too(foot):
    shown = beside(lone(foot), np.random.default_rng(1), spacing=2.0)
    found = card.seen(replace(shown, faces=np.zeros((0, 3), dtype=np.int64)))
    assert found.mm_per_unit == pytest.approx(1.0, rel=0.008)


def test_what_is_no_card_is_no_evidence(foot):
    rng = np.random.default_rng(2)
    assert "a texture, is not read" in card.seen(foot).words
    assert "PLY, OBJ or GLB with colours of the points" in card.seen(foot).words
    plain = replace(foot, light=np.full(len(foot.vertices), 0.6))
    assert "no card with four black squares" in card.seen(plain).words
    shown = beside(lone(foot), rng)
    card_points = np.arange(len(shown.vertices)) >= len(lone(foot).vertices)
    middle = shown.vertices[card_points].mean(axis=0)
    left = card_points & (shown.vertices[:, 0] < middle[0])
    hidden = replace(shown, light=np.where(left, 0.8, shown.light))
    assert card.seen(hidden).mm_per_unit is None
    squeezed = replace(shown, vertices=shown.vertices * [1.0, 0.93, 1.0])
    found = card.seen(squeezed)  # drawn out by a fourteenth along one way: never a card's scale
    assert found.mm_per_unit is None
    assert found.words


def test_a_bent_card_is_refused(foot):
    shown = beside(lone(foot), np.random.default_rng(3))
    first = len(lone(foot).vertices)
    bent = shown.vertices.copy()
    x = bent[first:, 0] - bent[first:, 0].mean()
    bent[first:, 2] += 22.0 * (x / 50.0) ** 2
    assert card.seen(replace(shown, vertices=bent)).mm_per_unit is None


# ------------------------------------------------------------- what comes of it


def written(foot, path: Path, scale: float) -> Path:
    path.write_bytes(as_ply(beside(foot, np.random.default_rng(5), scale=scale)))
    return path


def test_a_card_vouches_for_a_phones_scan(foot, tmp_path):
    path = written(foot, tmp_path / "phone.ply", 0.001)
    asked = Options(load=Load.HALF, hand_held=True)
    codes = {f.code: f for f in measure_files([path], asked).report.findings}
    assert codes["scale-unverified"].severity is Severity.MEASURING
    assert "other-bodies" in codes  # a card that nobody spoke of
    found = measure_files([path], replace(asked, card=True))
    assert found.facts.scale_verified
    # the card was asked for: neither it nor what it lies on is to be cleared away
    assert not {"other-bodies", "second-body"} & {f.code for f in found.report.findings}
    assert not {"scale-unverified", "card-scale", "scale"} & {f.code for f in found.report.findings}
    assert found.measures["foot_length"].value == pytest.approx(
        measure_files([FOOT], asked).measures["foot_length"].value, abs=1.5
    )


def test_a_card_that_says_another_scale_sends_back_and_says_which(foot, tmp_path):
    path = written(foot, tmp_path / "phone.ply", 1.04)
    found = measure_files([path], Options(load=Load.HALF, card=True))
    (finding,) = [f for f in found.report.findings if f.code == "card-scale"]
    assert found.report.verdict is Verdict.AGAIN
    assert finding.value == pytest.approx(4.0, abs=0.6)
    assert "too large" in finding.text
    assert "one unit of the file is 0.9" in finding.text
    assert not found.facts.scale_verified
    right = measure_files([path], Options(load=Load.HALF, card=True, scale=1 / 1.04))
    assert right.facts.scale_verified


def test_a_file_of_any_scale_is_read_by_its_card(foot, tmp_path):
    path = written(foot, tmp_path / "phone.ply", 0.00137)
    with pytest.raises(UnitsError, match="no foot in mm"):
        measure_files([path], Options(load=Load.NONE))
    found = measure_files([path], Options(load=Load.NONE, hand_held=True, card=True))
    assert found.facts.mm_per_unit == pytest.approx(1 / 0.00137, rel=0.008)
    assert "scale card" in found.facts.unit_evidence
    assert found.facts.scale_verified


def test_a_card_that_is_not_seen_verifies_nothing(foot):
    found = measure_files([FOOT], Options(load=Load.HALF, card=True, hand_held=True))
    (finding,) = [f for f in found.report.findings if f.code == "scale-unverified"]
    assert finding.severity is Severity.MEASURING
    assert "no colours" in finding.text
    assert not found.facts.scale_verified


def test_a_table_below_a_foot_in_the_air_is_not_its_ground(foot):
    """A card on a stool beside the foot, or the room's floor, carries nothing."""
    low, high = foot.vertices.min(axis=0), foot.vertices.max(axis=0)
    table = np.stack(np.meshgrid(*[np.arange(-250.0, 251.0, 5.0)] * 2, indexing="ij"), axis=-1)
    count = len(table)
    flat = np.column_stack([table.reshape(-1, 2), np.zeros(count**2)])
    place = np.array([*(low + high)[:2] / 2, low[2] - 60.0])
    k = np.arange(count**2).reshape(count, count)
    a, b, c, d = (p.ravel() for p in (k[:-1, :-1], k[1:, :-1], k[1:, 1:], k[:-1, 1:]))
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    both = Scan(
        vertices=np.concatenate([foot.vertices, flat + place]),
        faces=np.concatenate([foot.faces, faces + len(foot.vertices)]),
    )
    found, alone = (measure_scan(scan, Options()).measures for scan in (both, foot))
    for name in ("foot_length", "arch_apex_height", "instep_height"):
        assert found[name].value == pytest.approx(alone[name].value, abs=0.4), name


# ------------------------------------------------------------- colours in files


def test_brightness_is_read_from_each_format_that_has_it(tmp_path):
    import trimesh

    rng = np.random.default_rng(0)
    ball = trimesh.creation.icosphere(2, 100.0)
    grey = rng.integers(0, 256, len(ball.vertices)).astype(np.uint8)
    colours = np.column_stack([grey, grey, grey, np.full(len(grey), 255)])
    coloured = trimesh.Trimesh(ball.vertices, ball.faces, vertex_colors=colours, process=False)
    for ending in ("ply", "obj", "glb"):
        path = tmp_path / f"ball.{ending}"
        path.write_bytes(
            data.encode() if isinstance(data := coloured.export(file_type=ending), str) else data
        )
        scan = reading.read(path)
        order = [np.lexsort(np.round(v, 3).T) for v in (scan.vertices, ball.vertices)]
        assert scan.light[order[0]] == pytest.approx(grey[order[1]] / 255.0, abs=0.01), ending
    plain = tmp_path / "plain.obj"
    plain.write_text(trimesh.Trimesh(ball.vertices, ball.faces).export(file_type="obj"), "utf-8")
    assert reading.read(plain).light is None
