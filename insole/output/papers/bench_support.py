"""What the bench page says of a support: size, crest, ends, fill, dowels, spots kept free.

Plan, FootPlan -> pad_lines -> flowables
"""

from __future__ import annotations

from typing import Any
from xml.sax.saxutils import escape

from insole.output.papers.bench_type import SAME_MM, act, big, mixed
from insole.output.phrases import capital, extent, paper, shift_words, spread_words
from insole.output.places import (
    eased_words,
    highest_place,
    tender_spots,
    tender_words,
    turn_words,
    with_wedges,
)
from insole.planning.dowels import PAD_DEPTH_MM, SOCKET_MM, base_depth
from insole.record.least import counts
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import ContourPlan, PadPlan

__all__ = ["pad_lines"]


def pad_lines(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return size, crest, turn, ends and fill of the pad, and the spots that it keeps free."""
    pad = foot.pad
    spots = [
        act(
            f"<b>Tender spot:</b> {x:g} mm from rear, {_side_words(y)}: "
            f"{escape(paper(tender_words(foot, k)))}"
        )
        for k, (x, y) in enumerate(tender_spots(plan, foot.side))
    ]
    if foot.contour is not None:
        return [*_contour(foot.contour), *_eased(foot), act(_effect_words(foot)), *spots]
    spots = [*_metatarsal(foot), *spots]
    if pad is None:
        why = escape(paper(foot.no_pad_because))
        return [mixed(f"<b>{{No pad:}}</b> {why}"), *spots]
    long, wide = extent(pad)
    known = f"{pad.crest.height:g} high" in pad.name
    size = [] if known else [f"{{{pad.crest.height:.1f} mm}} high"]
    if _bed_unsure(plan, foot) and pad.gap_at_crest.sd:
        size.append(f"trial height {{± {pad.gap_at_crest.sd:.0f} mm}}")
    # a pad of the kit has its own size in its name
    whole = f"{{{long:.0f} × {wide:.0f} mm}}, ends" if pad.source == "scan" else "Ends"
    name = escape(capital(pad.name.removesuffix(" from the scan")))
    lines = [
        mixed(f"<b>{{{name}{':' * bool(size)}}}</b> {', '.join(size)}"),
        mixed(
            f"Crest {{{pad.crest.from_rear:.1f}}} from rear,"
            f" {{{pad.crest.from_medial:.1f} mm}} from big-toe edge"
        ),
        mixed(f"{whole} {{{pad.rear_edge:.1f}}} and {{{pad.front_edge:.1f} mm}} from rear"),
    ]
    if abs(pad.turn) >= SAME_MM:
        lines.append(big(capital(turn_words(pad.turn))))
    if any(abs(step) > SAME_MM for step in pad.shift):
        lines.append(act(f"Moved by hand: {shift_words(pad.shift)}"))
    lines += _highest(pad)
    fill = [act(_fill_words(foot)), *_eased(foot)]
    fill += [act(_effect_words(foot))] if foot.effect else []
    return [*lines, *_drill(foot), *fill, *spots]


def _highest(pad: PadPlan) -> list[Any]:
    """Return the highest place where it is not the crest, else how high the medial side stands."""
    x, y, high = highest_place(pad)
    if counts(high - pad.crest.height, "part height"):
        way = "big-toe" if y > (pad.crest.y if pad.crest.y is not None else 0.0) else "little-toe"
        return [mixed(f"Highest {{{high:.1f} mm}} at {{{x:.0f}}} from rear, to the {way} side")]
    if pad.medial_height is not None and pad.medial_height > pad.edge + SAME_MM:
        return [mixed(f"Big-toe side stands, up to {{{pad.medial_height:.1f} mm}}")]
    return []


def _metatarsal(foot: FootPlan) -> list[Any]:
    """Return height, crest and turn of a metatarsal pad, if there is one."""
    dome = foot.metatarsal
    if dome is None:
        return []
    return [
        mixed(
            f"<b>{{Metatarsal pad:}}</b> {{{dome.height:.1f} mm}} high, crest"
            f" {{{dome.crest.from_rear:.1f}}} from rear,"
            f" {{{dome.crest.from_medial:.1f} mm}} from big-toe edge"
        ),
        act(f"{dome.behind:g} mm behind heads 2 to 4, {turn_words(dome.turn)}"),
    ]


def _contour(contour: ContourPlan) -> list[Any]:
    """Return length, crest, cup and ends of a contoured bed, and what is built in."""
    lines = [
        mixed(
            f"<b>{{{capital(contour.name)}:}}</b> {{{contour.crest.height:.1f} mm}} thick at"
            " the crest"
        ),
        mixed(
            f"Crest {{{contour.crest.from_rear:.1f}}} from rear,"
            f" {{{contour.crest.from_medial:.1f} mm}} from big-toe edge"
        ),
        mixed(
            f"Heel cup {{{contour.cup:g} mm}}, plate {{{contour.plate:g} mm}}, front end"
            f" {{{contour.front_edge:.0f} mm}} from rear"
        ),
    ]
    if contour.metatarsal:
        lines.append(act(f"Metatarsal pad {contour.metatarsal:g} mm high behind heads 2 to 4"))
    gap, left = contour.gap_at_crest, contour.residual_gap
    if gap.value and left.value is not None:
        share = 100 * (gap.value - left.value) / gap.value
        lines.append(
            act(f"Fills {share:.0f} %, {left.value:.1f}{spread_words(left.sd)} mm left open")
        )
    return lines


def _eased(foot: FootPlan) -> list[Any]:
    """Return why the support is lower than a first trial's, if it is."""
    words = eased_words(foot)
    return [act(capital(words))] if words else []


def _effect_words(foot: FootPlan) -> str:
    """Return what the support does, in one line."""
    if foot.effect is None:
        return ""
    words = [
        f"{case.case} midfoot {100 * case.midfoot_share[0]:.0f}→{100 * case.midfoot_share[1]:.0f} %"
        f" of the load, contact {case.area[0]:.0f}→{case.area[1]:.0f} cm²"
        for case in foot.effect.cases
        if case.case == "pedalling"
    ]
    said = "; ".join(words) or "no figures"
    if words and (made := with_wedges(foot)):
        said += f", without the wedge; with it {made}"
    if foot.effect.little:
        return f"<b>Does next to nothing</b> in the model: {said}; see the plan"
    return f"Model: {said}"


def _drill(foot: FootPlan) -> list[Any]:
    """Return where the holes for dowels are drilled and how deep, if there are any."""
    base = foot.base
    if not base.dowels:
        return []
    places = ", ".join(f"{x:g}/{abs(y):g}{'' if y >= 0 else ' little-toe'}" for x, y in base.dowels)
    return [
        act(
            f"<b>Dowels</b>: drill {SOCKET_MM:g} mm at {places} (mm from rear/mm to big-toe side"
            f" of the centreline); pad {PAD_DEPTH_MM:.1f}, base"
            f" {base_depth(base.thickness):.1f} mm deep"
        )
    ]


def _side_words(y: float) -> str:
    """Return a place across the base, mm medial of its centreline, in words."""
    if abs(y) < SAME_MM:
        return "on the centreline"
    return f"{abs(y):g} mm towards {'big' if y > 0 else 'little'} toe"


def _bed_unsure(plan: Plan, foot: FootPlan) -> bool:
    """Return whether the gap under the arch was half guessed: foot in the air, or bed not known."""
    codes = {note.code for note in foot.notes}
    return (
        foot.load in ("none", "unknown")
        or plan.shoe is None
        or bool(codes & {"no-shoe", "drop-only"})
    )


def _fill_words(foot: FootPlan) -> str:
    """Return how much of the gap the pad fills and what it leaves open."""
    pad = foot.pad
    if pad is None or pad.residual_gap.value is None or not pad.gap_at_crest.value:
        return "Gap under the arch not known"
    left = pad.residual_gap
    share = 100 * pad.crest.height / pad.gap_at_crest.value
    return f"Fills {share:.0f} %, {left.value:.1f}{spread_words(left.sd)} mm left open"
