"""Dowels: where they go, what they leave of pad and base, and parts that clash in the shoe."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from itertools import combinations, permutations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Polygon

from insole.cli.options.again import options
from insole.errors import PartError, PlanError
from insole.output.print.step import read_back_step, write_step
from insole.parts import assembly, build, solids
from insole.parts.assembly import clash
from insole.parts.base import base
from insole.parts.pad import arch_pad
from insole.parts.part import Part, as_worn
from insole.parts.wedge import shim
from insole.planning import dowels, planner
from insole.planning.planner import FootWish, PlanWishes
from insole.planning.support.wish import SupportWish
from insole.record.limits import default_limits
from insole.record.plan import Plan
from insole.record.planned_parts import WedgePlace
from insole.trials.steps import Step
from tests import feet
from tests.insole.test_pad_surface import SHOE
from tests.plans import sample_foot, sample_plan

SHAPES: tuple[dict[str, Any], ...] = (
    {"arch": 14.0},
    {"arch": 9.0, "length": 245.0, "breadth": 93.0},
    {"arch": 22.0, "arch_at": 0.47},
    {"arch": 18.0, "breadth": 103.0},
)


@lru_cache(maxsize=32)
def planned(
    shape: int = 0, *, side: str = "right", thickness: float = 2.4, rim: float = 0.0, **wish: Any
) -> Plan:
    limits = default_limits().changed(base__thickness=thickness, base__heel_cup=rim)
    foot = feet.analytic(side=side, **SHAPES[shape])
    both = (foot, None) if side == "left" else (None, foot)
    wishes = PlanWishes(both=FootWish.of(**wish), dowels=True)
    return planner.plan(*both, SHOE, wishes, limits=limits)


@lru_cache(maxsize=4)
def made(**wish: Any) -> tuple[Plan, tuple[Part, ...]]:
    plan = planned(**wish)
    return plan, tuple(build.all_parts(plan))


def mesh_of(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


@pytest.mark.parametrize("shape", range(len(SHAPES)))
def test_sockets_lie_on_the_grid_and_keep_their_material(shape: int) -> None:
    """On multiples of 3 mm, 15 mm apart, none under heel or ball, 1.2 mm over each."""
    foot = planned(shape).feet[0]
    assert foot.pad is not None
    places = np.array(foot.base.dowels)
    assert len(places) == 3
    np.testing.assert_allclose(places / 3.0, np.round(places / 3.0), atol=1e-9)
    rim = dowels.SOCKET_MM / 2
    assert (places[:, 0] - rim > foot.base.grid_from).all()
    assert (places[:, 0] + rim < foot.base.grid_to).all()
    assert np.hypot(*(places[1] - places[0])) >= 15.0
    holes = shapely.union_all([shapely.Point(p).buffer(rim) for p in places])
    assert Polygon(foot.pad.outline).buffer(-1.9).covers(holes)
    solid = solids.solid_of(*_pad_without_sockets(foot))
    assert solids.region_above(solid, dowels.PAD_DEPTH_MM + dowels.LEFT_MM - 0.03).covers(holes)


def _pad_without_sockets(foot: Any) -> tuple[np.ndarray, np.ndarray]:
    from insole.parts.pad import arch_pad

    plain = foot.model_copy(update={"base": foot.base.model_copy(update={"dowels": []})})
    part = arch_pad(plain, "demo")
    return part.vertices, part.faces


@pytest.mark.parametrize("shape", range(len(SHAPES)))
def test_a_pad_fits_in_one_way_only(shape: int) -> None:
    """No other order of the corners, and no mirrored triangle, lies on the sockets to 0.5 mm."""
    places = np.array(planned(shape).feet[0].base.dowels)
    for flip in (1.0, -1.0):
        moved = (places - places.mean(axis=0)) * [1.0, flip]
        for order in permutations(range(3)):
            same = flip > 0 and order == (0, 1, 2)
            off = _best_fit(moved[list(order)], places - places.mean(axis=0))
            assert (off < 1e-9) if same else (off > 0.5)


def _best_fit(moved: np.ndarray, fixed: np.ndarray) -> float:
    """Return the largest distance after the best turn of points about their common middle."""
    a, b = (v[:, 0] + 1j * v[:, 1] for v in (moved, fixed))
    turn = np.vdot(a, b)
    return float(np.abs(a * turn / abs(turn) - b).max())


@pytest.mark.parametrize(
    "wish",
    [{"support_level": 0.9}, {"shift": (3.0, 0.0)}, {"shift": (-3.0, 0.0)}, {"turn": 5.0}],
)
def test_a_pad_planned_again_finds_the_sockets_it_still_covers(wish: dict[str, Any]) -> None:
    first = planned(0, support_level=0.8).feet[0]
    again = planned(0, **({"support_level": 0.8} | wish)).feet[0]
    assert again.pad is not None
    assert again.pad != first.pad
    assert again.base.dowels == first.base.dowels


def test_sockets_keep_clear_of_shims_and_are_given_up_where_nothing_holds_them() -> None:
    foot = planned(0, heel=2.0).feet[0]
    ramp = Polygon(foot.wedges[0].outline)
    wedge = foot.wedges[0]
    ends = shapely.box(-99, -99, wedge.full_to + wedge.taper_front, 99)
    for place in foot.base.dowels:
        assert shapely.Point(place).distance(ramp.intersection(ends)) > 2.15
    assert foot.pad is not None
    low = [[min(z, 3.1) for z in row] for row in foot.pad.top.z]
    thin = foot.pad.model_copy(update={"top": foot.pad.top.model_copy(update={"z": low})})
    bare = foot.base.model_copy(update={"dowels": []})
    left_out, notes = dowels.placed(bare, thin, [], None)
    assert left_out.dowels == []
    assert len(notes) == 1
    assert "3.2 mm thick" in notes[0].text
    none = planned(0, pad=False).feet[0]
    assert [note.text for note in none.notes if note.code == "no-dowels"] == [
        "no dowels: there is no pad to place"
    ]


def test_a_shim_in_the_shoe_takes_a_dowels_place_and_one_under_the_shoe_does_not() -> None:
    foot = planned(0).feet[0]
    bare = foot.base.model_copy(update={"dowels": []})
    x, y = foot.base.dowels[0]
    lies = planned(0, heel=2.0).feet[0].wedges[0]
    over = {"outline": [(x - 4, y - 4), (x + 4, y - 4), (x + 4, y + 4), (x - 4, y + 4)]}
    over |= {"full_from": x - 4, "full_to": x + 4, "taper_rear": 0.0, "taper_front": 0.0}
    inside = lies.model_copy(update=over)
    under = inside.model_copy(update={"place": WedgePlace.UNDER})
    apex = np.array(foot.landmarks["arch_apex"])
    assert foot.base.dowels[0] in dowels.placed(bare, foot.pad, [under], apex)[0].dowels
    moved = dowels.placed(bare, foot.pad, [inside], apex)[0].dowels
    shim = Polygon(inside.outline)
    assert moved
    assert all(shim.distance(shapely.Point(place)) > 2.15 for place in moved)


def test_the_third_dowel_makes_no_even_triangle() -> None:
    """Turned over, the other foot's pad would go on: the nearer place is passed by."""
    free = np.array([(0.0, 0.0), (24.0, 0.0), (12.0, 8.0), (5.0, 8.0)])
    apart = np.linalg.norm(free[:, None] - free, axis=2)
    assert dowels._third(free, apart, np.array([9.0, 9.0, 1.0, 2.0]), 0, 1) == 3
    assert dowels._third(free[:3], apart[:3, :3], np.array([9.0, 9.0, 1.0]), 0, 1) is None


def test_a_thin_base_is_refused_with_the_thickness_it_needs() -> None:
    with pytest.raises(PlanError, match=r"at least 2\.2 mm.*this one is 1\.5 mm: raise base"):
        planned(0, thickness=1.5)
    foot = planned(0).feet[0]
    thin = foot.base.model_copy(update={"thickness": 1.5})
    with pytest.raises(PartError, match="too thin for its dowels"):
        base(foot.model_copy(update={"base": thin}), "demo")


def test_without_the_wish_there_are_none_and_with_it_a_step_keeps_it() -> None:
    foot = feet.analytic(**SHAPES[0])
    plain = planner.plan(None, foot, SHOE, PlanWishes())
    assert plain.feet[0].base.dowels == []
    assert "dowels" not in plain.wishes
    step = Step(
        thing="pad",
        move="support",
        side="right",
        words="",
        because="",
        wishes={"right": {"support_level": 0.7}},
        before={},
    )
    assert "--dowels" not in options(plain, step)
    assert "--dowels" in options(planned(0), step)


@pytest.mark.parametrize("side", ["right", "left"])
def test_parts_have_their_sockets(side: str) -> None:
    """Volumes by formula; the section at 1 mm of the pad has three round holes of 4.3 mm."""
    plan, parts = made(side=side)
    names = [part.name for part in parts]
    assert names[:3] == ["base", "arch-pad", "dowels"]
    assert [sentence for part in parts for sentence in build.check(part)] == []
    by_name = {part.name: part for part in parts}
    hole = math.pi * 2.15**2
    area = Polygon(by_name["base"].outline).area
    assert by_name["base"].volume == pytest.approx(area * 2.4 - 3 * hole * 1.2, rel=1e-9)
    for name in names[:3]:
        part = by_name[name]
        mesh = mesh_of(part)
        assert mesh.is_watertight
        wanted = part.volume - part.facts.engraved.volume
        assert mesh.volume == pytest.approx(wanted, rel=1e-3)
    for name, height in (("arch-pad", 1.0), ("base", 1.9)):
        part = by_name[name]
        section = solids.region_above(solids.solid_of(part.vertices, part.faces), height)
        rings = [Polygon(r) for r in shapely.get_parts(section)[0].interiors]
        round_ones = [r for r in rings if abs(r.area - hole) < 0.01 * hole]
        assert len(round_ones) == 3
        found = sorted((r.centroid.x, abs(r.centroid.y)) for r in round_ones)
        np.testing.assert_allclose(found, sorted(plan.feet[0].base.dowels), atol=0.01)
        signs = {math.copysign(1, r.centroid.y) for r in round_ones}
        assert signs == {1.0 if side == "right" else -1.0}  # here all lie medial of the centreline


def test_dowels_fill_both_sockets_and_leave_a_gap() -> None:
    """Four, one to spare, as long as both sockets less 0.4 mm, 0.3 mm thinner than these."""
    _, parts = made(side="right")
    row = next(part for part in parts if part.name == "dowels")
    assert row.facts.pieces == 4
    assert row.vertices[:, 2].max() == pytest.approx(2.0 + 1.2 - 0.4, abs=1e-3)
    section = solids.region_above(solids.solid_of(row.vertices, row.faces), 1.5)
    pegs = shapely.get_parts(section)
    assert len(pegs) == 4
    for peg in pegs:
        assert np.ptp(np.array(peg.exterior.coords)[:, 0]) == pytest.approx(4.0, abs=0.01)
    # pegs by the cylinder less its chamfer, webs by integration over y
    long, r, c = 2.8, 2.0, 0.4
    chamfer = math.pi * (r**2 * c - c * (r**2 + r * (r - c) + (r - c) ** 2) / 3)
    y = (np.arange(6000) + 0.5) * 1.2 / 6000 - 0.6
    web = 0.8 * float(np.mean(8.0 - 2 * np.sqrt(r**2 - y**2))) * 1.2
    wanted = 4 * (math.pi * r**2 * long - chamfer) + 3 * web
    assert row.volume == pytest.approx(wanted, rel=1e-6)
    assert mesh_of(row).volume == pytest.approx(wanted, rel=1e-3)
    exact = row.solid()
    assert exact.isValid()
    assert exact.Volume() == pytest.approx(wanted, rel=1e-4)


@pytest.mark.long
def test_step_files_have_the_sockets(tmp_path: Path) -> None:
    """The kernel's own volume, and three faces of 2.15 mm radius in each of pad and base."""
    from cadquery import importers

    _, parts = made(side="right")
    for part in parts[:3]:
        path = tmp_path / f"{part.label}.step"
        write_step(path, part)
        # a pad's standing side is sharp in a STEP file
        wanted = part.volume if part.solid_volume is None else part.solid_volume
        assert read_back_step(path, part) == pytest.approx(wanted, rel=1e-3)
        shape = importers.importStep(str(path)).val()
        assert shape.Volume() == pytest.approx(wanted, rel=1e-3)
        radius = 2.0 if part.name == "dowels" else 2.15
        round_faces = [
            face
            for face in shape.Faces()
            if face.geomType() == "CYLINDER"
            and abs(face._geomAdaptor().Cylinder().Radius() - radius) < 1e-6
        ]
        assert len(round_faces) >= 3


def test_checks_find_sockets_that_are_missing_or_too_deep() -> None:
    _, parts = made(side="right")
    pad = next(part for part in parts if part.name == "arch-pad")
    away = tuple((x, y + 6.0) for x, y in pad.facts.sockets.places)
    found = build.check(
        replace(pad, facts=replace(pad.facts, sockets=replace(pad.facts.sockets, places=away)))
    )
    assert any("find no socket" in sentence for sentence in found)
    bottom = next(part for part in parts if part.name == "base")
    shallow = replace(bottom.facts.sockets, depth=1.8)
    found = build.check(replace(bottom, facts=replace(bottom.facts, sockets=shallow)))
    assert any("only 0.6 mm are left under its dowels" in sentence for sentence in found)
    thin = as_worn(_lowered(planned(0).feet[0], 2.6))
    assert any("less than 1.2 mm are left over" in sentence for sentence in build.check(thin))


def _lowered(foot: Any, height: float) -> Part:
    """Return the pad of a foot with its top cut down so far that sockets come too near it."""
    z = [[min(v, height) for v in row] for row in foot.pad.top.z]
    pad = foot.pad.model_copy(update={"top": foot.pad.top.model_copy(update={"z": z})})
    return arch_pad(foot.model_copy(update={"pad": pad}), "demo")


def test_parts_of_one_plan_do_not_clash() -> None:
    for wish in ({"side": "right"}, {"heel": 2.0}):
        plan, parts = made(**wish)
        assert clash(parts, plan) == []


def test_dowels_of_a_left_foot_are_looked_for_where_its_parts_have_them(monkeypatch) -> None:
    """The same plan on the left foot: its pins are mirrored as its parts are."""
    plan, _ = made(side="right")
    left = plan.right.model_copy(update={"side": "left"})
    plan = plan.model_copy(update={"left": left, "right": None})
    parts = build.all_parts(plan)
    assert "left-dowels" in {part.label for part in parts}
    assert clash(parts, plan) == []
    monkeypatch.setattr(assembly, "mirror", lambda points: points)  # as if on a right foot
    assert any("dowels would press into each other" in one for one in clash(parts, plan))


def test_a_heel_shim_inside_a_heel_rim_clashes() -> None:
    """The shim lies where the rim stands: what both fill is known from their heights."""
    wedged, rim = planned(0, heel=2.0), planned(0, rim=8.0)  # planned apart: together it is refused
    base = wedged.right.base.model_copy(update={"heel_cup": rim.right.base.heel_cup})
    plan = wedged.model_copy(update={"right": wedged.right.model_copy(update={"base": base})})
    parts = build.all_parts(plan)
    found = clash(parts, plan)
    assert len(found) == 1
    assert "right foot: base and heel shim would press into each other" in found[0]
    assert "lower" in found[0]
    assert clash([part for part in parts if part.name != "heel-shim"], plan) == []


def test_a_pad_of_another_plan_clashes_with_the_dowels() -> None:
    """Moved by 6 mm, each dowel stands beside its socket and in the solid part of the pad."""
    plan, parts = made(side="right")
    moved = [
        replace(part, vertices=part.vertices + np.array([6.0, 0.0, 0.0]))
        if part.name == "arch-pad"
        else part
        for part in parts
    ]
    found = clash(moved, plan)
    assert len(found) == 1
    assert "arch pad and dowels would press" in found[0]
    volume = float(found[0].split(" mm³")[0].rpartition(" ")[2])
    assert volume == pytest.approx(3 * math.pi * 2.0**2 * dowels.PAD_DEPTH_MM, rel=0.08)


def test_pad_and_shim_may_lie_on_one_another_a_little() -> None:
    """A pad pushed back over the heel shim: 1 mm is allowed, what is above is not."""
    plan, parts = made(heel=2.0)
    far = [
        replace(part, vertices=part.vertices - np.array([35.0, 0.0, 0.0]))
        if part.name == "arch-pad"
        else part
        for part in parts
        if part.name != "dowels"
    ]
    found = clash(far, plan)
    assert any("arch pad and heel shim" in sentence for sentence in found)
    shims = [p for p in far if p.name in ("arch-pad", "heel-shim")]
    whole = solids.solid_of(shims[0].vertices, shims[0].faces)
    both = whole ^ solids.solid_of(shims[1].vertices, shims[1].faces)
    assert 0 < float(both.volume())
    said = next(float(s.split(" mm³")[0].rpartition(" ")[2]) for s in found if "heel shim" in s)
    assert said < float(both.volume())  # the allowed millimetre does not count


@pytest.mark.parametrize(("height", "too_much"), [(1.0, 0), (1.5, 180), (3.0, 780)])
def test_what_pad_and_shim_share_above_the_allowed_millimetre_is_told(
    height: float, too_much: int
) -> None:
    """Two blocks of 20 by 20 mm in one place: all of it counts that is above 1.05 mm."""
    plan = sample_plan(sides=("right",))
    block = trimesh.creation.box(bounds=[[150.0, -10.0, 0.0], [170.0, 10.0, height]])
    foot = plan.right
    assert foot is not None
    blocks = [
        replace(as_worn(part), vertices=block.vertices, faces=block.faces)
        for part in (arch_pad(foot, "demo"), shim(foot, foot.wedges[0], "demo"))
    ]
    found = clash(blocks, plan)
    assert len(found) == (too_much > 0)
    assert all("arch pad and forefoot shim would press into each other" in one for one in found)
    assert all(f", {too_much} mm³ of them" in one for one in found)


def test_parts_must_be_worn_to_be_looked_at() -> None:
    plan, _ = made(side="right")
    with pytest.raises(ValueError, match="not worn yet"):
        clash([base(sample_foot(), "demo")], plan)


def test_every_socket_pair_is_apart() -> None:
    """2 mm of material stay between two sockets wherever they are."""
    for shape in range(len(SHAPES)):
        places = np.array(planned(shape).feet[0].base.dowels)
        for a, b in combinations(places, 2):
            assert np.hypot(*(a - b)) >= dowels.SOCKET_MM + 2.0


def test_the_command_takes_the_wish(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The default base is made as thick as sockets want; the workshop's own is kept or refused."""
    import json

    from insole import cli

    samples = Path(__file__).parents[2] / "sample_scans"
    scan, bed = str(samples / "larch_left.ply"), str(samples / "shoe.toml")
    wish = ["plan", scan, "--shoe", bed, "--dowels", "--quiet", "--out", str(tmp_path)]
    own = tmp_path / "own.toml"
    own.write_text("base.thickness = 2.0\n", encoding="utf-8")
    assert cli.main([*wish, "--limits", str(own)]) == 3
    assert "dowels need a base of at least 2.2 mm" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [own]
    assert cli.main([*wish, "--case", "usual"]) == 0
    record = json.loads((tmp_path / "usual-v1-plan.json").read_text(encoding="utf-8"))
    assert record["left"]["base"]["thickness"] == 2.2
    assert record["limits"] == {"base.thickness": 2.2}
    assert len(record["left"]["base"]["dowels"]) == 3
    (said,) = (note["text"] for note in record["notes"] if note["code"] == "own-limits")
    assert "base.thickness 2.2 mm (usual 1.5 mm): dowels were wished" in said
    own.write_text("base.thickness = 2.4\n", encoding="utf-8")
    assert cli.main([*wish, "--limits", str(own), "--case", "larch"]) == 0
    record = json.loads((tmp_path / "larch-v1-plan.json").read_text(encoding="utf-8"))
    assert record["wishes"]["dowels"] is True
    assert len(record["left"]["base"]["dowels"]) == 3


def test_no_base_grows_thick_where_no_pad_lies_on_it() -> None:
    usual = default_limits()
    pad, none = SupportWish(), SupportWish(pad=False)
    bed = SupportWish(contoured="full")
    assert dowels.thick_enough(usual, [none, bed]) is usual
    assert dowels.thick_enough(usual, [none, pad]).value("base.thickness") == 2.2
    assert usual.value("base.thickness") == 1.5
    for own in (2.0, 3.0):  # the workshop's own stays, whatever it is
        limits = usual.changed(base__thickness=own)
        assert dowels.thick_enough(limits, [pad]) is limits
