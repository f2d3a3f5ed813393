"""A step as a picture: the support before and after, from above and in section.

    Plan (old), Plan (new) -> old_and_new_png -> PNG; None where no support changes

Before is dashed and grey, after is solid and blue: they part on a grey printer as well. Feet stand
as the rider sees the own from above. Sections run through the new crest (the old one where there
is no new), the same line for both, heights in one scale.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.output.ink import png_bytes, save_bytes
from insole.output.pictures.turn import DARK, GREY, Turn, say
from insole.planning.support.tops import ContourShape, PadTop
from insole.record.least import counts
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import ContourPlan, PadPlan

__all__ = ["Section", "changed_feet", "old_and_new_png", "section", "write_old_and_new"]

AROUND_MM = 22.0  # of the base that is shown behind and ahead of a support
STEP_MM = 0.5  # between the places of a section
LEVELS = np.arange(2.0, 24.1, 2.0)
BLUE = "#0b3c5d"
WAS: dict[str, Any] = {"colors": GREY, "linestyles": "dashed", "linewidths": 0.8}
NOW: dict[str, Any] = {"colors": BLUE, "linestyles": "solid", "linewidths": 0.9}

Support = PadPlan | ContourPlan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """A cut through a support: places along the cut and heights of the top there, mm.

    `name` is ``"along"`` (places are x) or ``"across"`` (places are y, + medial); heights are 0
    where nothing lies.
    """

    name: str
    at: float
    places: Array
    before: Array
    after: Array


def write_old_and_new(path: str | Path, old: Plan, new: Plan) -> bool:
    """Write the picture, unless no support changes; return whether it was written.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    data = old_and_new_png(old, new)
    if data is None:
        return False
    save_bytes(path, data)
    return True


def changed_feet(old: Plan, new: Plan) -> list[tuple[FootPlan, FootPlan]]:
    """Return the feet, left first, whose support lies or stands otherwise than before."""
    pairs = [
        (was, now)
        for was, now in ((old.left, new.left), (old.right, new.right))
        if was is not None and now is not None
    ]
    return [(was, now) for was, now in pairs if _moves(_support(was), _support(now))]


def section(was: FootPlan, now: FootPlan, name: str) -> Section:
    """Return the cut ``"along"`` or ``"across"`` through the crest.

    Raises
    ------
    ValueError
        Neither foot has a support.
    """
    made = _support(now) or _support(was)
    if made is None:
        raise ValueError("neither plan has a support on this foot")
    x, y = _crest(now if _support(now) is not None else was, made)
    ring = np.array([*was.base.outline, *now.base.outline])
    axis = 0 if name == "along" else 1
    places = np.arange(ring[:, axis].min(), ring[:, axis].max() + STEP_MM, STEP_MM)
    fixed = np.full(len(places), y if axis == 0 else x)
    where = (places, fixed) if axis == 0 else (fixed, places)
    return Section(
        name=name,
        at=y if axis == 0 else x,
        places=places,
        before=_heights(_support(was))(*where),
        after=_heights(_support(now))(*where),
    )


def old_and_new_png(old: Plan, new: Plan, *, dpi: int = 130) -> bytes | None:
    """Return the picture as PNG bytes; None where no support changes."""
    from matplotlib.figure import Figure

    feet = changed_feet(old, new)
    if not feet:
        return None
    figure = Figure(figsize=(4.6 * len(feet) + 0.2, 9.2), facecolor="white")
    share = 1.0 / len(feet)
    for k, (was, now) in enumerate(feet):
        left, wide = (k + 0.13) * share, 0.82 * share
        turn = Turn(now.side)
        _from_above(figure.add_axes((left, 0.45, wide, 0.47)), was, now, turn)
        cuts = [section(was, now, name) for name in ("along", "across")]
        top = max(float(np.max([cut.before.max(), cut.after.max()])) for cut in cuts)
        _cut(figure.add_axes((left, 0.255, wide, 0.12)), cuts[0], top, 1.0)
        _cut(figure.add_axes((left, 0.06, wide, 0.12)), cuts[1], top, turn.medial)
    words = (
        f"{new.case} · plan {old.version} dashed, plan {new.version} solid · seen from above, "
        "feet as the rider sees them"
    )
    say(figure, 0.5, 0.99, words, 8.0, colour=GREY, align="center")
    return png_bytes(figure, dpi)


def _support(foot: FootPlan) -> Support | None:
    return foot.contour or foot.pad


def _crest(foot: FootPlan, made: Support) -> tuple[float, float]:
    """Return the crest in the bed frame; an older plan knows it from the medial edge only."""
    crest = made.crest
    if crest.y is not None:
        return crest.from_rear, crest.y
    ring = np.array(foot.base.outline)
    near = ring[np.abs(ring[:, 0] - crest.from_rear).argsort()[:8]]
    return crest.from_rear, float(near[:, 1].max()) - crest.from_medial


def _heights(made: Support | None) -> Callable[[Array, Array], Array]:
    if made is None:
        return lambda x, y: np.zeros(np.broadcast(x, y).shape)
    return ContourShape(made).inside if isinstance(made, ContourPlan) else PadTop(made).inside


def _moves(was: Support | None, now: Support | None) -> bool:
    if was is None or now is None:
        return was is not now
    if type(was) is not type(now):
        return True
    rings = np.array(was.outline), np.array(now.outline)
    if rings[0].shape != rings[1].shape or counts(
        float(np.abs(rings[0] - rings[1]).max()), "pad place"
    ):
        return True
    x, y = np.meshgrid(
        *(np.arange(rings[1][:, k].min(), rings[1][:, k].max(), 2.0) for k in (0, 1)),
        indexing="ij",
    )
    apart = _heights(now)(x, y) - _heights(was)(x, y)
    return counts(float(np.abs(apart).max()), "part height")


def _from_above(axes: Any, was: FootPlan, now: FootPlan, turn: Turn) -> None:
    """Draw base, both outlines and both heights."""
    base = np.array(now.base.outline)
    axes.fill(*turn(base), facecolor="#f3f1ea", edgecolor=DARK, linewidth=1.0, zorder=1)
    for foot, style, marker in ((was, WAS, "+"), (now, NOW, "x")):
        made = _support(foot)
        if made is None:
            continue
        ring = np.array(made.outline)
        axes.plot(
            *turn([*ring, ring[0]]),
            color=style["colors"],
            linewidth=1.5,
            linestyle=style["linestyles"],
            zorder=4,
        )
        x, y = (np.arange(ring[:, k].min(), ring[:, k].max(), 1.0) for k in (0, 1))
        places = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
        heights = _heights(made)(places[..., 0], places[..., 1])
        if heights.max() > LEVELS[0]:
            drawn = axes.contour(*turn(places), heights, levels=LEVELS, zorder=3, **style)
            axes.clabel(drawn, fmt="%g", fontsize=6)
        cx, cy = turn(_crest(foot, made))
        axes.plot([cx], [cy], marker=marker, color=style["colors"], markersize=9, zorder=5)
    ends = [x for s in (_support(was), _support(now)) if s is not None for x, _ in s.outline]
    axes.set_ylim(min(ends) - AROUND_MM, max(ends) + AROUND_MM)
    axes.set_aspect("equal")
    axes.set_title(f"{now.side.upper()}\n{_words(was, now)}", fontsize=9)
    axes.set_xticks([])
    axes.set_ylabel("mm from the base's rear edge", fontsize=8)
    axes.tick_params(labelsize=8)
    for edge in ("top", "right", "bottom"):
        axes.spines[edge].set_visible(False)


def _words(was: FootPlan, now: FootPlan) -> str:
    """Return the height at the crest, before and after."""
    said = [
        "none" if made is None else f"{made.crest.height:.1f} mm"
        for made in (_support(was), _support(now))
    ]
    return f"at the crest {said[0]} before, {said[1]} now"


def _cut(axes: Any, cut: Section, top: float, way: float) -> None:
    """Draw one section; across, the big-toe side lies where it does from above."""
    places = cut.places * way
    axes.fill_between(places, 0.0, cut.after, color="#cfdfea", linewidth=0.0)
    axes.plot(places, cut.before, color=GREY, linestyle="dashed", linewidth=1.2)
    axes.plot(places, cut.after, color=BLUE, linewidth=1.4)
    axes.set_ylim(0.0, 1.15 * max(top, 1.0))
    axes.set_ylabel("mm", fontsize=8)
    axes.tick_params(labelsize=8)
    along = "along, heel at the left; mm from the rear edge"
    sides: Sequence[str] = ("big-toe side", "little-toe side")
    across = f"across, {sides[0] if way < 0 else sides[1]} at the left; mm from the centreline"
    axes.set_xlabel(along if cut.name == "along" else across, fontsize=8)
    if cut.name == "across":
        axes.xaxis.set_major_formatter(lambda value, _: f"{abs(value):g}")
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)
