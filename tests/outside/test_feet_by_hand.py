"""Navicular, instep, big toe, forefoot, deviations and dowels, each worked by hand.

By construction: a foot is built from borders, heights and one knob that stand here as numbers; its
walls are upright and its back falls evenly, so that every expected figure is arithmetic on them.
Nothing is taken from the program. Where a figure was published, or is a rule of thumb, it is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from footscan.foot import Foot, SoleMap
from footscan.measuring import footprint, landmarks, measures
from footscan.measuring.deviations import SD
from footscan.measuring.local_fit import Cloud
from footscan.results import Landmark
from footscan.scan import Kind, Load, Side
from insole.planning import dowels
from insole.record.planned_parts import BasePlan, PadPlan
from tests.plans import sample_foot

LENGTH = 250.0
HEEL, BALL = (45.0, 30.0), (182.5, 44.0)  # on the medial border: at 18 % and at 73 % of the length
INSTEP, FALL = 62.0, 0.30  # height of the back at half the length, and its fall, mm per mm
WALL = 8.0  # exponent of a section's outline: the sides are upright, top and sole are level


@dataclass(frozen=True)
class Built:
    """A foot built for one question: the big toe's turn, a knob on its inner side, noise."""

    hallux: float = 0.0  # degrees to the little toe
    knob: tuple[float, float, float] = (0.45 * LENGTH, 32.0, 6.0)  # x, z, how far it stands out
    noise: float = 0.0
    seed: int = 0
    kind: Kind = Kind.STANDING

    def medial(self, x):
        """Straight from the heel to the ball, and on from there, turned by the big toe's angle."""
        lean = math.atan2(BALL[1] - HEEL[1], BALL[0] - HEEL[0])
        ahead = math.tan(lean - math.radians(self.hallux))
        line = HEEL[1] + (x - HEEL[0]) * math.tan(lean)
        return np.where(x <= BALL[0], line, BALL[1] + (x - BALL[0]) * ahead)

    def foot(self) -> Foot:
        x = np.arange(0.0, LENGTH + 0.1, 1.5)
        c, s = _section()
        gx = np.repeat(x[:, None], len(c), axis=1)
        high = np.clip(INSTEP + FALL * (LENGTH / 2 - gx), 18.0, 80.0)
        medial, lateral = self.medial(gx), -38.0
        y = (medial + lateral) / 2 + c * (medial - lateral) / 2
        z = high / 2 * (1 + s)
        kx, kz, out = self.knob
        y += np.where(c > 0.5, out * np.exp(-((gx - kx) ** 2 + (z - kz) ** 2) / (2 * 8.0**2)), 0.0)
        points = np.stack([gx, y, z], axis=-1).reshape(-1, 3)
        points += np.random.default_rng(self.seed).normal(0.0, self.noise, points.shape)
        n, m = gx.shape
        i, j = np.meshgrid(np.arange(n - 1), np.arange(m), indexing="ij")
        a, b = i * m + j, i * m + (j + 1) % m
        quads = np.stack([a, b, b + m, a, b + m, a + m], axis=-1)
        cells = np.arange(0.0, LENGTH, 2.0), np.arange(-40.0, 46.0, 2.0)
        flat = SoleMap(x=cells[0], y=cells[1], z=np.zeros((len(cells[0]), len(cells[1]))), cell=2.0)
        return Foot(
            vertices=points,
            faces=quads.reshape(-1, 3),
            side=Side.RIGHT,
            kind=self.kind,
            load=Load.HALF,
            pose=np.eye(4),
            length=LENGTH,
            sole=flat,
        )


def _section(count: int = 160):
    """Return a rounded oblong of half sides one, its points even along a foot's own section."""
    turn = np.linspace(0.0, 2 * np.pi, 20_001)
    c, s = (np.sign(f(turn)) * np.abs(f(turn)) ** (2 / WALL) for f in (np.cos, np.sin))
    way = np.concatenate([[0.0], np.cumsum(np.hypot(39.0 * np.diff(c), 33.0 * np.diff(s)))])
    even = np.linspace(0.0, way[-1], count, endpoint=False)
    return np.interp(even, way, c), np.interp(even, way, s)


def asked(built: Built):
    foot = built.foot()
    return foot, Cloud.of(foot.vertices)


# ---- the knob on the inner side, the back at half the length


@pytest.mark.parametrize(("share", "high"), [(0.43, 28.0), (0.47, 40.0)])
def test_the_navicular_is_the_knob_above_the_arch(share, high):
    """A knob 6 mm proud of an upright wall; the wall's own lean draws its top a millimetre ahead.

    Lean of 14 mm over 137.5 against a curvature of 6 / 8² per mm: 0.102 * 64 / 6 = 1.1 mm.
    """
    foot, cloud = asked(Built(knob=(share * LENGTH, high, 6.0)))
    found = landmarks._navicular(foot, cloud)
    assert found[2] == pytest.approx(high, abs=1.0)
    assert found[0] == pytest.approx(share * LENGTH + 1.1, abs=1.5)
    wall = HEEL[1] + (found[0] - HEEL[0]) * (BALL[1] - HEEL[1]) / (BALL[0] - HEEL[0])
    assert found[1] == pytest.approx(wall + 6.0, abs=0.6)  # on the big-toe side, +y
    place = {"navicular": found}
    height = footprint.arch_measures(foot, place, "the arch is not what is asked here")
    assert height["navicular_height"].value == pytest.approx(high, abs=1.0)
    assert height["navicular_height"].unit == "mm"


def test_the_instep_is_the_back_at_half_the_length():
    """Its height there is 62 mm; 10 % of the length on it would be 7.5 mm lower or higher."""
    foot, cloud = asked(Built())
    top = landmarks._instep(foot, cloud)
    assert top[0] == pytest.approx(LENGTH / 2, abs=0.5)
    assert top[2] == pytest.approx(INSTEP, abs=0.4)


def test_instep_height_and_its_index_are_read_from_instep_and_first_head():
    """Dorsum at half the length over truncated length (Williams and McClay 2000), by hand."""
    foot, cloud = asked(Built())
    spots = {
        "pternion": (1.0, 0.0, 20.0),
        "acropodion": (249.0, 10.0, 10.0),
        "heel_centre": (40.0, 0.0, 0.0),
        "metatarsale_tibiale": (*BALL, 20.0),
        "metatarsale_fibulare": (158.0, -38.0, 20.0),
        "mth1": (184.0, 30.0, 0.0),
        "mth5": (160.0, -30.0, 0.0),
        "instep": (125.0, 5.0, INSTEP),
        "navicular": (112.0, 42.0, 33.0),
        "arch_apex": (110.0, 20.0, 12.0),
    }
    marks = {n: Landmark(xyz=np.array(at), sd=1.0, method="by hand") for n, at in spots.items()}
    found = measures.measure(foot, cloud, marks)
    assert found["instep_height"].value == pytest.approx(62.0)
    assert found["arch_height_index"].value == pytest.approx(62.0 / (184.0 - 1.0))
    assert found["navicular_height"].value == pytest.approx(33.0)
    assert found["truncated_length"].value == pytest.approx(183.0)
    assert found["outside_ball_length"].value == pytest.approx(157.0)
    assert found["heel_to_ball_length"].value == pytest.approx(181.5)
    # ahead by 24.5 mm over 82 across: the big-toe end lies ahead, so that the angle is positive
    assert found["ball_line_angle"].value == pytest.approx(math.degrees(math.atan2(24.5, 82.0)))


# ---- the big toe, the forefoot


@pytest.mark.parametrize("turned", [-6.0, 0.0, 12.0, 28.0])
def test_the_hallux_angle_is_the_angle_between_two_straight_borders(turned):
    """Heel side to ball, ball to big toe: two lines by construction; + towards the little toe."""
    foot, cloud = asked(Built(hallux=turned))
    found = footprint.hallux_line_angle(foot, cloud, {"metatarsale_tibiale": np.array([*BALL, 20])})
    assert found.unit == "deg"
    assert found.value == pytest.approx(turned, abs=0.8)


@pytest.mark.parametrize(
    ("kind", "why"),
    [(Kind.HANGING, "levelled by its own heel and ball"), (Kind.STANDING, "ground flattens")],
)
def test_the_forefoot_angle_is_not_told_and_the_reason_is_the_right_one(kind, why):
    """Levelled through both outer heads any forefoot reads zero; so a figure would be the level's.

    By construction: a plane through heel and both heads has, seen along the foot, no tilt against
    the line of the heads, whatever the heads' heights were before.
    """
    heel, one, five = np.array([[20.0, 0, 0], [184.0, 30, 4.0], [160.0, -30, 0.0]])
    normal = np.cross(one - heel, five - heel)
    assert normal / np.linalg.norm(normal) @ (one - five) == pytest.approx(0.0, abs=1e-9)
    assert why in footprint.no_forefoot_angle(Built(kind=kind).foot())


# ---- what is said of how sure a place is


def test_places_scatter_by_no_more_than_is_said():
    """Eight scans of one built foot with 0.3 mm noise, each against the numbers it was built from.

    The stated deviation is that of good scans of all feet, so that one plain foot stays below it.
    """
    found: dict[str, list[float]] = {"instep": [], "heel_centre": [], "navicular": []}
    middle = (float(Built().medial(0.16 * LENGTH)) - 38.0) / 2
    for seed in range(8):
        foot, cloud = asked(Built(noise=0.3, seed=seed))
        found["instep"].append(landmarks._instep(foot, cloud)[2] - INSTEP)
        found["heel_centre"].append(landmarks.heel_middle(cloud, LENGTH)[0][1] - middle)
        found["navicular"].append(landmarks._navicular(foot, cloud)[2] - 32.0)
    for name, off in found.items():
        assert float(np.sqrt(np.mean(np.square(off)))) <= landmarks.SD_MM[name], name


def test_an_estimate_is_called_one():
    """Heads and navicular are guessed through the skin: their band says so.

    A tuberosity felt by hand is found again to some 3 mm (navicular height between observers,
    value from memory), one that is only seen no better; joint centres under the skin lie within
    3 mm at best. A band that is tighter would let a pad's side come up to the bone.
    """
    assert landmarks.SD_MM["navicular"] >= 5.0
    assert SD["navicular_height"] >= 4.0
    assert all(landmarks.SD_MM[f"mth{k}"] >= 2.5 for k in range(1, 6))
    assert landmarks.SD_MM["mth5"] >= landmarks.SD_MM["mth1"]  # on the flatter border
    assert landmarks.SD_MM["arch_apex"] >= 1.5  # the top of an arch is flat
    assert SD["truncated_length"] == landmarks.SD_MM["mth1"]  # the same head, along the foot
    # one millimetre of border at 25 to 60 mm of big toe turns its line by 1 to 2 degrees
    assert SD["hallux_angle"] >= 0.8


def test_a_place_set_by_hand_is_known_to_a_millimetre():
    """A fingertip on a screen or a felt spot: 1 mm, common practice, no source."""
    foot, _ = asked(Built())
    old = {"navicular": Landmark(xyz=np.array([112.0, 42.0, 33.0]), sd=8.0, method="scan")}
    new = landmarks.override(old, {"navicular": np.array([115.0, 41.0, 35.0])}, foot)["navicular"]
    assert new.sd == pytest.approx(1.0)
    assert new.xyz == pytest.approx([115.0, 41.0, 35.0])
    assert new.automatic == pytest.approx([112.0, 42.0, 33.0])


# ---- dowels


def _slab() -> tuple[BasePlan, PadPlan]:
    """A base of 3 mm and a pad of even thickness, 8 mm, from 90 to 150 mm along."""
    foot = sample_foot("right", thickness=3.0)
    ring = [(90.0, -15.0), (150.0, -15.0), (150.0, 30.0), (90.0, 30.0)]
    n, m = 45, 36
    top = foot.pad.top.model_copy(
        update={"x0": 86.0, "y0": -19.0, "step": 1.5, "z": [[8.0] * m] * n}
    )
    return foot.base, foot.pad.model_copy(update={"outline": ring, "top": top})


@pytest.mark.parametrize(
    ("apex", "wanted"),
    [
        # 12 behind and 3 lateral of the apex, 12 ahead and 3 lateral, 3 ahead and 6 medial: the
        # apex lies on the 3 mm grid, so these places do; sides of 24, 17.5 and 12.7 mm
        ((120.0, 9.0), [(108.0, 6.0), (132.0, 6.0), (123.0, 15.0)]),
        ((117.0, 6.0), [(105.0, 3.0), (129.0, 3.0), (120.0, 12.0)]),
        # off the grid by a third of a step: the next places of the grid
        ((121.0, 10.0), [(108.0, 6.0), (132.0, 6.0), (123.0, 15.0)]),
    ],
)
def test_dowels_stand_on_the_grid_about_the_arch_apex(apex, wanted):
    base, pad = _slab()
    found, _ = dowels.placed(base, pad, (), np.array([*apex, 12.0]))
    assert np.array(found.dowels) == pytest.approx(np.array(wanted))
    a, b, c = (np.array(spot) for spot in found.dowels)
    sides = sorted(float(np.hypot(*step)) for step in (b - a, c - b, a - c))
    assert np.diff(sides).min() >= 1.5  # no turn brings it back, and no other foot's pad fits


def test_sockets_leave_what_must_stay():
    """1.2 mm stay under a socket: 3.0 mm of base take 1.8, 4.5 mm no more than 2, 2.0 mm none."""
    assert dowels.base_depth(3.0) == pytest.approx(1.8)
    assert dowels.base_depth(4.5) == pytest.approx(2.0)
    assert dowels.base_depth(2.0) == 0.0
    base, pad = _slab()
    thin = pad.model_copy(
        update={"top": pad.top.model_copy(update={"z": [[3.0] * 36] * 45})}
    )  # 2 mm of socket and 1.2 mm above it are more than 3
    assert dowels.placed(base, thin, (), np.array([120.0, 9.0, 12.0]))[0].dowels == []
