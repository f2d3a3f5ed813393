"""Bring a cleaned foot from the scanner's frame into the foot frame.

    finding.cleaning.Cleaned + finding.matching.Match -> pose.settle -> footscan.foot.Foot

Foot frame (right-handed, mm): origin at the pternion dropped to the ground, +x forward along the
axis from the heel centre to the second metatarsal head, +y medial, +z up. A left foot is
mirrored once, here; ``Foot.pose`` then has determinant -1.

Steps
    ground   the scan's floor; else the plane of its flat contacts; else, for a foot in the air,
             the plane through its three lowest contacts: heel pad, first and fifth head
    axis     heel centre to second metatarsal head, found again until it no longer moves
    side     comes with the match: up, forward and side are one decision
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from footscan.errors import PoseError
from footscan.finding.cleaning import Cleaned
from footscan.finding.matching import Match
from footscan.foot import Foot, SoleMap, sole_map
from footscan.measuring import ball, ball_border, landmarks
from footscan.measuring.local_fit import Cloud, smooth_extreme
from footscan.scan import Array, IntArray, Kind, Load, Side, compacted, whole

__all__ = ["Settled", "mirror", "mirror_faces", "mirror_ring", "settle"]

LEVEL_ROUNDS = 8
LEVEL_DONE_DEG = 0.02
ROUGH_TOP_MM = 110.0  # contacts lie lower even in a rough pose that is tilted by 15 degrees
AXIS_ROUNDS = 8
AXIS_TOP_MM = 80.0  # ends and borders lie lower
AXIS_DONE_DEG = 0.01
CONTACT_RADIUS_MM = 10.0  # patch of a heel pad or a head
CONTACT_REGION_MM = 14.0  # a head's contact lies this close to the head in plan
FLAT_MM = 0.4  # this close to the ground counts as flat contact
FLAT_SHARE = 0.35  # of heel and ball: an unloaded foot touches with less
SUPPORT_END = 0.80  # nothing ahead of this share of length supports the foot
LEG_CUT_MM = 150.0


def mirror(points: Array) -> Array:
    """Return points or directions mirrored left to right (y -> -y), shape (..., 2 or 3)."""
    mirrored = np.array(points, dtype=float, copy=True)
    mirrored[..., 1] = -mirrored[..., 1]
    return mirrored


def mirror_faces(faces: IntArray) -> IntArray:
    """Return faces with reversed winding: what :func:`mirror` of the points asks for."""
    return np.ascontiguousarray(faces[:, ::-1])


def mirror_ring(ring: Array) -> Array:
    """Return a plan outline mirrored, its turning sense kept (counter-clockwise stays so)."""
    return np.ascontiguousarray(mirror(ring)[::-1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Settled:
    """A foot in its frame, and how it came there.

    Attributes
    ----------
    foot : Foot
        The foot.
    cloud : Cloud
        Over ``foot.vertices``; the search tree is dear, so it is handed on.
    flat_share : float
        Share of heel and ball within 0.4 mm of the ground.
    ground : str
        What the ground was taken from.
    tilt : float
        Degrees between the floor and the foot's own three contacts; 0 without a floor.
    """

    foot: Foot
    cloud: Cloud
    flat_share: float
    ground: str
    tilt: float


def settle(cleaned: Cleaned, match: Match, *, kind: Kind | None, load: Load) -> Settled:
    """Return the foot in the foot frame.

    Parameters
    ----------
    cleaned : Cleaned
        Scanner frame, mm.
    match : Match
        Rough pose, scanner frame, mm.
    kind : Kind or None
        None: told from the scan.
    load : Load
        As stated.

    Raises
    ------
    footscan.errors.PoseError
        Heel, ball or sole are not in the scan.
    """
    left = match.side is Side.LEFT
    flip = np.diag([1.0, -1.0 if left else 1.0, 1.0])
    turn = flip @ match.rotation  # the matched left-hand direction is lateral on a left foot
    pose = _affine(turn, -turn @ match.origin)
    vertices = _moved(pose, cleaned.vertices)
    faces = mirror_faces(cleaned.faces) if left else cleaned.faces
    if cleaned.floor is not None:
        step, ground, tilt = _on_floor(pose, cleaned, vertices, match.scale)
    else:
        step, ground, tilt = _on_contacts(vertices, faces, match.scale), "three contacts", 0.0
    pose, vertices = step @ pose, _moved(step, vertices)
    if cleaned.floor is None:
        step, flat = _on_flat_contacts(vertices, faces, match.scale)
        if flat:
            ground = "flat contacts"
            pose, vertices = step @ pose, _moved(step, vertices)
    step, length = _along_axis(vertices, match.scale)
    pose, vertices = step @ pose, _moved(step, vertices)
    vertices, faces = _leg_cut(vertices, faces)
    try:
        sole = sole_map(vertices, faces, smooth_mm=1.0)
    except ValueError as error:
        raise PoseError(f"{error}; scan the foot from below as well") from None
    flat_share = _flat_share(sole, length)
    for array in (vertices, faces, pose):
        array.setflags(write=False)
    foot = Foot(
        vertices=vertices,
        faces=faces,
        side=match.side,
        kind=_kind(cleaned, vertices, faces, flat_share) if kind is None else kind,
        load=load,
        pose=pose,
        length=length,
        sole=sole,
    )
    return Settled(
        foot=foot, cloud=Cloud.of(vertices), flat_share=flat_share, ground=ground, tilt=tilt
    )


def _affine(turn: Array, shift: Array) -> Array:
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, shift
    return pose


def _moved(pose: Array, points: Array) -> Array:
    return points @ pose[:3, :3].T + pose[:3, 3]


def _upright(normal: Array) -> Array:
    """Return the smallest rotation that takes unit `normal` to +z."""
    axis = np.cross(normal, [0.0, 0, 1])
    sine, cosine = np.linalg.norm(axis), normal[2]
    if sine < 1e-12:
        return np.eye(3)
    k = axis / sine
    cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
    return np.eye(3) + sine * cross + (1 - cosine) * cross @ cross


def _on_floor(
    pose: Array, cleaned: Cleaned, vertices: Array, length: float
) -> tuple[Array, str, float]:
    """Return the step that lays the scan's floor on z = 0, and the foot's tilt against it."""
    assert cleaned.floor is not None
    normal = pose[:3, :3] @ cleaned.floor.normal
    point = _moved(pose, (cleaned.floor.normal * cleaned.floor.offset)[None])[0]
    turn = _upright(normal)
    step = _affine(turn, np.array([0.0, 0.0, -(turn @ point)[2]]))
    moved = _moved(step, vertices)
    moved[:, 0] -= _rear(moved, length)
    try:
        own = _contact_plane(Cloud.of(moved), length)[0]
    except ValueError:
        return step, "floor", 0.0
    return step, "floor", float(np.degrees(np.arccos(np.clip(own[2], -1, 1))))


def _on_contacts(vertices: Array, faces: IntArray, length: float) -> Array:
    """Return the step that stands the foot on heel pad, first and fifth head."""
    total = _affine(np.eye(3), np.array([-_rear(vertices, length), 0.0, 0.0]))
    moved = _moved(total, vertices[vertices[:, 2] <= ROUGH_TOP_MM])
    for _ in range(LEVEL_ROUNDS):
        cloud = Cloud.of(moved)
        try:
            normal, point = _contact_plane(cloud, length)
        except ValueError as error:
            raise PoseError(f"the foot cannot be levelled: {error}; scan the sole again") from None
        turn = _upright(normal)
        step = _affine(turn, np.array([0.0, 0.0, -(turn @ point)[2]]))
        total, moved = step @ total, _moved(step, moved)
        moved_x = _affine(np.eye(3), np.array([-_rear(moved, length), 0.0, 0.0]))
        total, moved = moved_x @ total, _moved(moved_x, moved)
        if np.degrees(np.arccos(np.clip(normal[2], -1, 1))) < LEVEL_DONE_DEG:
            break
    return total


def _rear(vertices: Array, length: float) -> float:
    """Return x of the rear of the heel, coarse."""
    low = vertices[vertices[:, 2] <= 0.22 * length, 0]
    return float(np.partition(low, min(5, len(low) - 1))[min(5, len(low) - 1)])


def _contact_plane(cloud: Cloud, length: float) -> tuple[Array, Array]:
    """Return unit normal (up) and a point of the plane under the three contacts.

    The contacts are the lowest places of the heel pad and below the first and the fifth head.
    Regions about the heads, not halves of the ball: where a rounded ball is lowest between its
    heads, halves would be met at the line that parts them, and that line is not anatomy.
    """
    points = cloud.points
    heel = (points[:, 0] > 0.02 * length) & (points[:, 0] < 0.30 * length)
    heel &= points[:, 2] <= np.percentile(points[:, 2], 1) + 0.15 * length
    if heel.sum() < 10:
        raise ValueError("the heel is not seen from below")
    down = np.array([0.0, 0.0, -1.0])
    contacts = [smooth_extreme(cloud, down, heel, CONTACT_RADIUS_MM)]
    heads = ball.heads_from_borders(*ball_border.border_points(cloud, length))
    for name in ("mth1", "mth5"):
        place = heads[name]
        near = np.hypot(*(points[:, :2] - place[:2]).T) <= CONTACT_REGION_MM
        near &= points[:, 2] <= ball_border.BALL_TOP_MM / 2
        if near.sum() < 4:
            raise ValueError("the ball is not seen from below")
        reach = np.array([CONTACT_REGION_MM, CONTACT_REGION_MM, np.inf])
        bound = np.array([place - reach, place + reach])
        contacts.append(smooth_extreme(cloud, down, near, CONTACT_RADIUS_MM, bound))
    a, b, c = contacts
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal)
    return (normal if normal[2] > 0 else -normal), a


def _on_flat_contacts(vertices: Array, faces: IntArray, length: float) -> tuple[Array, bool]:
    """Return the step onto the plane of flat contacts, and whether there are any."""
    try:
        sole = sole_map(vertices, faces, cell=1.5)
    except ValueError as error:
        raise PoseError(f"{error}; scan the foot from below as well") from None
    x, y = np.meshgrid(sole.x, sole.y, indexing="ij")
    seen = np.isfinite(sole.z) & (x < SUPPORT_END * length)
    points = np.stack([x[seen], y[seen], sole.z[seen]], axis=1)
    fit = np.zeros(3)
    design = np.column_stack([np.ones(len(points)), points[:, :2]])
    for limit in (1.2, 0.8, 0.6, 0.6):
        near = np.abs(points[:, 2] - design @ fit) <= limit
        if near.sum() < 100:
            return np.eye(4), False
        fit = np.linalg.lstsq(design[near], points[near, 2], rcond=None)[0]
    height = points[:, 2] - design @ fit
    zone = (points[:, 0] < 0.25 * length) | (points[:, 0] > 0.62 * length)
    if (np.abs(height[zone]) <= FLAT_MM).mean() < FLAT_SHARE:
        return np.eye(4), False
    normal = np.array([-fit[1], -fit[2], 1.0])
    normal /= np.linalg.norm(normal)
    turn = _upright(normal)
    return _affine(turn, np.array([0.0, 0.0, -(turn @ [0.0, 0.0, fit[0]])[2]])), True


def _along_axis(vertices: Array, length: float) -> tuple[Array, float]:
    """Return the step onto the long axis with the pternion at x = 0, and the foot's length."""
    total, moved = np.eye(4), vertices[vertices[:, 2] <= AXIS_TOP_MM]
    for _ in range(AXIS_ROUNDS):
        cloud = Cloud.of(moved)
        try:
            rear, front = _ends(cloud, length)
            shift = _affine(np.eye(3), np.array([-rear, 0.0, 0.0]))
            total, moved = shift @ total, _moved(shift, moved)
            length = front - rear
            cloud = Cloud.of(moved)
            heel, _ = landmarks.heel_middle(cloud, length)
            head = ball.heads_from_borders(*ball_border.border_points(cloud, length))["mth2"]
        except ValueError as error:
            raise PoseError(f"{error}; scan the whole foot again") from None
        angle = float(np.arctan2(head[1] - heel[1], head[0] - heel[0]))
        cosine, sine = np.cos(angle), np.sin(angle)
        turn = np.array([[cosine, sine, 0], [-sine, cosine, 0], [0, 0, 1.0]])
        step = _affine(turn, -turn @ np.array([heel[0], heel[1], 0.0]))
        step[0, 3] += heel[0]
        total, moved = step @ total, _moved(step, moved)
        if abs(np.degrees(angle)) < AXIS_DONE_DEG:
            break
    rear, front = _ends(Cloud.of(moved), length)
    return _affine(np.eye(3), np.array([-rear, 0.0, 0.0])) @ total, float(front - rear)


def _ends(cloud: Cloud, length: float) -> tuple[float, float]:
    """Return x of the pternion and of the foremost toe point by local fits."""
    points = cloud.points
    x = points[:, 0] - _rear(points, length)
    heel = (x < 0.3 * length) & (points[:, 2] <= 60.0)
    toes = x > 0.75 * length
    if not heel.any() or not toes.any():
        raise ValueError("heel or toes are not seen")
    back, ahead = np.array([-1.0, 0, 0]), np.array([1.0, 0, 0])
    rear = smooth_extreme(cloud, back, heel, 8.0)[0]
    front = smooth_extreme(cloud, ahead, toes, 6.0)[0]
    return float(rear), float(front)


def _leg_cut(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Return the mesh without the leg above 150 mm."""
    keep = vertices[:, 2] <= LEG_CUT_MM
    if keep.all():
        return vertices, faces
    faces = faces[whole(keep, faces)]
    return compacted(vertices, faces)


def _flat_share(sole: SoleMap, length: float) -> float:
    """Return the share of heel and ball that lies within 0.4 mm of the ground."""
    zone = (sole.x > 0.04 * length) & (sole.x < 0.22 * length)
    zone |= (sole.x > 0.64 * length) & (sole.x < 0.76 * length)
    z = sole.z[zone]
    seen = np.isfinite(z)
    return float((np.abs(z[seen]) <= FLAT_MM).mean()) if seen.any() else 0.0


def _kind(cleaned: Cleaned, vertices: Array, faces: IntArray, flat_share: float) -> Kind:
    """Return what the scanner saw."""
    from footscan.foot import face_normals

    a, b, c = (vertices[faces[:, i]] for i in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    up = face_normals(vertices, faces)[:, 2] > 0.3
    if area[up].sum() < 0.12 * area.sum():
        return Kind.SOLE
    if cleaned.floor is not None or flat_share >= FLAT_SHARE:
        return Kind.STANDING
    return Kind.HANGING
