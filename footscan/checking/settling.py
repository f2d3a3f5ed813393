"""How far a foot comes down from sitting to standing: two scans of one foot, seated and standing.

    MeasuredFoot (seated), MeasuredFoot (standing) -> settle -> Settling: changes with sd, findings
    Settling (left), Settling (right)              -> beside -> side against side

Terms
    arch drop      height of the top of the foot at half its length, seated less standing, mm
    sole drop      the same of the highest point of the sole under the arch
    flexibility    arch drop over the load that came on, mm/kN: from 10 to 50 % of the body weight

Sources: arch height at half the foot's length and its drop from sitting to standing, as a gait
laboratory states it (read); flexibility as the change of arch height from 10 to 50 % of the
weight (read in an abstract on Japanese youths), so over 0.4 of the body weight (Zifchock et al.
2006, value from memory); 0.363 seated and 0.340 standing as mean arch height index of 100
runners (Butler et al. 2008, value from memory).

These are figures of shape under load. None says that a foot is ill or well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from footscan.errors import ScanReadError, SideError
from footscan.results import Finding, Measure, MeasuredFoot, Severity
from footscan.scan import Load, Side

__all__ = ["MEAN_DROP_INDEX", "Beside", "Settling", "beside", "settle"]

GRAVITY = 9.80665  # m/s2, standard
LOAD_SHARE = 0.4  # of the body weight: 50 % standing on both feet less 10 % seated
MEAN_DROP_INDEX = 0.363 - 0.340  # of the truncated length (Butler 2008, value from memory)
TELLS_SD = 2.0  # a change below two of its standard deviations is not told from none
GROWS_MOST = 0.04  # of the length: more is another scale; common practice, no source
DROPS_MOST_MM = 20.0  # more is another foot or another pose; common practice, no source
MASSES_KG = (25.0, 250.0)  # a body mass beyond is a slip of the hand
# what is compared: name in the record, measure, words, which way load changes it
CHANGES = (
    ("arch_drop", "instep_height", "top of the foot at half its length", -1.0),
    ("sole_drop", "arch_apex_height", "highest point of the sole under the arch", -1.0),
    ("length_growth", "foot_length", "foot length", 1.0),
    ("breadth_growth", "foot_breadth", "breadth at the ball", 1.0),
    ("girth_growth", "ball_girth", "girth at the ball", 1.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """One foot, seated against standing.

    Attributes
    ----------
    side : str
    seated, standing : str
        File names of the scans.
    changes : mapping of str to Measure
        ``arch_drop``, ``sole_drop`` (down is +), ``length_growth``, ``breadth_growth``,
        ``girth_growth`` (longer is +), mm; a missing one carries its reason.
    index_seated, index_standing : Measure
        Arch height index.
    flexibility : Measure
        mm/kN; missing without a body mass.
    usual_drop : float or None
        Mean drop of the runners over this foot's truncated length, mm.
    findings : tuple of Finding
        What contradicts that these are a seated and a standing scan of one foot.
    """

    side: str
    seated: str
    standing: str
    changes: Mapping[str, Measure]
    index_seated: Measure
    index_standing: Measure
    flexibility: Measure
    usual_drop: float | None
    findings: tuple[Finding, ...] = ()

    @property
    def contradicted(self) -> bool:
        """Whether a finding says that these are not a seated and a standing scan of one foot."""
        return any(finding.severity is Severity.AGAIN for finding in self.findings)

    def as_record(self) -> dict[str, Any]:
        """Return plain data, lengths in mm."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """One change of both feet: left less right in mm, its sd, and whether it can be told."""

    change: str
    left: float
    right: float
    difference: float
    sd: float
    told: bool


def settle(
    seated: MeasuredFoot, standing: MeasuredFoot, body_mass: float | None = None
) -> Settling:
    """Return how a foot changes from sitting to standing on both feet.

    Parameters
    ----------
    seated, standing : MeasuredFoot
        Scans of one foot.
    body_mass : float or None
        kg, for the flexibility.

    Raises
    ------
    footscan.errors.SideError
        The scans show different feet.
    footscan.errors.ScanReadError
        Both are one file, or the body mass is not one.
    """
    if seated.foot.side is not standing.foot.side:
        raise SideError(
            f"{seated.facts.file} shows a {seated.foot.side} foot and {standing.facts.file} a "
            f"{standing.foot.side} one; give the seated and the standing scan of one foot"
        )
    if seated.facts.sha256 == standing.facts.sha256:
        raise ScanReadError(
            f"{seated.facts.file} and {standing.facts.file} are one scan; give another for standing"
        )
    if body_mass is not None and not MASSES_KG[0] <= body_mass <= MASSES_KG[1]:
        raise ScanReadError(
            f"a body mass of {body_mass:g} kg is not one; give {MASSES_KG[0]:g} to "
            f"{MASSES_KG[1]:g} kg"
        )
    changes = {name: _change(seated, standing, measure, way) for name, measure, _, way in CHANGES}
    truncated = seated.measures.get("truncated_length", Measure()).value
    return Settling(
        side=str(seated.foot.side),
        seated=seated.facts.file,
        standing=standing.facts.file,
        changes=changes,
        index_seated=_had(seated, "arch_height_index"),
        index_standing=_had(standing, "arch_height_index"),
        flexibility=_flexibility(changes["arch_drop"], body_mass),
        usual_drop=None if truncated is None else round(MEAN_DROP_INDEX * truncated, 2),
        findings=tuple(_findings(seated, standing, changes)),
    )


def beside(left: Settling, right: Settling) -> list[Beside]:
    """Return each change of the left foot against the right one's, where both have it.

    Raises
    ------
    footscan.errors.SideError
        They are not a left and a right foot, in this order.
    """
    if (left.side, right.side) != (str(Side.LEFT), str(Side.RIGHT)):
        raise SideError("a pair is a left and a right foot; check the sides of the scans")
    found = []
    for name, *_ in CHANGES:
        a, b = left.changes[name], right.changes[name]
        if a.value is None or b.value is None:
            continue
        sd = math.hypot(a.sd or 0.0, b.sd or 0.0)
        apart = a.value - b.value
        found.append(
            Beside(
                change=name,
                left=a.value,
                right=b.value,
                difference=apart,
                sd=sd,
                told=abs(apart) > TELLS_SD * sd,
            )
        )
    return found


def _had(foot: MeasuredFoot, name: str) -> Measure:
    return foot.measures.get(name, Measure(reason="it was not measured"))


def _change(seated: MeasuredFoot, standing: MeasuredFoot, name: str, way: float) -> Measure:
    """Return a change under load, + the way that load goes."""
    was, now = _had(seated, name), _had(standing, name)
    for word, one in (("seated", was), ("standing", now)):
        if one.value is None:
            return Measure(unit="mm", reason=f"{word}: {one.reason}")
    return Measure(
        value=way * (float(now.value or 0.0) - float(was.value or 0.0)),
        unit="mm",
        sd=math.hypot(was.sd or 0.0, now.sd or 0.0),
        method="standing less seated" if way > 0 else "seated less standing",
    )


def _flexibility(drop: Measure, body_mass: float | None) -> Measure:
    """Return the arch height flexibility, mm/kN."""
    if drop.value is None:
        return Measure(unit="mm/kN", reason=drop.reason)
    if body_mass is None:
        return Measure(unit="mm/kN", reason="no body mass was given")
    load = LOAD_SHARE * body_mass * GRAVITY / 1000
    return Measure(
        value=drop.value / load,
        unit="mm/kN",
        sd=(drop.sd or 0.0) / load,
        method=f"arch drop over {LOAD_SHARE:g} of the body weight",
    )


def _findings(
    seated: MeasuredFoot, standing: MeasuredFoot, changes: Mapping[str, Measure]
) -> list[Finding]:
    """Return what speaks against a seated and a standing scan of one foot."""
    found = []
    for wanted, foot in ((Load.SEATED, seated), (Load.HALF, standing)):
        if foot.foot.load is not wanted:
            found.append(
                _against(
                    "load",
                    f"{foot.facts.file} was scanned with load {foot.foot.load}, not {wanted}.",
                    "Scan the foot seated, then standing on both feet.",
                )
            )
    drop = changes["arch_drop"]
    if drop.value is not None and -drop.value > TELLS_SD * (drop.sd or 0.0):
        found.append(
            _against(
                "rises",
                f"The foot stands {-drop.value:.1f} mm higher than it sits.",
                "The scans are swapped, or it did not carry its load: scan again.",
            )
        )
    if drop.value is not None and drop.value > DROPS_MOST_MM:
        found.append(
            _against(
                "far",
                f"The arch drops by {drop.value:.0f} mm, more than a foot's.",
                "Check pose, scale and that both scans show one foot.",
            )
        )
    length, growth = seated.measures["foot_length"].value, changes["length_growth"].value
    if length and growth is not None and abs(growth) > GROWS_MOST * length:
        found.append(
            _against(
                "length",
                f"The length changes by {growth:+.1f} mm.",
                "These are two feet, or two scales: scan both with one scanner.",
            )
        )
    return found + _doubts(seated, standing, changes)


def _doubts(
    seated: MeasuredFoot, standing: MeasuredFoot, changes: Mapping[str, Measure]
) -> list[Finding]:
    """Return what makes the two scans doubtful without speaking against them."""
    found = []
    known = [change for change in changes.values() if change.value is not None]
    if len(known) > 1 and all(abs(c.value or 0.0) <= TELLS_SD * (c.sd or 0.0) for c in known):
        found.append(
            Finding(
                code="settle-alike",
                severity=Severity.NOTE,
                text="Nothing changes from one scan to the other: a foot that takes half the "
                "weight "
                "seldom stays as it was, so both may show one load.",
                advice="Scan again, seated with the foot only resting on the floor.",
            )
        )
    if not (seated.facts.scale_verified and standing.facts.scale_verified):
        found.append(
            Finding(
                code="settle-scale",
                severity=Severity.NOTE,
                text="The scale of the scans is not verified.",
                advice="Both have to come from one scanner.",
            )
        )
    return found


def _against(code: str, text: str, advice: str) -> Finding:
    return Finding(code=f"settle-{code}", severity=Severity.AGAIN, text=text, advice=advice)
