"""The way from scan files to a measured foot, and its JSON.

    read -> sketch -> match (up, forward, side) -> unit -> clean -> settle -> landmarks
         -> measures -> findings -> MeasuredFoot

A foam impression is cut out of its block before the sketch; from there on it is a sole.

One function, :func:`measure_files`, is what everybody calls.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from footscan import reading, sides
from footscan.errors import LandmarkError, PoseError, SideError, UnitsError
from footscan.finding import cleaning, hollow, matching
from footscan.measuring import ball, landmarks, measures, pose, sizes
from footscan.quality import findings as quality
from footscan.quality import uncertainty
from footscan.results import NO_SCALE, Landmark, MeasuredFoot, ScanFacts
from footscan.scan import Array, Kind, Load, Scan, Side, Unit

if TYPE_CHECKING:
    from footscan.checking.artefact_log import ScaleEvidence
    from footscan.checking.card import CardSeen

__all__ = ["Options", "infer_unit", "measure_feet_in", "measure_files", "measure_scan"]

LENGTH_RANGE_MM = (145.0, 365.0)  # disjoint between units; adults 198-323 mm (ANSUR II 2012)
# Misfit of the best-fitting 60 % of the template, share of length, above which nothing foot-like
# was seen: feet, even with the sole missing, stay below 0.031, boxes and wedges lie above 0.041.
NOT_A_FOOT = 0.037


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the user stated about a scan.

    Attributes
    ----------
    side, unit, kind : or None
        None: told from the scan, or refused if it cannot be told.
    scale : float or None
        Millimetres per file unit, instead of `unit`.
    load : Load
        Load state.
    hand_length : float or None
        Foot length measured by hand, mm: verifies the scale.
    scale_evidence : ScaleEvidence or None
        What the log of the scanner's checks says of its scale.
    card : bool
        The printed scale card lies in the scan: it is looked for and vouches for the scale.
    hand_held : bool
        The scanner was moved by hand: unverified, its scale allows measuring only.
    by_hand : mapping of str to ndarray
        Landmarks set by hand, in the scan's own coordinates times its unit (mm). Heads follow
        a ball point set by hand in part. The long axis does not follow: it comes from the
        surface, so that a heel centre or second head set by hand changes no other measure.
    by_eye : tuple of str
        Those of them that were set by eye: no surer than where they were found.
    eu_rule : EuRule
        Which of the two rules gives the EU size.
    """

    side: Side | None = None
    unit: Unit | None = None
    scale: float | None = None
    kind: Kind | None = None
    load: Load = Load.UNKNOWN
    hand_length: float | None = None
    scale_evidence: ScaleEvidence | None = None
    card: bool = False
    hand_held: bool = False
    by_hand: Mapping[str, Array] = field(default_factory=dict)
    by_eye: tuple[str, ...] = ()
    eu_rule: sizes.EuRule = sizes.EuRule.TWO_POINTS


def measure_files(paths: Sequence[Path | str], options: Options | None = None) -> MeasuredFoot:
    """Return the measured foot in one or more files of one foot.

    Raises
    ------
    footscan.errors.FootscanError
        With one sentence that says what is wrong and what to do.
    """
    return measure_scan(reading.read(paths), options or Options())


def measure_feet_in(
    paths: Sequence[Path | str], options: Options | None = None
) -> list[MeasuredFoot]:
    """Return the measured feet in the file or files of one scan: one, or two if it shows both.

    Raises
    ------
    footscan.errors.FootscanError
        With one sentence that says what is wrong and what to do.
    """
    options = options or Options()
    scan = reading.read(paths)
    drawn = cleaning.draw(scan)
    scans = cleaning.split(scan, drawn)
    if len(scans) == 1:
        return [measure_scan(scan, options, drawn)]
    if options.side is not None or options.by_hand:
        raise SideError(
            "the file shows two feet; leave the side out, or give each foot in a file of its own"
        )
    return [measure_scan(scan, options) for scan in scans]


def measure_scan(scan: Scan, options: Options, drawn: cleaning.Drawn | None = None) -> MeasuredFoot:
    """Return the measured foot in a scan that was read.

    Parameters
    ----------
    scan : Scan
        As read, one foot.
    options : Options
        What the user stated.
    drawn : cleaning.Drawn, optional
        The draw from `scan`, where the caller has it already.

    Raises
    ------
    footscan.errors.FootscanError
        With one sentence that says what is wrong and what to do.
    """
    seen = _found(scan, options, drawn)
    matches, sketch = seen.matches, seen.sketch
    best, ratio = sides.best(matches, options.side)
    by_card = _card(scan, options)
    factor, unit, evidence = _unit(matching.length_of(sketch.points, best), scan, options, by_card)
    best = replace(best, origin=best.origin * factor, scale=best.scale * factor)
    floor = sketch.floor.scaled(factor) if sketch.floor is not None else None
    in_mm = seen.scan.scaled(factor)
    cleaned = cleaning.clean(in_mm, best, floor)
    settled = pose.settle(cleaned, best, kind=seen.kind, load=options.load)
    sides.check(ratio, options.side, sole_missing=quality.is_missing(settled))
    foot = settled.foot
    found = _landmarks(settled, options)
    filled, arch_reason = quality.is_filled(settled), _no_arch_because(settled, options)
    if arch_reason:
        found.pop("arch_apex", None)
    grade = uncertainty.widening(settled.cloud.points)
    found = uncertainty.widened_landmarks(found, grade)
    raw = measures.measure(
        foot, settled.cloud, found, arch_reason=arch_reason, filled=filled, ground=settled.ground
    )
    values = uncertainty.widened_measures(raw, grade)
    contradicted = options.side is not None and matches[0].side is not options.side
    report = quality.inspect(
        settled,
        cleaned,
        values,
        _evidence(options, ratio, contradicted, by_card, factor),
        in_mm,
        found,
    )
    found, values = uncertainty.without_unseen(found, values, report.findings)
    facts = ScanFacts(
        file=" + ".join(scan.files),
        sha256=scan.sha256,
        unit=unit,
        mm_per_unit=factor,
        unit_evidence=evidence,
        side=foot.side.value,
        side_confidence=sides.confidence(ratio, options.side, contradicted),
        side_evidence=sides.words(ratio, options.side, contradicted),
        kind=foot.kind.value,
        load=foot.load.value,
        points=len(scan.vertices),
        faces=len(scan.faces),
        scale_verified=not any(f.code in NO_SCALE for f in report.findings),
    )
    return MeasuredFoot(
        facts=facts,
        foot=foot,
        report=report,
        landmarks=found,
        measures=values,
        sizes=sizes.sizes(
            values["foot_length"].value or 0.0, values["foot_breadth"].value, options.eu_rule
        ),
    )


def _no_arch_because(settled: pose.Settled, options: Options) -> str:
    """Return why the scan shows no arch, or nothing; an apex set by hand is then refused."""
    reason = ""
    if quality.is_filled(settled):
        reason = "the sole is closed by a flat plane"
    elif quality.is_missing(settled):
        reason = "the sole was not seen from below"
    if reason and "arch_apex" in options.by_hand:
        raise LandmarkError(
            "arch_apex", f"the arch apex cannot be set by hand: {reason}; leave it out"
        )
    return reason


def _card(scan: Scan, options: Options) -> CardSeen | None:
    """Return what was seen of the scale card, where it was said to lie in the scan."""
    from footscan.checking import card

    return card.seen(scan) if options.card else None


def _unit(
    length: float, scan: Scan, options: Options, by_card: CardSeen | None
) -> tuple[float, Unit | None, str]:
    """Return mm per file unit, unit, evidence; by the card where none fits (telephones)."""
    try:
        return infer_unit(length, scan, options)
    except UnitsError:
        if by_card is None or by_card.mm_per_unit is None or options.scale or options.unit:
            raise
        own = replace(options, scale=by_card.mm_per_unit)
        return infer_unit(length, scan, own)[0], None, by_card.words


def _evidence(
    options: Options, ratio: float, contradicted: bool, by_card: CardSeen | None, factor: float
) -> quality.Evidence:
    """Return what was stated of a scan, and how surely its side was told."""
    log = options.scale_evidence
    return quality.Evidence(
        hand_length=options.hand_length,
        scale_vouched=log.verified if log is not None else None,
        scale_words=log.words if log is not None else "",
        card_off=by_card.off(factor) if by_card is not None else None,
        card_words=by_card.words if by_card is not None else "",
        card_at=by_card.at(factor) if by_card is not None else None,
        hand_held=options.hand_held,
        side_stated=options.side is not None,
        side_contradicted=contradicted and ratio > quality.limits()["side"].making,
        side_ratio=ratio,
        load=options.load,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    """The part of a scan that shows the foot, its sketch, the matches per side, the kind."""

    scan: Scan
    sketch: cleaning.Sketch
    matches: list[matching.Match]
    kind: Kind | None

    @property
    def is_foot(self) -> bool:
        return self.matches[0].core <= NOT_A_FOOT


def _found(scan: Scan, options: Options, drawn: cleaning.Drawn | None) -> _Found:
    """Return the foot in a scan; an impression is cut out of its block.

    An impression that nobody announced is no foot as it is, but one without its block. A sole
    scanned with the couch behind it has the same form; which of both it is, the winding tells.

    Raises
    ------
    footscan.errors.PoseError
        Nothing in the scan looks like a foot.
    """
    kind = options.kind
    refusal = "no foot was found in the scan; check that it shows one whole foot up to the ankle"
    if kind is not Kind.IMPRESSION:
        try:
            found = _matched(scan, drawn or cleaning.draw(scan), kind)
        except PoseError as error:
            refusal = str(error)
        else:
            if found.is_foot:
                return found
    if kind not in (Kind.STANDING, Kind.HANGING):
        rim = hollow.find_rim(scan.vertices)
        if rim is not None and kind is None:
            kind = Kind.SOLE if hollow.couch_behind(scan, rim) else Kind.IMPRESSION
        if rim is not None or kind is Kind.IMPRESSION:
            inside = scan if rim is None else hollow.cut_out(scan, rim)
            found = _matched(inside, cleaning.draw(inside, floor=False), kind)
            if found.is_foot:
                return found
    if options.kind is Kind.IMPRESSION:
        refusal = (
            "no impression of a foot was found in the scan; check that it shows the whole hollow "
            "with the rim around it"
        )
    raise PoseError(refusal)


def _matched(scan: Scan, drawn: cleaning.Drawn, kind: Kind | None) -> _Found:
    """Return how the template lies in the scan as it is."""
    sketch = cleaning.sketch(scan, drawn)
    matches = matching.match(
        sketch.points,
        sketch.normals,
        up=sketch.floor.normal if sketch.floor is not None else None,
        sole=kind in (Kind.SOLE, Kind.IMPRESSION),
    )
    return _Found(scan=scan, sketch=sketch, matches=matches, kind=kind)


def infer_unit(length: float, scan: Scan, options: Options) -> tuple[float, Unit | None, str]:
    """Return mm per file unit, the unit (None for a bare scale) and the evidence in words.

    Parameters
    ----------
    length : float
        Foot length in file units.
    scan, options : Scan, Options
        The format's own unit and what the user stated; both are checked against the length.

    Raises
    ------
    footscan.errors.UnitsError
        No unit fits, or the stated one does not.

    Examples
    --------
    >>> scan = Scan(vertices=np.zeros((1, 3)), faces=np.zeros((0, 3), int))
    >>> infer_unit(0.27, scan, Options())[1]
    <Unit.M: 'm'>
    """
    low, high = LENGTH_RANGE_MM
    if options.scale is not None:
        if not low <= length * options.scale <= high:
            raise UnitsError(
                f"scaled by {options.scale:g} the foot would be {length * options.scale:.0f} mm "
                f"long; feet are {low:g} to {high:g} mm, so give another scale"
            ).asking("scale")
        return options.scale, None, f"stated: {options.scale:g} mm per file unit"
    if options.unit is not None:
        if not low <= length * options.unit.mm <= high:
            raise UnitsError(
                f"the foot is {length:.3g} long in the file, or {length * options.unit.mm:.0f}"
                f" mm in the stated unit ({options.unit.value}); feet are {low:g} to {high:g} mm, "
                "so give another unit or scale"
            ).asking("unit", "scale")
        return options.unit.mm, options.unit, f"stated: {options.unit.value}"
    fitting = [unit for unit in Unit if low <= length * unit.mm <= high]
    if not fitting:
        raise UnitsError(
            f"the foot is {length:.3g} long in the file, which is no foot in mm, cm, m or inch; "
            "give the factor, mm per unit of the file"
        ).asking("scale")
    unit = fitting[0]  # the ranges are disjoint: at most one fits
    words = f"the foot is {length:.4g} long in the file: {length * unit.mm:.0f} mm if {unit.value}"
    if scan.stated_unit is not None and scan.stated_unit is not unit:
        words += f" (the file says {scan.stated_unit.value}, which would be no foot)"
    return unit.mm, unit, words


def _landmarks(settled: pose.Settled, options: Options) -> dict[str, Landmark]:
    """Return the landmarks, those set by hand in their place."""
    found = landmarks.find(settled.foot, settled.cloud)
    if not options.by_hand:
        return found
    turn, shift = settled.foot.pose[:3, :3], settled.foot.pose[:3, 3]
    by_hand = {}
    for name, xyz in options.by_hand.items():
        point = np.asarray(xyz, dtype=float)
        if point.shape != (3,) or not np.isfinite(point).all():
            raise LandmarkError(name, f"the place given for {name} must be three numbers in mm")
        by_hand[name] = turn @ point + shift
    placed = landmarks.override(found, by_hand, settled.foot, options.by_eye)
    return _heads_follow(placed, by_hand, settled)


def _heads_follow(
    found: dict[str, Landmark], by_hand: Mapping[str, Array], settled: pose.Settled
) -> dict[str, Landmark]:
    """Return `found` with the heads laid anew where a ball point was set by hand.

    A border point is one of several marks of a head, so that heads follow it in part; those set
    by hand themselves stay.
    """
    names = ("metatarsale_tibiale", "metatarsale_fibulare")
    if not any(name in by_hand for name in names):
        return found
    foot, borders = settled.foot, (found[names[0]].xyz, found[names[1]].xyz)
    heads = ball.heads(foot.vertices, foot.faces, foot.sole, foot.length, borders)
    for name, head in heads.items():
        if name in by_hand:
            continue
        z = float(foot.sole.height(*head.xy))
        found[name] = Landmark(
            xyz=np.array([*head.xy, z if np.isfinite(z) else 0.0]),
            sd=found[name].sd,
            method=f"by {', '.join(head.marks)}; ball points set by hand",
            automatic=found[name].xyz,
        )
    return found
