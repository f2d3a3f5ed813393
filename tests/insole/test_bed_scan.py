"""A scanned bed: made from a formula, scanned in any pose, and found again.

The bed is written here as height over (s, t): share of the length and of the half width. Its
outline is symmetric about y = 0 at 16 % and at 72 % of the length, so that the formula already
stands in the bed frame; its heel seat is level across and its drop is that of the midline.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from insole.errors import PlanError
from insole.shoe import shoe as shoes

LENGTH, DROP, SPRING, DISH, ARCH, CANT = 280.0, 9.0, 5.0, 5.0, 7.0, 1.5
BALL = 0.72
SIZES = {"length": LENGTH, "ball_width": 100, "heel_width": 66}
HALF = CubicSpline([0.0, 0.16, 0.45, 0.72, 0.80, 1.0], [33.0, 33.0, 37.0, 49.5, 50.0, 44.0])
MIDDLE = CubicSpline([0.0, 0.16, 0.45, 0.72, 1.0], [0.0, 0.0, -3.0, 0.0, 14.0])


def smoothstep(u):
    u = np.clip(u, 0.0, 1.0)
    return u * u * (3 - 2 * u)


def place(s, t):
    """Return x, y of shares s along and t across, mm; rounded ends."""
    rear, front = np.clip(s / 0.12, 0, 1), np.clip((1 - s) / 0.18, 0, 1)
    ends = np.sqrt(1 - (1 - rear) ** 2) * np.sqrt(1 - (1 - front) ** 2)
    return LENGTH * s, MIDDLE(s) + t * HALF(s) * ends


def height(s, t, cant=CANT, relief=1.0):
    """Heel dish, ramp, arch rise on the medial side, cant growing to the ball, toe spring."""
    _, y = place(s, t)
    fade = 1 - smoothstep((s - 0.2) / 0.4)
    arch = ARCH * np.clip(t, 0, 1) ** 2 * np.sin(np.pi * np.clip((s - 0.22) / 0.45, 0, 1)) ** 2
    return (
        DROP * (1 - smoothstep((s - 0.12) / 0.6))
        + relief * (DISH * t**2 * fade + arch)
        + y * math.tan(math.radians(cant)) * smoothstep((s - 0.25) / 0.4)
        + SPRING * np.clip((s - BALL) / (1 - BALL), 0, 1) ** 2
    )


def sheet(*, cant=CANT, relief=1.0, step=2.0):
    """Return vertices in the bed frame and upward faces of the bed's face alone."""
    s = np.linspace(0.0008, 0.9992, round(LENGTH / step))
    t = np.linspace(-1.0, 1.0, round(100 / step))
    gs, gt = np.meshgrid(s, t, indexing="ij")
    x, y = place(gs, gt)
    points = np.stack([x, y, height(gs, gt, cant, relief)], axis=-1).reshape(-1, 3)
    i = np.arange(len(s) * len(t)).reshape(len(s), len(t))
    a, b, c, d = (k.ravel() for k in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    return points, np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def turned(points, seed):
    turn = Rotation.random(random_state=seed)
    shift = np.random.default_rng(seed).uniform(-400, 400, 3)
    return turn.apply(points) + shift, turn, shift


def written(folder, points, faces=None, *, name="bed.ply", side="right", unit=1.0, seed=1, noise=0):
    """Write the scan as a scanner would leave it, and return the pose it was given."""
    points = points.copy()
    if noise:
        points[:, 2] += np.random.default_rng(seed).normal(0, noise, len(points))
    if side == "left":
        points = points * [1, -1, 1]
        faces = faces[:, ::-1] if faces is not None else None
    points, turn, shift = turned(points, seed) if seed else (points, Rotation.identity(), 0)
    if faces is None:
        np.savetxt(Path(folder) / name, points * unit, fmt="%.5f")
    else:
        trimesh.Trimesh(points * unit, faces, process=False).export(Path(folder) / name)
    return turn, shift


def shoe_of(folder, *, name="bed.ply", side="right", inside=SIZES, **bed):
    keys = {"scan": name, "side": side, "drop": DROP} | bed
    keys = {key: value for key, value in keys.items() if value is not None}
    return shoes.parse({"name": "made up", "inside": inside, "bed": keys}, "s", Path(folder))


def refusal(folder, **keys):
    """Return the sentence with which a scan is refused, or nothing."""
    try:
        shoe_of(folder, **keys)
    except PlanError as error:
        return str(error)
    return ""


def misfit(shoe, **kind):
    """Return deviations from the formula at the inner 98 % of the bed, mm."""
    s, t = np.meshgrid(np.linspace(0.02, 0.98, 97), np.linspace(-0.98, 0.98, 41), indexing="ij")
    return shoe.bed_height(s, t) - height(s, t, **kind)


def roughly(shoe, rms=0.12, most=0.7, **kind):
    """Low-pass: sigma² / 2 x curvature, 0.04 mm in the heel's dish, more where it ends at once.

    At the rounded ends a share of the half width covers steep ground in a few millimetres, so
    the largest deviation stands there.
    """
    off = misfit(shoe, **kind)
    assert math.sqrt(float((off**2).mean())) < rms
    assert np.abs(off).max() < most
    return True


@pytest.mark.parametrize(
    ("side", "seed", "noise"),
    [("right", 0, 0), ("right", 1, 0.2), ("left", 2, 0.2), ("left", 3, 0)],
)
def test_the_formula_is_found_again_in_any_pose(tmp_path, side, seed, noise):
    points, faces = sheet()
    written(tmp_path, points, faces, side=side, seed=seed, noise=noise)
    shoe = shoe_of(tmp_path, side=side)
    assert roughly(shoe)
    assert shoe.bed_known
    assert shoe.drop == pytest.approx(DROP, abs=0.05)
    assert shoe.toe_spring == pytest.approx(SPRING, abs=0.3)
    # a border wanders by half a millimetre of noise: 0.5 / 100 is 0.3 degrees at the very worst
    assert shoe.ball_tilt == pytest.approx(CANT, abs=0.2)
    assert float(shoe.bed_height(BALL, 0.0)) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("cant", [-3.0, 0.0, 2.0])
def test_cant_is_signed_medial_side_up(tmp_path, cant):
    written(tmp_path, *sheet(cant=cant), side="left", noise=0.2)
    shoe = shoe_of(tmp_path, side="left")
    assert shoe.ball_tilt == pytest.approx(cant, abs=0.2)
    assert roughly(shoe, cant=cant)


def test_the_border_of_the_scan_is_the_outline_unless_one_was_traced(tmp_path):
    import shapely

    written(tmp_path, *sheet(), noise=0.1)
    s = np.linspace(0.001, 0.999, 300)
    formula = np.vstack([np.column_stack(place(s, -1.0)), np.column_stack(place(s, 1.0))[::-1]])
    shoe = shoe_of(tmp_path)
    apart = shapely.Polygon(shoe.outline).hausdorff_distance(shapely.Polygon(formula))
    assert apart < 1.5  # two cells and the smoothing at the rounded toe
    ring = formula[::6].tolist()
    data = {
        "name": "n",
        "inside": SIZES,
        "bed": {"scan": "bed.ply", "side": "right", "drop": DROP},
        "outline": {"side": "right", "points": ring},
    }
    assert len(shoes.parse(data, "s", tmp_path).outline) == len(ring)


@pytest.mark.parametrize(
    ("unit", "factor"), [("mm", 1.0), ("cm", 0.1), ("m", 0.001), ("inch", 1 / 25.4)]
)
def test_unit_is_told_from_the_length_and_may_be_stated(tmp_path, unit, factor):
    written(tmp_path, *sheet(step=3), name="bed.obj", unit=factor)
    told, stated = (shoe_of(tmp_path, name="bed.obj", unit=u) for u in (None, unit))
    assert roughly(told)
    assert told.record() == stated.record()
    wrong = "cm" if unit == "mm" else "mm"
    with pytest.raises(PlanError, match=rf"about 280 mm long .* in {wrong} it is .* bed.unit"):
        shoe_of(tmp_path, name="bed.obj", unit=wrong)


@pytest.mark.parametrize("name", ["bed.stl", "bed.glb", "bed.xyz"])
def test_any_format_that_is_read_does(tmp_path, name):
    points, faces = sheet()
    written(tmp_path, points, None if name == "bed.xyz" else faces, name=name, noise=0.1)
    assert roughly(shoe_of(tmp_path, name=name))


def test_scattered_bare_points_do_as_well(tmp_path):
    rng = np.random.default_rng(4)
    s, t = rng.uniform(0.001, 0.999, 30_000), rng.uniform(-1, 1, 30_000)
    written(tmp_path, np.column_stack([*place(s, t), height(s, t)]), name="bed.xyz", noise=0.2)
    assert roughly(shoe_of(tmp_path, name="bed.xyz"), most=1.0)  # cells of 1.4 mm


def border_edges(points, faces):
    mesh = trimesh.Trimesh(points, faces, process=False)
    return mesh.edges[trimesh.grouping.group_rows(mesh.edges_sorted, require_count=1)]


def rim(points, faces, drawn):
    """Return the sheet joined to `drawn` (its border moved elsewhere) by a band of faces."""
    loop, n = border_edges(points, faces), len(points)
    used, back = np.unique(loop, return_inverse=True)
    back = back.reshape(loop.shape) + n
    band = np.vstack(
        [
            np.column_stack([loop[:, 1], loop[:, 0], back[:, 0]]),
            np.column_stack([loop[:, 1], back[:, 0], back[:, 1]]),
        ]
    )
    return np.vstack([points, drawn(points[used])]), np.vstack([faces, band])


def closed(points, faces, back):
    """Return a solid of the sheet and its copy moved by `back`."""
    n, moved = len(points), back(points)
    loop = border_edges(points, faces)
    wall = np.vstack(
        [
            np.column_stack([loop[:, 1], loop[:, 0], loop[:, 0] + n]),
            np.column_stack([loop[:, 1], loop[:, 0] + n, loop[:, 1] + n]),
        ]
    )
    return np.vstack([points, moved]), np.vstack([faces, faces[:, ::-1] + n, wall])


def lifted(by, flat=None):
    def back(points):
        moved = points + np.array([0, 0, by])
        if flat is not None:
            moved[:, 2] = flat
        return moved

    return back


def test_a_closed_insole_shows_its_top(tmp_path):
    points, faces = closed(*sheet(), lifted(-4.0))
    written(tmp_path, points, faces, noise=0.05)
    assert roughly(shoe_of(tmp_path))


def test_walls_of_the_shoe_are_left_out(tmp_path):
    def wall(border):
        out = border - [border[:, 0].mean(), 0, 0]
        out[:, 2] = 0
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        return border + 4 * out + [0, 0, 30]

    written(tmp_path, *rim(*sheet(step=1.0), wall), noise=0.1)
    shoe = shoe_of(tmp_path)
    assert roughly(shoe, rms=0.3, most=3.0)  # a millimetre of border more or less
    s, t = np.linspace(0.1, 0.9, 33)[:, None], np.linspace(-0.85, 0.85, 9)
    assert np.abs(shoe.bed_height(s, t) - height(s, t)).max() < 0.35


@pytest.mark.parametrize("solid", [True, False])
def test_a_cast_is_seen_from_below_and_must_be_stated(tmp_path, solid):
    """A cast fills the shoe: its flat back lies above the bed, its face looks down."""
    points, faces = sheet()
    faces = faces[:, ::-1]
    if solid:
        points, faces = closed(points, faces, lifted(0.0, flat=70.0))
    written(tmp_path, points, faces, side="left", seed=5)
    assert roughly(shoe_of(tmp_path, side="left", cast=True))
    with pytest.raises(PlanError, match=r"bed\.scan is .* dished.* bed\.cast = true"):
        shoe_of(tmp_path, side="left")


def test_a_bed_stated_as_a_cast_is_refused(tmp_path):
    written(tmp_path, *sheet(step=3))
    with pytest.raises(PlanError, match=r"leave bed\.cast out if the bed itself was scanned"):
        shoe_of(tmp_path, cast=True)


def test_an_upper_above_the_bed_must_be_stated(tmp_path):
    points, faces = sheet()
    s, t = np.meshgrid(np.linspace(0.6, 0.999, 60), np.linspace(-1, 1, 60), indexing="ij")
    x, y = place(s, t)
    roof = np.stack([x, y, 40 - 12 * t**2 - 10 * (s - 0.6)], axis=-1).reshape(-1, 3)
    i = np.arange(3600).reshape(60, 60)
    more = np.column_stack([i[:-1, :-1].ravel(), i[:-1, 1:].ravel(), i[1:, 1:].ravel()])
    a_wall = np.linspace(points[3], roof[3], 60)  # the upper hangs together with the bed
    both = np.vstack([points, roof, a_wall])
    turn, _ = written(tmp_path, both, np.vstack([faces, more + len(points)]))
    up = turn.apply([0, 0, 1]).tolist()
    assert shoe_of(tmp_path, covered=True, up=up).bed_known
    with pytest.raises(PlanError, match=r"bed\.up is missing, .* given with bed\.covered"):
        shoe_of(tmp_path, covered=True)
    with pytest.raises(PlanError, match=r"a second surface .* bed\.covered = true"):
        shoe_of(tmp_path, up=up)


def test_a_shoe_that_stood_level_keeps_its_own_level(tmp_path):
    """Turned about the vertical only, and canted by 2° as a whole: the scan shows drop and cant."""
    points, faces = sheet()
    tilted = Rotation.from_euler("x", 2, degrees=True).apply(points)
    upright = Rotation.from_euler("z", 130, degrees=True).apply(tilted)
    written(tmp_path, upright[:, [2, 0, 1]], faces, seed=0)  # the file's up is x
    keys = {"up": [3, 0, 0], "level": True}
    shoe = shoe_of(tmp_path, drop=None, **keys)
    assert shoe.drop == pytest.approx(DROP, abs=0.05)
    assert shoe.ball_tilt == pytest.approx(CANT + 2, abs=0.2)
    with pytest.raises(PlanError, match=r"bed\.drop is 4, .* 2 mm of the 9.* leave bed.level"):
        shoe_of(tmp_path, drop=4, **keys)
    lying = shoe_of(tmp_path)  # without a level of its own the heel seat is taken as level
    assert lying.ball_tilt == pytest.approx(CANT, abs=0.2)
    with pytest.raises(PlanError, match=r"bed\.drop is missing, .* does not show its pitch"):
        shoe_of(tmp_path, drop=None)


def test_a_stated_cant_of_the_heel_seat_turns_the_bed(tmp_path):
    written(tmp_path, *sheet())
    data = {
        "name": "n",
        "inside": SIZES,
        "bed": {"scan": "bed.ply", "side": "right", "drop": DROP},
        "shell": {"cant_heel": -2.0},
    }
    assert shoes.parse(data, "s", tmp_path).ball_tilt == pytest.approx(CANT - 2, abs=0.2)


@pytest.mark.parametrize("relief", [0.0, 0.1])
def test_a_bed_without_a_dish_asks_which_way_is_up(tmp_path, relief):
    turn, _ = written(tmp_path, *sheet(relief=relief, step=3), seed=6)
    with pytest.raises(PlanError, match=r"which way is up; state bed\.up = \[x, y, z\]"):
        shoe_of(tmp_path)
    lean = turn.apply(Rotation.from_euler("y", 10, degrees=True).apply([0, 0, 1])).tolist()
    assert roughly(shoe_of(tmp_path, up=lean), relief=relief)
    with pytest.raises(PlanError, match=r"bed\.up is .* square to the bed's face"):
        shoe_of(tmp_path, up=turn.apply([1, 0, 0]).tolist())


def test_a_bed_as_wide_at_the_heel_asks_for_its_ends(tmp_path):
    points, faces = sheet(step=2)
    points[:, 1] *= HALF(BALL) / HALF(points[:, 0] / LENGTH)
    turn, shift = written(tmp_path, points, faces, unit=0.1)
    with pytest.raises(PlanError, match=r"narrower at the heel .* state bed\.heel and bed\.toe"):
        shoe_of(tmp_path)
    heel, toe = ((turn.apply(p) + shift) / 10 for p in ([20.0, 0, 9], [250.0, 20, 2]))
    shoe = shoe_of(tmp_path, heel=heel.tolist(), toe=toe.tolist())
    assert float(shoe.bed_height(1.0, 0.0)) == pytest.approx(SPRING, abs=0.5)
    with pytest.raises(PlanError, match=r"bed\.toe is missing, .* given together"):
        shoe_of(tmp_path, heel=heel.tolist())


def without(points, faces, s, t, radius):
    """Return the sheet with a round hole."""
    centre = np.array(place(np.array(s), np.array(t)))
    far = np.hypot(*(points[:, :2] - centre).T) > radius
    return points, faces[far[faces].all(axis=1)]


def test_small_holes_are_filled_and_large_ones_refused_with_size_and_place(tmp_path):
    points, faces = sheet()
    written(tmp_path, *without(points, faces, 0.40, 0.4, 7.5))
    assert roughly(shoe_of(tmp_path))
    written(tmp_path, *without(points, faces, 0.40, 0.4, 15.0), side="left")
    match = r"hole (29|30|31|32|33) mm across at (39|40|41) % of .* medial half; .*up to 20 mm"
    with pytest.raises(PlanError, match=match):
        shoe_of(tmp_path, side="left")
    written(tmp_path, *without(points, faces, 0.55, -1.0, 20.0))
    with pytest.raises(PlanError, match=r"border is broken at 5\d % .* lateral half; scan"):
        shoe_of(tmp_path)


def test_strays_and_loose_pieces_do_not_move_the_bed(tmp_path):
    points, _ = sheet()
    rng = np.random.default_rng(8)
    strays = rng.uniform(-300, 600, (200, 3))
    blob = np.array([150, 120, 40]) + rng.normal(0, 6, (400, 3))
    near = points[::501] + np.array([0, 0, 8])  # specks that hover over the bed
    written(tmp_path, np.vstack([points, strays, blob, near]), name="bed.xyz")
    assert roughly(shoe_of(tmp_path, name="bed.xyz"))


@pytest.mark.parametrize("side", ["right", "left"])
def test_the_wrong_side_is_seen_at_the_toes(tmp_path, side):
    written(tmp_path, *sheet(step=3), side=side)
    with pytest.raises(PlanError, match=rf'bed\.side is .* must be "{side}": the toe end'):
        shoe_of(tmp_path, side="left" if side == "right" else "right")


@pytest.mark.parametrize(
    ("inside", "keys", "match"),
    [
        ({"length": 300}, {}, r"bed\.scan is .* within 8 mm of inside\.length, 300 mm; .* 280 mm"),
        ({"length": 340}, {}, r"about 340 mm long .* nearest unit, it is 28\d"),
        ({"ball_width": 110}, {}, r"within 6 mm of inside\.ball_width, 110 mm; .* 10\d mm wide"),
        ({}, {"side": None}, r'bed\.side is missing, .* "left" or "right"'),
        ({}, {"side": "medial"}, r'bed\.side is "medial", .* one of "left", "right"'),
        ({}, {"unit": "ft"}, r'bed\.unit is "ft", .* one of "mm", "cm"'),
        ({}, {"scan": "../bed.ply"}, r"bed\.scan is .* plain name"),
        ({}, {"scan": "none.ply"}, r"bed\.scan is .* no such file"),
        ({}, {"scan": 3}, r"bed\.scan is 3, .* a text"),
        ({}, {"cast": "yes"}, r"bed\.cast is \"yes\", .* true or false"),
        ({}, {"up": [0, 0, 0]}, r"bed\.up is \[0, 0, 0\], .* not zero"),
        ({}, {"up": [0, 0]}, r"bed\.up is \[0, 0\], .* three numbers"),
        ({}, {"up": [0, 0, math.nan]}, r"bed\.up is .* nan"),
        ({}, {"level": True}, r"bed\.up is missing, .* given with bed\.level"),
        ({}, {"drop": 50}, r"bed\.drop is 50, .* -10 to 30 mm"),
        ({}, {"toe_spring": 15}, r"bed\.toe_spring is 15, .* within 5 mm of the 5"),
        ({}, {"heights": {}}, r"bed\.heights is .* left out where bed\.scan"),
        ({}, {"skan": "x"}, r"bed\.skan is not a key"),
    ],
)
def test_each_mistake_gets_one_sentence(tmp_path, inside, keys, match):
    written(tmp_path, *sheet(step=4))
    with pytest.raises(PlanError, match=match) as caught:
        shoe_of(tmp_path, inside=SIZES | inside, **keys)
    assert str(caught.value).startswith("s: ")
    assert "\n" not in str(caught.value)


def test_a_cut_or_damaged_file_is_one_sentence(tmp_path):
    written(tmp_path, *sheet(step=4), name="bed.stl")
    whole = (tmp_path / "bed.stl").read_bytes()
    rng = np.random.default_rng(11)
    for cut in (0, 1, 80, 84, len(whole) // 2, len(whole) - 1):
        (tmp_path / "bed.stl").write_bytes(whole[:cut])
        with pytest.raises(PlanError, match=r"^s: bed\.scan: bed\.stl [^\n]*$"):
            shoe_of(tmp_path, name="bed.stl")
    for _ in range(6):  # random bytes over the corners of some triangles: an answer or a sentence
        broken = bytearray(whole)
        for at in rng.integers(84, len(whole), 300):
            broken[at] = rng.integers(256)
        (tmp_path / "bed.stl").write_bytes(bytes(broken))
        said = refusal(tmp_path, name="bed.stl")
        assert "\n" not in said


def test_what_is_no_bed_is_refused(tmp_path):
    trimesh.creation.box((280, 100, 40)).subdivide_to_size(6).export(tmp_path / "bed.ply")
    with pytest.raises(PlanError, match="which way is up"):
        shoe_of(tmp_path)
    trimesh.creation.icosphere(radius=140, subdivisions=4).export(tmp_path / "bed.ply")
    with pytest.raises(PlanError, match=r"^s: bed"):
        shoe_of(tmp_path)
    line = np.column_stack([np.linspace(0, 280, 500), np.zeros(500), np.zeros(500)])
    np.savetxt(tmp_path / "bed.xyz", line)
    with pytest.raises(PlanError, match=r"^s: bed"):
        shoe_of(tmp_path, name="bed.xyz")


def test_the_record_holds_the_bed_without_the_scan(tmp_path):
    written(tmp_path, *sheet(), noise=0.2)
    shoe = shoe_of(tmp_path)
    text = json.dumps(shoe.record())
    (tmp_path / "bed.ply").unlink()
    again = shoes.parse(json.loads(text))
    assert again.record() == shoe.record()
    x, y = np.meshgrid(np.linspace(0, 1, 50), np.linspace(-1, 1, 21))
    assert np.array_equal(again.bed_height(x, y), shoe.bed_height(x, y))
    assert (again.bed_known, again.drop, again.ball_tilt) == (True, shoe.drop, shoe.ball_tilt)
    assert len(text) < 25_000
    assert "heel seat" in shoe.surface.origin


@pytest.mark.parametrize(
    ("key", "value", "match"),
    [
        ("heights", None, r"bed\.surface\.heights is None, .* rows"),
        ("heights", [[1.0, 2.0]], r"bed\.surface\.heights is .* rows"),
        ("heights", [[0.0] * 20] * 19 + [[0.0]], r"bed\.surface\.heights is .* rows"),
        ("heights", [[math.inf] * 20] * 20, r"bed\.surface\.heights is .* rows"),
        ("heights", "x" * 40, r"bed\.surface\.heights is .* rows"),
        ("ball_span", 5, r"bed\.surface\.ball_span is 5, .* 40 to 150 mm"),
        ("origin", 5, r"bed\.surface\.origin is 5, .* a text"),
        ("hights", 5, r"bed\.surface\.hights is not a key"),
    ],
)
def test_a_damaged_record_is_refused(key, value, match):
    good = {"origin": "o", "ball_span": 100.0, "heights": [[0.0] * 20] * 20}
    data = {"name": "n", "inside": SIZES, "bed": {"surface": good | {key: value}}}
    with pytest.raises(PlanError, match=match):
        shoes.parse(data)


def gauged():
    """Return what a contour gauge shows of the formula at the five stations."""
    at = np.array([shoes.HEEL_AT, 0.25, 0.45, 0.60, shoes.BALL_AT])
    lines = (("medial", 1.0), ("midline", 0.0), ("lateral", -1.0))
    return {name: np.round(height(at, t), 2).tolist() for name, t in lines}


def test_a_plan_on_the_scan_is_the_plan_on_the_gauged_heights(tmp_path):
    """Between its stations and lines the gauge interpolates: half a millimetre, no more."""
    from insole.planning import planner
    from tests import feet

    s = np.linspace(0.001, 0.999, 120)
    ring = np.vstack([np.column_stack(place(s, -1.0)), np.column_stack(place(s, 1.0))[::-1]])
    rest = {"name": "n", "inside": SIZES, "outline": {"side": "right", "points": ring.tolist()}}
    written(tmp_path, *sheet(), noise=0.1)
    scan = {"scan": "bed.ply", "side": "right", "drop": DROP}
    beds = {"scan": scan, "gauge": {"heights": gauged(), "toe_spring": SPRING}}
    made = {}
    for name, bed in beds.items():
        shoe = shoes.parse(rest | {"bed": bed}, "s", tmp_path)
        made[name] = planner.plan(None, feet.analytic(arch=20.0), shoe)
    scanned, gauge = made["scan"].right, made["gauge"].right
    assert scanned.seating.band == gauge.seating.band
    assert np.allclose(scanned.seating.foot_to_bed, gauge.seating.foot_to_bed, atol=0.1)
    assert scanned.pad is not None
    assert scanned.pad.gap_at_crest.value == pytest.approx(gauge.pad.gap_at_crest.value, abs=0.7)
    assert scanned.pad.crest.from_rear == pytest.approx(gauge.pad.crest.from_rear, abs=6.0)


def test_a_stored_plan_is_planned_again_without_the_scan(tmp_path):
    """Bed and border come from the plan alone: the same plan, to the last digit."""
    from insole.planning import planner
    from insole.record.plan import from_json, to_json
    from tests import feet

    written(tmp_path, *sheet(step=2))
    plan = planner.plan(None, feet.analytic(), shoe_of(tmp_path))
    (tmp_path / "bed.ply").unlink()
    shoe = shoes.parse(from_json(to_json(plan)).shoe)
    assert shoe.bed_known
    assert planner.plan(None, feet.analytic(), shoe) == plan
