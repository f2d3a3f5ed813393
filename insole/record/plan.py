"""The plan record: what is to be made for two feet, why, and within which limits.

    insole.planning.planner -> Plan -> insole.parts, insole.output, insole.trials.cases

A plan holds all that the parts need, pad surface included, so that ``make PLAN`` works years
later without the scan. It is plain JSON with a published schema (:func:`json_schema`).

Bed frame (right-handed, mm), the frame of every placement below
    origin   rear end of the base outline, on the bed's centreline
    +x       forward along the bed's centreline
    +y       medial; a left foot's plan is in the same frame, parts are mirrored when made
    +z       up; z = 0 is the face on which the part lies

Angles in degrees: + is medial side up (varus wedge), - is lateral side up (valgus wedge).
"""

from __future__ import annotations

import hashlib
import json
import weakref
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from footscan import typed
from footscan.files import why

__all__ = [
    "EDITED",
    "SCHEMA_VERSION",
    "BasePlan",
    "CleatPlan",
    "ContactCase",
    "ContactFigures",
    "ContactPlan",
    "ContourPlan",
    "Crest",
    "EffectCase",
    "EffectPlan",
    "FootPlan",
    "HeightGrid",
    "MetatarsalPlan",
    "Note",
    "NoteLevel",
    "Override",
    "PadPlan",
    "Plan",
    "PressureMap",
    "Quantity",
    "SeatingRecord",
    "ThicknessRow",
    "WedgePlace",
    "WedgePlan",
    "from_json",
    "json_schema",
    "seal_of",
    "to_json",
]

# 2 added contact and contour_step; 3 sole, dowels, limits, sources and pressure maps; 4 the
# standing medial side, contoured beds and what a support does; 5 the seal. Older plans are read,
# and written as they were
SCHEMA_VERSION: Literal[1, 2, 3, 4, 5] = 5
# what parts are made from, and what allows making them: this is under the seal
SEALED = ("case", "shoe", "limits", "answers", "clinician", "overrides")
FREE_OF_FOOT = {
    "scan_file",
    "verdict",
    "load",
    "measures",
    "landmark_sd",
    "contact",
    "effect",
    "notes",
    "no_pad_because",
    "no_wedge_because",
    "saddle_change",
}


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


def _line(longest: int) -> AfterValidator:
    return AfterValidator(lambda text: typed.line(text, "it", longest))


Label = Annotated[str, AfterValidator(lambda text: typed.label(text, "it"))]
Line = Annotated[str, _line(80)]
Sentence = Annotated[str, _line(typed.LINE_LONGEST)]


class Quantity(_Record):
    """A number with unit, standard deviation and reason; ``value`` None says why in `reason`."""

    value: float | None
    unit: str = "mm"
    sd: float | None = None
    reason: str = ""


class NoteLevel(StrEnum):
    """How a note is to be taken."""

    INFO = "info"
    WARN = "warn"
    REFUSE = "refuse"


class Note(_Record):
    """One sentence for the person at the bench, with a stable code."""

    code: str
    level: NoteLevel = NoteLevel.INFO
    text: str
    short: str = Field(
        default="", description="the same for the bench, in few words; none: the text is short"
    )


class Override(_Record):
    """A limit passed on purpose: what, by whom, why and when (printed on every paper)."""

    limit: Line
    who: Line
    why: Sentence
    when: Line


EDITED = Override(
    limit="plan edited by hand",
    who="whoever made the parts",
    why="values were changed after planning; nobody checked them against limits",
    when="not dated",
)


class HeightGrid(_Record):
    """Heights on a regular grid in the bed frame, mm; bicubic between nodes.

    ``z[i][j]`` is the height at ``(x0 + i * step, y0 + j * step)``.
    """

    x0: float
    y0: float
    step: float
    z: list[list[float]]


class PressureMap(_Record):
    """Mean pressure of square cells in the bed frame, whole kPa; 0 where nothing touches.

    ``rows[i]`` holds, a space between them, the cells centred at
    ``(x0 + i * step, y0 + j * step)``: a line of text a row keeps a plan short.
    """

    x0: float
    y0: float
    step: float = Field(gt=0)
    rows: list[Annotated[str, Field(pattern=r"^\d{1,5}( \d{1,5})*$")]] = Field(min_length=1)

    @model_validator(mode="after")
    def _rectangular(self) -> PressureMap:
        if len({row.count(" ") for row in self.rows}) != 1:
            raise ValueError("rows of a pressure map have to be of one length")
        return self

    @property
    def kpa(self) -> list[list[float]]:
        """Return the cells as numbers, row by row."""
        return [[float(cell) for cell in row.split(" ")] for row in self.rows]


class Crest(_Record):
    """Where the crest of a pad lies, measured as a person at the bench would."""

    from_rear: float = Field(description="mm from the base's rear edge along its centreline")
    from_medial: float = Field(description="mm from the base's medial edge, across")
    height: float = Field(description="mm above the face the pad lies on")
    y: float | None = Field(default=None, description="mm medial of the base's centreline")


class PadPlan(_Record):
    """An arch pad: outline and surface in the bed frame, and how it was chosen.

    The pad's solid lies between z = 0 and ``top`` inside ``outline``; its edge is never thinner
    than ``edge``.
    """

    name: str
    source: Literal["kit", "scan"]
    outline: list[tuple[float, float]] = Field(description="closed ring, no repeated last point")
    top: HeightGrid
    edge: float
    medial_edge: float | None = Field(
        default=None, description="mm; height wished of the medial side; none: as rules allow"
    )
    medial_height: float | None = Field(
        default=None, description="mm; how high the medial side stands at the most"
    )
    rim_radius: float = Field(
        default=0.0, description="mm; rounding of the standing side towards the foot"
    )
    crest: Crest
    turn: float = Field(description="degrees about +z, + turns the front medially")
    shift: tuple[float, float] = Field(
        default=(0.0, 0.0), description="moved by hand: forward, medial, mm"
    )
    support_level: float = Field(description="wished pad top over gap, 1 = touches")
    front_edge: float = Field(description="mm from the base's rear edge to the front end")
    rear_edge: float
    binding: list[str] = Field(description="which rule decided shape or place, in words")
    gap_at_crest: Quantity
    residual_gap: Quantity
    snug: float | None = Field(
        default=None, description="share of its area that lies within 1 mm of the wish"
    )
    step_up: str = ""
    step_down: str = ""
    material: str = "trial-eva"
    reasons: list[str] = []


class MetatarsalPlan(_Record):
    """A metatarsal pad on a base: outline and surface in the bed frame.

    The solid lies between z = 0 and ``top`` inside ``outline``; its edge is ``edge`` thick.
    """

    height: float = Field(description="mm at the crest")
    behind: float = Field(description="mm that the crest lies behind the line of heads 2 to 4")
    outline: list[tuple[float, float]] = Field(description="closed ring, no repeated last point")
    top: HeightGrid
    edge: float
    crest: Crest
    turn: float = Field(description="degrees about +z of its axis, + turns the front medially")
    front_edge: float = Field(description="mm from the base's rear edge to the front end")
    rear_edge: float
    material: str = "trial-eva"
    reasons: list[str] = []

    @property
    def rim_radius(self) -> float:
        """No side of it stands, so none is rounded, mm."""
        return 0.0


class WedgePlace(StrEnum):
    """Where a wedge sits; angles of different places are never added into one number."""

    FOREFOOT = "inside forefoot"
    HEEL = "inside heel"
    UNDER = "under the shoe"


class WedgePlan(_Record):
    """A wedge shim: a ramp across the bed with tapers at its ends, in the bed frame.

    Full angle from ``full_from`` to ``full_to`` along x, tapering to nothing over ``taper_rear``
    behind and ``taper_front`` ahead. The thin edge is ``edge`` thick.
    """

    place: WedgePlace
    wish: float = Field(description="degrees wished, signed")
    cant_kept: float = Field(description="degrees the shoe keeps at this place, signed")
    net: float = Field(description="degrees made, signed, after rounding toward zero")
    remainder: float = Field(description="degrees left by rounding, signed")
    thick_side: Literal["big-toe side", "little-toe side"]
    width: float = Field(description="mm across the bed at the widest station of the ramp")
    thick_edge: float = Field(description="mm at the thick edge, thin edge included")
    edge: float
    full_from: float
    full_to: float
    taper_rear: float
    taper_front: float
    outline: list[tuple[float, float]]
    material: str = "wedge-tpu"
    contour_step: float = Field(default=0.5, description="mm of height between grind contours")
    reasons: list[str] = []

    @property
    def words(self) -> str:
        """The wedge in words: angle, trade word, thick side."""
        kind = "varus" if self.net > 0 else "valgus"
        return f"{abs(self.net):g}° {kind}, thick on the {self.thick_side}"


class ContourPlan(_Record):
    """A contoured bed in one piece: outline, underside and top in the bed frame.

    The solid lies between ``bottom`` and ``top``, both heights above the bed frame's z = 0,
    inside ``outline``. It takes the place of base, pad and inside shims.
    """

    length: Literal["three-quarter", "full"]
    outline: list[tuple[float, float]]
    top: HeightGrid
    bottom: HeightGrid
    plate: float = Field(description="least thickness behind the front, mm")
    edge: float = Field(description="thickness at the front end, mm")
    cover: float = Field(description="cover that the foot's seat allows for, mm")
    cup: float = Field(description="depth of the heel cup, mm")
    support_level: float
    crest: Crest = Field(description="its height is the thickness there")
    gap_at_crest: Quantity
    residual_gap: Quantity
    snug: float | None = None
    front_edge: float
    forefoot: float = Field(default=0.0, description="thickness of its flat forefoot, mm; 0: none")
    posting: list[WedgePlan] = Field(default=[], description="wedges built in")
    metatarsal: float | None = None
    material: str = "base-pp"
    reasons: list[str] = []

    @property
    def name(self) -> str:
        """The part in the words of the trade."""
        return f"contoured bed, {self.length.replace('full', 'full length')}"


class CleatPlan(_Record):
    """Where the cleat goes, measured from marks that can be found on the rider's shoe."""

    from_ball_mark: float = Field(description="mm of the axle behind (-) or ahead (+) of MTH1")
    from_mth5: float
    yaw: float
    float_range: float | None = None
    mark: str = Field(default="", description="a mark on the shoe that can be found again")
    from_mark: float | None = Field(
        default=None, description="mm of the axle behind (-) or ahead (+) of that mark"
    )
    back: float | None = Field(
        default=None, description="mm to move back from where it was ridden; None: not known"
    )
    notes: list[str] = []


class ThicknessRow(_Record):
    """Thickness under the foot at one station, before and after, mm."""

    station: Literal["heel", "arch", "ball", "toes"]
    before: float | None
    after: float = Field(description="at the middle of the bed")
    medial: float | None = Field(default=None, description="after, near the big-toe side")
    lateral: float | None = Field(default=None, description="after, near the little-toe side")
    note: str = ""


class ContactFigures(_Record):
    """How the sole rests on one bed: figures of a spring model, to compare beds with."""

    area: float = Field(description="contact area, cm2")
    areas: dict[str, float] = Field(default={}, description="contact area per region, cm2")
    share: dict[str, float] = Field(description="share of the load per region, 0 to 1")
    peak: dict[str, float] = Field(description="highest pressure per region, kPa")
    pad_share: float = Field(description="share of the load where the pad lies, forefoot left out")
    pad_peak: float = Field(description="kPa where the pad lies; 0 when nothing touches there")
    pad_gradient: float = Field(description="steepest change along the foot on the pad, kPa/mm")
    ball_gradient: float = Field(description="the same at the forefoot")
    tilt: tuple[float, float] = Field(description="degrees, + toes up, + medial side up")
    centre: tuple[float, float] = Field(description="centre of pressure reached, mm")


class ContactCase(_Record):
    """One load on the bed without pad and shims (before) and with them (after)."""

    case: Literal["standing", "pedalling"]
    load: float = Field(description="N")
    centre: tuple[float, float] | None = Field(default=None, description="of pressure, mm")
    ankle: float | None = Field(
        default=None, description="degrees at which the sole is held, + toes up; None: balanced"
    )
    before: ContactFigures | None = None
    after: ContactFigures | None = None
    before_map: PressureMap | None = Field(default=None, description="of the bed alone")
    after_map: PressureMap | None = Field(default=None, description="with the parts, same cells")
    reason: str = Field(default="", description="why there are no figures")
    notes: list[str] = []


class ContactPlan(_Record):
    """Contact without and with the parts; comparison only, never a clinical figure."""

    body_mass: Quantity
    cases: list[ContactCase]
    notes: list[str] = []


class EffectCase(_Record):
    """What a support changes under one load: before, after."""

    case: Literal["standing", "pedalling"]
    area: tuple[float, float] = Field(description="contact, cm2")
    midfoot_area: tuple[float, float] = Field(description="contact of the midfoot, cm2")
    midfoot_share: tuple[float, float] = Field(description="share of the load, 0 to 1")
    heel_peak: tuple[float, float] = Field(description="kPa")
    ball_peak: tuple[float, float] = Field(description="kPa")
    toe_share: tuple[float | None, float | None] = Field(description="big toe's share, 0 to 1")


class EffectPlan(_Record):
    """What a support does, by the contact model: a comparison, never a clinical figure."""

    wished: float = Field(description="support level planned, share of the gap")
    reached: float = Field(description="share of the gap filled at the crest")
    binds: str = Field(default="", description="the rule that takes most off it, in words")
    snug: float | None = Field(
        default=None, description="share of the supported zone within 1 mm of the wish"
    )
    cases: list[EffectCase]
    little: bool = Field(description="whether it does next to nothing")
    words: str


class BasePlan(_Record):
    """The footbed blank: outline in the bed frame, thickness, placement grid."""

    outline: list[tuple[float, float]]
    thickness: float
    source: str = Field(description="where the outline came from, in words")
    trim_allowance: float = 0.0
    heel_cup: float = Field(default=0.0, description="height of the heel rim above the base, mm")
    grid_step: float = 3.0
    grid_from: float = Field(description="x where the placement grid starts; none under the heel")
    grid_to: float = Field(description="x where it ends; none under the ball")
    dowels: list[tuple[float, float]] = Field(
        default=[], description="centres of the sockets that place the pad, mm; none: no dowels"
    )
    material: str = "base-pp"


class SeatingRecord(_Record):
    """How the foot was placed in the shoe."""

    foot_to_bed: list[list[float]] = Field(description="4x4, foot frame to bed frame")
    lowered: float = Field(description="mm that the arch apex was lowered to the half-load state")
    band: float = Field(description="± mm on the gap")
    roll: float = 0.0
    notes: list[str] = []


class FootPlan(_Record):
    """Everything to make for one foot."""

    side: Literal["left", "right"]
    scan_file: Sentence
    scan_sha256: str
    verdict: str
    load: str
    measures: dict[str, Quantity]
    landmarks: dict[str, tuple[float, float, float]] = Field(description="bed frame, mm")
    landmark_sd: dict[str, float] = {}
    foot_outline: list[tuple[float, float]] = Field(description="seen from above, bed frame")
    seating: SeatingRecord
    sole: HeightGrid | None = Field(
        default=None, description="seated, lowered and smoothed sole above the bed frame's z = 0"
    )
    base: BasePlan
    pad: PadPlan | None = None
    no_pad_because: str = ""
    contour: ContourPlan | None = Field(
        default=None, description="one piece in place of base, pad and inside shims"
    )
    metatarsal: MetatarsalPlan | None = Field(
        default=None, description="behind heads 2 to 4, on the base; a contoured bed has its own"
    )
    wedges: list[WedgePlan] = []
    no_wedge_because: dict[str, str] = Field(default={}, description="per place, in words")
    cleat: CleatPlan | None = None
    thickness: list[ThicknessRow] = []
    saddle_change: Quantity | None = None
    contact: ContactPlan | None = None
    effect: EffectPlan | None = None
    notes: list[Note] = []


class Plan(_Record):
    """A plan for a case: one or two feet, one shoe, wishes, answers, notes.

    There is no clock in a plan: the same scans, shoe and wishes give the same bytes. `date` is
    what the fitter typed, or empty to be written by hand on the paper.
    """

    schema_version: Literal[1, 2, 3, 4, 5] = SCHEMA_VERSION
    tool: dict[str, str]
    case: Label
    version: int = Field(default=1, ge=1, le=99_999)
    date: Line = ""
    shoe: dict[str, Any] | None = Field(default=None, description="the shoe file, as read")
    shoe_name: Line = ""
    sources: dict[str, Any] = Field(
        default={}, description="names of the files planned from and what was stated of the scans"
    )
    limits: dict[str, float] = Field(
        default={}, description="limits that the workshop's own file changed"
    )
    wishes: dict[str, Any] = {}
    answers: dict[str, str] = Field(description="stop and advise questions: yes, no, not asked")
    clinician: Sentence = Field(
        default="", description="name and date of a clinician's word, if any"
    )
    left: FootPlan | None = None
    right: FootPlan | None = None
    overrides: list[Override] = []
    notes: list[Note] = []
    cautions: list[str]

    @property
    def feet(self) -> list[FootPlan]:
        """The planned feet, left first."""
        return [foot for foot in (self.left, self.right) if foot is not None]

    def write(self, path: str | Path) -> Path:
        """Write the record as JSON, whole or not at all, and return its path.

        Raises
        ------
        insole.errors.PlanError
            The file cannot be written, or another plan is there, which is kept.
        """
        from footscan.files import write_whole
        from insole.errors import PlanError

        path, data = Path(path), to_json(self).encode()
        try:
            if path.exists():
                if path.read_bytes() == data:
                    return path
                raise PlanError(
                    f"{path} holds something else and is kept; write this plan under another name"
                )
            write_whole(path, data)
        except OSError as error:
            reason = why(error)
            raise PlanError(f"{path} cannot be written: {reason}") from None
        return path


def to_json(plan: Plan) -> str:
    """Return the plan as indented JSON text with a trailing newline; same plan, same bytes."""
    record = plan.model_dump(mode="json")
    for holder in (record, record["left"] or {}, record["right"] or {}):
        for note in holder.get("notes", ()):
            if not note["short"]:
                del note["short"]
    feet = [foot for foot in (record["left"], record["right"]) if foot is not None]
    for foot in feet:
        if foot["metatarsal"] is None:  # plans without one read as they did before there were any
            del foot["metatarsal"]
    if plan.schema_version < 4:
        for foot in feet:
            del foot["contour"], foot["effect"]
            for case in (foot["contact"] or {}).get("cases", ()):
                for figures in (case["before"], case["after"]):
                    (figures or {}).pop("areas", None)
            if foot["pad"] is not None:
                del foot["pad"]["medial_height"], foot["pad"]["rim_radius"], foot["pad"]["snug"]
                del foot["pad"]["crest"]["y"]
    if plan.schema_version < 3:  # as it was written then, so that its fingerprint stays
        del record["sources"], record["limits"]
        for foot in feet:
            del foot["sole"], foot["base"]["dowels"]
            if foot["pad"] is not None:
                del foot["pad"]["medial_edge"]
            if foot["cleat"] is not None:
                del foot["cleat"]["mark"], foot["cleat"]["from_mark"], foot["cleat"]["back"]
            for row in foot["thickness"]:
                del row["medial"], row["lateral"]
            for case in (foot["contact"] or {}).get("cases", ()):
                del case["before_map"], case["after_map"]
    if plan.schema_version < 2:
        for foot in feet:
            del foot["contact"]
            for wedge in foot["wedges"]:
                del wedge["contour_step"]
    if plan.schema_version >= 5:
        record["seal"] = seal_of(record)
    return json.dumps(record, indent=1, ensure_ascii=False) + "\n"


def seal_of(record: Mapping[str, Any]) -> str:
    """Return 16 hex digits over all that parts are made from in a plan's JSON.

    It tells a plan that was changed by hand or damaged, not one that was forged. Notes, date and
    figures that no part is made from may be changed.
    """
    sealed: list[Any] = [record.get(key) for key in SEALED]
    for side in ("left", "right"):
        foot = record.get(side)
        if isinstance(foot, Mapping):
            sealed.append({key: foot[key] for key in foot.keys() - FREE_OF_FOOT})
        else:
            sealed.append(None)
    text = json.dumps(_even(sealed), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _even(value: Any) -> Any:
    """Return JSON with every number a float: 10 and 10.0 are the same length."""
    if isinstance(value, Mapping):
        return {key: _even(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_even(entry) for entry in value]
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def from_json(text: str | bytes, *, edited: bool = False) -> Plan:
    """Return the plan that :func:`to_json` wrote.

    Parameters
    ----------
    text : str or bytes
        The file's text.
    edited : bool
        Take a plan whose seal is broken; the plan then says on every paper that it was edited.

    Raises
    ------
    insole.errors.PlanError
        The text is not a plan of a known schema version; says where it is wrong. Or what parts
        are made from was changed after the plan was written.
    """
    from pydantic import ValidationError

    from insole.errors import PlanError

    try:
        record = json.loads(text)
    except (ValueError, RecursionError):
        record = None
    if wrong := typed.strange(record):
        raise PlanError(
            f"this is not a plan that can be made: it {wrong}; write a new one with "
            "'solewright plan'"
        )
    sealed = isinstance(record, dict) and record.get("schema_version") in range(5, 100)
    try:
        if not sealed:
            return Plan.model_validate_json(text)
        seal = record.pop("seal", None)
        plan = Plan.model_validate_json(json.dumps(record))
    except (ValidationError, OverflowError) as error:
        first = error.errors()[0] if isinstance(error, ValidationError) else None
        place = ".".join(map(str, first["loc"])) if first else ""
        raise PlanError(
            f"this is not a plan that can be made: {place or 'the file'}: "
            f"{first['msg'].lower() if first else 'a number is too large'}; "
            "write a new one with 'solewright plan'"
        ) from None
    if seal == seal_of(record):
        return plan
    if not edited:
        raise PlanError(
            "this plan was changed after it was written: its seal is "
            f"{'broken' if seal else 'missing'}; plan again, or make it as it is with --edited, "
            "which every paper will say"
        )
    return plan.model_copy(update={"overrides": [*plan.overrides, EDITED]})


def json_schema() -> dict[str, Any]:
    """Return the JSON schema of a plan."""
    schema = Plan.model_json_schema()
    schema["properties"]["seal"] = {
        "type": "string",
        "description": "over what parts are made from; schema_version 5 and later",
    }
    return schema


_KNOWN: dict[int, tuple[weakref.ref[Plan], str]] = {}


def fingerprint(plan: Plan) -> str:
    """Return 12 hex digits that change whenever the plan does.

    Kept for as long as the plan lives: every page and file carries it, and a plan is long text.
    """
    key = id(plan)
    kept = _KNOWN.get(key)
    if kept is not None and kept[0]() is plan:
        return kept[1]
    text = hashlib.sha256(to_json(plan).encode()).hexdigest()[:12]
    _KNOWN[key] = (weakref.ref(plan, lambda _: _KNOWN.pop(key, None)), text)
    return text
