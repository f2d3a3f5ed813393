"""What a measured foot looks like to the rest of the world.

    footscan.pipeline.measure(...) -> MeasuredFoot -> insole.planning, insole.output, JSON

Every value says its unit and standard deviation, or why it cannot be had from this scan.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NoReturn, TypeVar

from footscan.foot import Foot
from footscan.scan import Array, Unit

__all__ = [
    "BY_EYE",
    "BY_HAND",
    "NO_SCALE",
    "Finding",
    "Landmark",
    "Measure",
    "MeasuredFoot",
    "ScanFacts",
    "ScanReport",
    "Severity",
    "Verdict",
]


NO_SCALE = ("scale", "card-scale", "scale-unverified")  # findings: nothing vouches for the scale
BY_HAND = "by hand"  # the method of a landmark that was felt and set by hand
BY_EYE = "by eye"  # of one that was moved on a picture: no surer than where it was found
T = TypeVar("T")


class Verdict(StrEnum):
    """What the scan may be used for."""

    MAKING = "fit for making"
    MEASURING = "fit for measuring only"
    AGAIN = "scan again"


class Severity(StrEnum):
    """How much a finding weighs; the worst one decides the verdict."""

    NOTE = "note"
    MEASURING = "measuring only"
    AGAIN = "scan again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found about the scan.

    Attributes
    ----------
    code : str
        Stable identifier, such as ``"sole-filled"``.
    severity : Severity
        Note, measuring only, or scan again.
    text, advice : str
        One sentence of what is, one of what to do.
    region : str
        Where: ``"scan"``, ``"sole"``, ``"heel"``, ``"arch"``, ``"ball"``, ``"toes"``, ``"leg"``,
        ``"medial border"``, ``"lateral border"``, ``"dorsum"``.
    value, limit : float or None
        The measured value against its limit.
    unit : str
        Of both, as in a sentence; empty for a ratio.
    """

    code: str
    severity: Severity
    text: str
    advice: str
    region: str = "scan"
    value: float | None = None
    limit: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Landmark:
    """A named point of the foot.

    Attributes
    ----------
    xyz : ndarray, shape (3,)
        Foot frame, mm.
    sd : float
        Standard deviation in plan, mm (one axis).
    method : str
        How it was found; ``"by hand"`` or ``"by eye"`` for an override.
    automatic : ndarray, shape (3,), or None
        What was found automatically, kept beside an override.
    """

    xyz: Array
    sd: float
    method: str
    automatic: Array | None = None

    @property
    def by_hand(self) -> bool:
        """Whether somebody set it."""
        return self.method in (BY_HAND, BY_EYE)

    @property
    def felt(self) -> bool:
        """Whether somebody felt for it; one that was set by eye was not."""
        return self.method == BY_HAND


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """A measure with unit and standard deviation, or the reason why there is none.

    `by_hand` is True for one that is read from a landmark set by hand.
    """

    value: float | None = None
    unit: str = "mm"
    sd: float | None = None
    method: str = ""
    reason: str = ""
    by_hand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanFacts:
    """What is known of the scan itself, for the record.

    Attributes
    ----------
    mm_per_unit : float
        Factor from file units to mm that was used.
    scale_verified : bool
        True when second evidence (a typed length, the scanner's log) supports the scale.
    """

    file: str
    sha256: str
    unit: Unit | None
    mm_per_unit: float
    unit_evidence: str
    side: str
    side_confidence: float
    side_evidence: str
    kind: str
    load: str
    points: int
    faces: int
    scale_verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanReport:
    """Findings about a scan and the verdict that they lead to."""

    verdict: Verdict
    findings: tuple[Finding, ...]

    @property
    def deciding(self) -> tuple[Finding, ...]:
        """The findings that decided the verdict; empty for a scan fit for making."""
        worst = {Verdict.AGAIN: Severity.AGAIN, Verdict.MEASURING: Severity.MEASURING}
        level = worst.get(self.verdict)
        return tuple(f for f in self.findings if f.severity is level)


class _Named(dict[str, T]):
    """What a foot has by name; a name that it does not have is answered with the nearest."""

    def __missing__(self, name: str) -> NoReturn:
        near = difflib.get_close_matches(str(name), self, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"it has {', '.join(self)}"
        raise KeyError(f"the foot has no {name!r}; {hint}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class MeasuredFoot:
    """Everything known of one scanned foot.

    Attributes
    ----------
    facts, foot, report : ScanFacts, Foot, ScanReport
        The scan, the geometry, the findings.
    landmarks : mapping of str to Landmark
        ``pternion``, ``acropodion``, ``heel_centre``, ``mth1`` .. ``mth5``,
        ``metatarsale_tibiale``, ``metatarsale_fibulare``, ``navicular``, ``instep``, and
        ``arch_apex`` where the arch was seen from below.
    measures : mapping of str to Measure
        Names of the JSON contract (``foot_length``, ``ball_girth`` and so on).
    sizes : mapping of str to str or float
        Shoe sizes with the formula named.
    stated : mapping of str to object
        What was stated of the scan, by name of the option, for the record of a plan's sources.

    Names that `landmarks` and `measures` do not have raise a KeyError that says the nearest.
    """

    facts: ScanFacts
    foot: Foot
    report: ScanReport
    landmarks: Mapping[str, Landmark]
    measures: Mapping[str, Measure]
    sizes: Mapping[str, object]
    stated: Mapping[str, object] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("landmarks", "measures"):
            object.__setattr__(self, name, _Named(getattr(self, name)))

    def __repr__(self) -> str:
        facts = self.facts
        return f"<{facts.side} foot of {facts.file}: {self.report.verdict.value}>"
