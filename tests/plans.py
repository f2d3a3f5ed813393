"""A complete plan of our own making: an invented rider, every shape from a formula.

    sample_plan() -> Plan for both feet, left 268 mm and right 270 mm

Nothing here was scanned. Outlines are periodic splines through a few stations, the pad is a
quartic dome with tangent edges, so that areas, heights and volumes can be checked by formula.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from shapely import Polygon, box

from insole.record.plan import CleatPlan, FootPlan, Plan, SeatingRecord, ThicknessRow
from insole.record.planned_parts import BasePlan, Crest, PadPlan, WedgePlace, WedgePlan
from insole.record.values import HeightGrid, Note, NoteLevel, Quantity

__all__ = [
    "SAMPLE_LABELS",
    "bed_ring",
    "dome_heights",
    "dome_ring",
    "dome_volume",
    "sample_foot",
    "sample_pad",
    "sample_plan",
    "sample_wedge",
]

Ring = NDArray[np.float64]

# the parts of `sample_plan(under=True)`, in their order
SAMPLE_LABELS = (
    "left-base",
    "left-arch-pad",
    "left-heel-shim",
    "right-base",
    "right-arch-pad",
    "right-forefoot-shim",
    "right-under-shoe-shim",
)

# share of length, medial and lateral half width of a bed 278 mm long: about 95 mm at the ball
STATIONS = (
    (0.020, 15.0, -15.0),
    (0.070, 26.0, -25.0),
    (0.160, 32.5, -31.5),
    (0.300, 33.5, -34.0),
    (0.450, 34.5, -38.5),
    (0.590, 40.0, -44.5),
    (0.710, 46.5, -48.5),
    (0.820, 45.5, -44.0),
    (0.900, 39.0, -34.5),
    (0.965, 26.0, -19.0),
)
BED_LENGTH = 278.0
EDGE = 0.4  # mm, edge of the pad
WEDGE_EDGE = 0.5
SHOE = {
    "name": "demo road shoe 43",
    "inside": {"length": 278.0, "ball_width": 96.0, "heel_width": 66.0},
    "bed": {"drop": 14.0},
    "shell": {"cant_forefoot": 0.0, "stiffness": "stiff"},
    "cleat": {
        "mark": "middle of the lower bolt slot",
        "front": 5.0,
        "rear": -5.0,
        "float": 6.0,
        "holes": [[17.0, 0.0], [-11.0, 18.0], [-11.0, -18.0]],
        "bolt_length": 12.0,
        "engagement": 5.6,
    },
}


def bed_ring(length: float = BED_LENGTH, *, n: int = 240) -> Ring:
    """Return a smooth bed outline, counter-clockwise, shape (n, 2), rear end at x = 0."""
    half = length / BED_LENGTH
    lateral = [(share * length, low * half) for share, _, low in STATIONS]
    medial = [(share * length, high * half) for share, high, _ in reversed(STATIONS)]
    points = np.array([(0.0, 0.0), *lateral, (length, 5.0 * half), *medial, (0.0, 0.0)])
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    spline = CubicSpline(chord, points, bc_type="periodic")
    ring = np.asarray(spline(np.linspace(0.0, chord[-1], n, endpoint=False)))
    ring[:, 0] = (ring[:, 0] - ring[:, 0].min()) * (length / np.ptp(ring[:, 0]))
    return ring


# the dome: crest, then half axes forward, rearward, medial, lateral, mm
CREST = (128.0, 8.0)
AXES = (42.0, 46.0, 23.0, 33.0)


def _turned(x: Ring, y: Ring, crest: tuple[float, float], turn: float) -> tuple[Ring, Ring]:
    angle = math.radians(turn)
    dx, dy = x - crest[0], y - crest[1]
    along = dx * math.cos(angle) + dy * math.sin(angle)
    across = -dx * math.sin(angle) + dy * math.cos(angle)
    return along, across


def dome_heights(
    x: Ring, y: Ring, *, height: float = 10.0, crest: tuple[float, float] = CREST, turn: float = 3.0
) -> Ring:
    """Return heights of the dome H (1 - u2)2, zero outside: tangent to the bed at its edge."""
    along, across = _turned(x, y, crest, turn)
    front, rear, medial, lateral = AXES
    u2 = (along / np.where(along > 0, front, rear)) ** 2
    u2 = u2 + (across / np.where(across > 0, medial, lateral)) ** 2
    return np.asarray(height * np.clip(1.0 - u2, 0.0, None) ** 2)


def dome_ring(
    *,
    height: float = 10.0,
    crest: tuple[float, float] = CREST,
    turn: float = 3.0,
    edge: float = EDGE,
    n: int = 180,
) -> Ring:
    """Return the ring on which the dome is `edge` high, counter-clockwise, shape (n, 2)."""
    scale = math.sqrt(1.0 - math.sqrt(edge / height))
    t = np.linspace(0.0, 2 * math.pi, n, endpoint=False)
    front, rear, medial, lateral = AXES
    along = scale * np.cos(t) * np.where(np.cos(t) > 0, front, rear)
    across = scale * np.sin(t) * np.where(np.sin(t) > 0, medial, lateral)
    angle = math.radians(turn)
    return np.column_stack(
        [
            crest[0] + along * math.cos(angle) - across * math.sin(angle),
            crest[1] + along * math.sin(angle) + across * math.cos(angle),
        ]
    )


def dome_volume(*, height: float = 10.0, edge: float = EDGE) -> float:
    """Return the volume under the dome inside :func:`dome_ring`, mm3, by formula.

    Integral of H (1 - u2)2 over u < s is pi a b H (1 - (1 - s2)3) / 3 for an ellipse; the four
    quarters have their own half axes.
    """
    front, rear, medial, lateral = AXES
    mean_ab = (front + rear) * (medial + lateral) / 4.0
    s2 = 1.0 - math.sqrt(edge / height)
    return math.pi * mean_ab * height * (1.0 - (1.0 - s2) ** 3) / 3.0


def _ring_list(ring: Ring) -> list[tuple[float, float]]:
    return [(round(float(x), 6), round(float(y), 6)) for x, y in ring]


def sample_pad(
    bed: Ring,
    *,
    height: float = 10.0,
    name: str = "medium 10",
    turn: float = 3.0,
    step: float = 2.0,
) -> PadPlan:
    """Return a pad with the dome's surface on a grid of `step` mm."""
    ring = dome_ring(height=height, turn=turn)
    low, high = ring.min(axis=0) - 3 * step, ring.max(axis=0) + 3 * step
    x = np.arange(math.floor(low[0]), high[0], step)
    y = np.arange(math.floor(low[1]), high[1], step)
    z = dome_heights(*np.meshgrid(x, y, indexing="ij"), height=height, turn=turn)
    medial_edge = float(
        Polygon(bed).intersection(box(CREST[0] - 0.5, -200, CREST[0] + 0.5, 200)).bounds[3]
    )
    return PadPlan(
        name=name,
        source="kit",
        outline=_ring_list(ring),
        top=HeightGrid(x0=float(x[0]), y0=float(y[0]), step=step, z=np.round(z, 6).tolist()),
        edge=EDGE,
        crest=Crest(
            from_rear=CREST[0], from_medial=round(medial_edge - CREST[1], 1), height=height
        ),
        turn=turn,
        support_level=0.8,
        front_edge=round(float(ring[:, 0].max()), 1),
        rear_edge=round(float(ring[:, 0].min()), 1),
        binding=["front edge stays 10 mm behind the ball line", "fill not above 80 % of the gap"],
        gap_at_crest=Quantity(value=height / 0.8, sd=1.5),
        residual_gap=Quantity(value=height / 0.8 - height, sd=1.5),
        step_up="one step up: 11.5 mm, fills 92 % of the gap",
        step_down="one step down: 8.5 mm, fills 68 % of the gap",
        reasons=["crest lies 1 mm behind the arch apex", "first trial fills 80 % of the gap"],
    )


def sample_wedge(bed: Ring, place: WedgePlace, net: float) -> WedgePlan:
    """Return a wedge of `net` degrees at `place`, its outline cut from the bed."""
    length = float(np.ptp(bed[:, 0]))
    full_from, full_to, rear, front = {
        WedgePlace.FOREFOOT: (162.0, 212.0, 25.0, 20.0),
        WedgePlace.HEEL: (0.0, 0.30 * length, 0.0, 25.0),
        WedgePlace.UNDER: (157.0, 223.0, 0.0, 0.0),
    }[place]
    half = 32.0 if place is WedgePlace.UNDER else 200.0
    strip = box(full_from - rear, -half, full_to + front, half)
    ring = np.array(Polygon(bed).intersection(strip).exterior.coords)[:-1]
    full = Polygon(bed).intersection(strip).intersection(box(full_from, -half, full_to, half))
    thin, thick = ring[:, 1], np.array(full.exterior.coords)[:, 1]
    width = float(thick.max() - thin.min() if net > 0 else thin.max() - thick.min())
    edge = 2.0 if place is WedgePlace.UNDER else WEDGE_EDGE
    return WedgePlan(
        place=place,
        wish=net + math.copysign(0.4, net),
        cant_kept=0.0,
        net=net,
        remainder=math.copysign(0.4, net),
        thick_side="big-toe side" if net > 0 else "little-toe side",
        width=round(width, 2),
        thick_edge=round(edge + width * math.tan(math.radians(abs(net))), 2),
        edge=edge,
        full_from=full_from,
        full_to=full_to,
        taper_rear=rear,
        taper_front=front,
        outline=_ring_list(ring),
        material="under-shoe-solid" if place is WedgePlace.UNDER else "wedge-tpu",
        reasons=["the shoe keeps no cant here", "rounded toward zero to whole degrees"],
    )


def _measures(length: float) -> dict[str, Quantity]:
    shares = {
        "heel_to_ball_length": (0.735, 1.5),
        "outside_ball_length": (0.635, 2.0),
        "foot_breadth": (0.362, 0.8),
        "foot_breadth_diagonal": (0.378, 0.9),
        "ball_girth": (0.915, 1.6),
        "instep_girth": (0.940, 2.2),
        "instep_height": (0.245, 1.5),
        "heel_breadth": (0.238, 0.8),
        "heel_breadth_max": (0.246, 0.8),
        "truncated_length": (0.738, 1.6),
        "arch_apex_height": (0.058, 1.0),
        "navicular_height": (0.150, 4.0),
    }
    measures = {"foot_length": Quantity(value=length, sd=0.6)}
    for name, (share, sd) in shares.items():
        measures[name] = Quantity(value=round(share * length, 1), sd=sd)
    measures["arch_height_index"] = Quantity(value=0.334, unit="", sd=0.012)
    measures["arch_index"] = Quantity(value=0.23, unit="", sd=0.02)
    measures["ball_line_angle"] = Quantity(value=72.0, unit="deg", sd=1.5)
    measures["hallux_angle"] = Quantity(value=6.0, unit="deg", sd=2.0)
    measures["forefoot_angle"] = Quantity(
        value=None, unit="deg", reason="the floor flattens the forefoot of a half-loaded scan"
    )
    return measures


def _landmarks(length: float) -> dict[str, tuple[float, float, float]]:
    heel = 2.0  # heel clearance, mm
    return {
        "pternion": (heel, 0.0, 0.0),
        "heel_centre": (heel + 0.17 * length, 0.0, 0.0),
        "arch_apex": (heel + 0.47 * length, 9.0, 12.5),
        "navicular": (heel + 0.46 * length, 34.0, 40.0),
        "instep": (heel + 0.52 * length, 8.0, 66.0),
        "mth1": (heel + 0.725 * length, 33.0, 4.0),
        "mth2": (heel + 0.74 * length, 12.0, 4.0),
        "mth3": (heel + 0.72 * length, -6.0, 4.0),
        "mth4": (heel + 0.68 * length, -23.0, 4.0),
        "mth5": (heel + 0.635 * length, -37.0, 4.0),
        "metatarsale_tibiale": (heel + 0.735 * length, 44.0, 18.0),
        "metatarsale_fibulare": (heel + 0.635 * length, -46.0, 14.0),
        "acropodion": (heel + length, 12.0, 12.0),
    }


def _rows(wedge_at_ball: float, wedge_at_heel: float) -> list[ThicknessRow]:
    return [
        ThicknessRow(station="heel", before=4.0, after=round(2.5 + wedge_at_heel / 2, 1)),
        ThicknessRow(station="arch", before=5.0, after=12.5, note="base and pad at its crest"),
        ThicknessRow(station="ball", before=3.0, after=round(2.5 + wedge_at_ball / 2, 1)),
        ThicknessRow(station="toes", before=3.0, after=2.5),
    ]


def _cleat() -> CleatPlan:
    return CleatPlan(
        from_ball_mark=-4.0,
        from_mth5=20.0,
        yaw=3.0,
        float_range=6.0,
        notes=["check toe against front wheel and heel against crank after any move back"],
    )


def sample_foot(
    side: str = "right",
    *,
    length: float = 270.0,
    wedges: tuple[tuple[WedgePlace, float], ...] = ((WedgePlace.FOREFOOT, 2.0),),
    pad_height: float | None = 10.0,
    heel_cup: float = 0.0,
    thickness: float = 1.5,
) -> FootPlan:
    """Return everything to make for one foot, in the bed frame (+y medial for either side)."""
    bed = bed_ring(length + 8.0)
    made = [sample_wedge(bed, place, net) for place, net in wedges]
    rise = {wedge.place: wedge.thick_edge for wedge in made}
    foot_outline = np.array(Polygon(bed).buffer(-3.0).exterior.coords)[:-1]
    return FootPlan(
        side="left" if side == "left" else "right",
        scan_file=f"invented-{side}.ply",
        scan_sha256=("1f" if side == "left" else "2e") * 32,
        verdict="fit for making",
        load="half",
        measures=_measures(length),
        landmarks=_landmarks(length),
        landmark_sd={"mth1": 1.6, "mth5": 2.1, "arch_apex": 2.5},
        foot_outline=_ring_list(foot_outline[::2]),
        seating=SeatingRecord(
            foot_to_bed=[[1.0, 0, 0, 2.0], [0, 1.0, 0, 0], [0, 0, 1.0, 0], [0, 0, 0, 1.0]],
            lowered=0.0,
            band=2.2,
            notes=["heel clearance 2 mm"],
        ),
        base=BasePlan(
            outline=_ring_list(bed),
            thickness=thickness,
            source="traced from the stock insole",
            heel_cup=heel_cup,
            grid_from=78.0,
            grid_to=174.0,
        ),
        pad=None if pad_height is None else sample_pad(bed, height=pad_height),
        no_pad_because="" if pad_height is not None else "no pad was wished",
        wedges=made,
        no_wedge_because={} if made else {"inside forefoot": "no wish, so no shim"},
        cleat=_cleat(),
        thickness=_rows(rise.get(WedgePlace.FOREFOOT, 0.0), rise.get(WedgePlace.HEEL, 0.0)),
        saddle_change=Quantity(value=1.5, sd=0.5, reason="stack up 1.5 mm under the ball"),
        notes=[
            Note(
                code="cant-not-measured",
                level=NoteLevel.WARN,
                text="The cant of the bed was not measured: check the wedge on the first trial.",
            )
        ],
    )


def sample_plan(
    *,
    case: str = "demo-0001",
    sides: tuple[str, ...] = ("left", "right"),
    pad_height: float | None = 10.0,
    heel_cup: float = 0.0,
    thickness: float = 1.5,
    wedges: bool = True,
    under: bool = False,
) -> Plan:
    """Return a plan: right foot 270 mm with +2° forefoot, left foot 268 mm with +2° heel wedge.

    `under` adds a -1° shim under the right shoe; `sides` leaves a foot out.
    """
    right: tuple[tuple[WedgePlace, float], ...] = ((WedgePlace.FOREFOOT, 2.0),) if wedges else ()
    left: tuple[tuple[WedgePlace, float], ...] = ((WedgePlace.HEEL, 2.0),) if wedges else ()
    if under:
        right = (*right, (WedgePlace.UNDER, -1.0))
    feet = {
        side: sample_foot(
            side,
            length=268.0 if side == "left" else 270.0,
            wedges=left if side == "left" else right,
            pad_height=None if pad_height is None else pad_height - (side == "left") * 1.0,
            heel_cup=heel_cup,
            thickness=thickness,
        )
        for side in sides
    }
    return Plan(
        tool={"name": "solewright", "version": "0.1.0"},
        case=case,
        shoe=SHOE,
        shoe_name=str(SHOE["name"]),
        wishes={"forefoot": 2.0, "heel": 2.0, "support_level": 0.8},
        answers={"diabetes": "no", "loss of feeling": "no", "pain while riding": "not asked"},
        left=feet.get("left"),
        right=feet.get("right"),
        notes=[Note(code="first-trial", text="First trial: one change at a time, ride near home.")],
        cautions=[
            "Foot pain calls for clinical advice.",
            "A fitting aid: no diagnosis, no promise of power or of fewer injuries.",
            "First ride easy, at most one hour, near home.",
        ],
    )
