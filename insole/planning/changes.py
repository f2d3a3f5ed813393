"""What changed from one plan to another, in a fitter's words.

Plan (old), Plan (new) -> describe_change -> sentences
"""

from __future__ import annotations

from insole.planning.support.wish import move_words
from insole.record.least import counts
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import ContourPlan, Crest, WedgePlace

__all__ = ["describe_change", "kept_parts"]


def describe_change(old: Plan, new: Plan) -> list[str]:
    """Return what changed from one plan to another, a sentence each; empty when nothing did."""
    words = []
    if (old.shoe_name, old.shoe) != (new.shoe_name, new.shoe):
        words.append(f"shoe: {old.shoe_name or 'none'} before, {new.shoe_name or 'none'} now")
    for name in ("left", "right"):
        was, now = getattr(old, name), getattr(new, name)
        if was is None and now is None:
            continue
        if was is None or now is None:
            words.append(f"{name}: {'now planned' if was is None else 'no longer planned'}")
            continue
        words += [f"{name} {text}" for text in _foot_changes(was, now)]
    known = {note.text for note in old.notes}
    words += [
        note.text
        for note in new.notes
        if note.text not in known and note.code not in ("not-asked", "saddle")
    ]
    return words


def _foot_changes(was: FootPlan, now: FootPlan) -> list[str]:
    """Return the changes of one foot, without its side."""
    words = [*_pad_changes(was, now), *_metatarsal_changes(was, now)]
    for place in WedgePlace:
        a = next((w for w in was.tilts if w.place is place), None)
        b = next((w for w in now.tilts if w.place is place), None)
        if (a and a.words) != (b and b.words):
            old_words, new_words = (w.words if w else "none" for w in (a, b))
            words.append(f"wedge {place.value}: {old_words} before, {new_words} now")
    if was.cleat and now.cleat:
        moved = now.cleat.from_ball_mark - was.cleat.from_ball_mark
        if counts(moved, "cleat"):
            words.append(f"cleat: {move_words(moved, 0.0)}")
        if counts(now.cleat.yaw - was.cleat.yaw, "cleat turn"):
            words.append(f"cleat yaw: {was.cleat.yaw:g}° before, {now.cleat.yaw:g}° now")
    for before, after in zip(was.thickness, now.thickness, strict=False):
        more = after.after - before.after
        if counts(more, "thickness") and after.station != "arch":
            words.append(f"{after.station}: {more:+.1f} mm thickness")
    old, new = (p.saddle_change.value if p.saddle_change else None for p in (was, now))
    if old is not None and new is not None and counts(new - old, "saddle"):
        saddle = _saddle(old), _saddle(new)
        if saddle[0] != saddle[1]:
            words.append(f"saddle: {saddle[0]} before, {saddle[1]} now")
    return words


def kept_parts(old: Plan, new: Plan) -> list[str]:
    """Return the feet, beside one that changes, of which every part is made as it was."""
    parts = ("base", "pad", "contour", "metatarsal", "wedges")
    pairs = [(getattr(old, side), getattr(new, side)) for side in ("left", "right")]
    same = [
        now.side
        for was, now in pairs
        if was is not None and now is not None
        if all(getattr(was, name) == getattr(now, name) for name in parts)
    ]
    return same if len(same) < len(new.feet) else []


def _saddle(value: float) -> str:
    if not counts(value, "saddle"):
        return "stays"
    return f"{abs(value):.1f} mm {'up' if value > 0 else 'down'}"


def _pad_changes(was: FootPlan, now: FootPlan) -> list[str]:
    """Return how the pad changed, in a fitter's words."""
    one, other = was.contour, now.contour
    if one is not None and other is not None:
        return _contour_changes(one, other)
    if one is not None or other is not None:
        return [f"support: {_support_name(was)} before, {_support_name(now)} now"]
    a, b = was.pad, now.pad
    if a is None and b is None:
        return []
    if a is None or b is None:
        gone = b is None
        return [
            f"pad: {'none now' if gone else 'added'}"
            + (f" ({now.no_pad_because})" if gone and now.no_pad_because else "")
        ]
    words = []
    if a.name != b.name:
        words.append(f"pad: {a.name} before, {b.name} now")
    if abs(a.support_level - b.support_level) > 1e-9:
        words.append(
            f"support level: {100 * a.support_level:.0f} % before, "
            f"{100 * b.support_level:.0f} % now"
        )
    asked = (b.shift[0] - a.shift[0], b.shift[1] - a.shift[1], b.turn - a.turn)
    if any(abs(v) >= 0.05 for v in asked):
        words.append(f"pad moved: {move_words(*asked)}")
    crest = _way(a.crest, b.crest)
    if any(counts(v, "pad place") for v in crest):
        told = (v if counts(v, "pad place") else 0.0 for v in crest)
        words.append(f"crest of the pad: {move_words(*told)}")
    for what, change in (
        ("crest", b.crest.height - a.crest.height),
        (
            "room left to the arch at the crest",
            (b.residual_gap.value or 0.0) - (a.residual_gap.value or 0.0),
        ),
    ):
        if counts(change, "part height"):
            more = "higher" if what == "crest" else "more"
            less = "lower" if what == "crest" else "less"
            words.append(f"{what} {abs(change):.1f} mm {more if change > 0 else less}")
    words += [f"new limit on the pad: {text}" for text in b.binding if text not in a.binding]
    return words


def _metatarsal_changes(was: FootPlan, now: FootPlan) -> list[str]:
    """Return how the metatarsal pad changed: its height, and its crest where both are parts."""
    words = []
    old, new = _metatarsal_height(was), _metatarsal_height(now)
    if old != new:
        before, after = (f"{h:g} mm" if h else "none" for h in (old, new))
        words.append(f"metatarsal pad: {before} before, {after} now")
    a, b = was.metatarsal, now.metatarsal
    if a is not None and b is not None:
        if abs(b.behind - a.behind) >= 0.05:
            words.append(
                f"crest of the metatarsal pad: {a.behind:g} mm behind the heads before, "
                f"{b.behind:g} mm now"
            )
        shift = _way(a.crest, b.crest)
        if max(abs(v) for v in shift) >= 0.5:
            words.append(f"metatarsal pad moved: {move_words(*shift)}")
    return words


def _way(was: Crest, now: Crest) -> tuple[float, float]:
    """Return how far a crest went, mm forward and medial.

    The medial edge runs aslant: a crest that only goes forward comes nearer to it or leaves it.
    """
    medial = was.from_medial - now.from_medial
    if was.y is not None and now.y is not None:
        medial = now.y - was.y
    return now.from_rear - was.from_rear, medial


def _metatarsal_height(foot: FootPlan) -> float | None:
    if foot.contour is not None:
        return foot.contour.metatarsal
    return None if foot.metatarsal is None else foot.metatarsal.height


def _support_name(foot: FootPlan) -> str:
    if foot.contour is not None:
        return foot.contour.name
    return "none" if foot.pad is None else "a pad on a base"


def _contour_changes(was: ContourPlan, now: ContourPlan) -> list[str]:
    """Return how a contoured bed changed, in a fitter's words."""
    words = []
    if was.length != now.length:
        words.append(f"contoured bed: {was.length} before, {now.length} now")
    if abs(was.support_level - now.support_level) > 1e-9:
        words.append(
            f"support level: {100 * was.support_level:.0f} % before, "
            f"{100 * now.support_level:.0f} % now"
        )
    for name, unit in (("cup", "heel cup"), ("plate", "plate")):
        before, after = getattr(was, name), getattr(now, name)
        if abs(after - before) >= 0.05:
            words.append(f"{unit}: {before:g} mm before, {after:g} mm now")
    more = now.crest.height - was.crest.height
    if counts(more, "part height"):
        words.append(f"crest {abs(more):.1f} mm {'higher' if more > 0 else 'lower'}")
    return words
