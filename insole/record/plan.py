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
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from footscan import typed
from footscan.files import why
from insole.record.kept import kept
from insole.record.planned_contact import ContactPlan, EffectPlan
from insole.record.planned_parts import BasePlan, ContourPlan, MetatarsalPlan, PadPlan, WedgePlan
from insole.record.schemas import as_then
from insole.record.values import HeightGrid, Label, Line, Note, Override, Quantity, Record, Sentence

__all__ = [
    "EDITED",
    "SCHEMA_VERSION",
    "CleatPlan",
    "FootPlan",
    "Plan",
    "SeatingRecord",
    "ThicknessRow",
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


EDITED = Override(
    limit="plan edited by hand",
    who="whoever made the parts",
    why="values were changed after planning; nobody checked them against limits",
    when="not dated",
)


class CleatPlan(Record):
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
    notes: list[str] = Field(default=[])


class ThicknessRow(Record):
    """Thickness under the foot at one station, before and after, mm."""

    station: Literal["heel", "arch", "ball", "toes"]
    before: float | None
    after: float = Field(description="at the middle of the bed")
    medial: float | None = Field(default=None, description="after, near the big-toe side")
    lateral: float | None = Field(default=None, description="after, near the little-toe side")
    note: str = ""


class SeatingRecord(Record):
    """How the foot was placed in the shoe."""

    foot_to_bed: list[list[float]] = Field(description="4x4, foot frame to bed frame")
    lowered: float = Field(description="mm that the arch apex was lowered to the half-load state")
    band: float = Field(description="± mm on the gap")
    roll: float = 0.0
    notes: list[str] = Field(default=[])


class FootPlan(Record):
    """Everything to make for one foot."""

    def __repr__(self) -> str:
        made = [
            what for what in ("pad", "contour", "metatarsal") if getattr(self, what) is not None
        ]
        made += [f"wedge {wedge.place.value}" for wedge in self.tilts]
        return f"<{self.side} foot of {self.scan_file}: {', '.join(made) or 'a base alone'}>"

    side: Literal["left", "right"]
    scan_file: Sentence
    scan_sha256: str
    verdict: str
    load: str
    measures: dict[str, Quantity]
    landmarks: dict[str, tuple[float, float, float]] = Field(description="bed frame, mm")
    landmark_sd: dict[str, float] = Field(default={})
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
    wedges: list[WedgePlan] = Field(default=[])
    no_wedge_because: dict[str, str] = Field(default={}, description="per place, in words")
    cleat: CleatPlan | None = None
    thickness: list[ThicknessRow] = Field(default=[])
    saddle_change: Quantity | None = None
    contact: ContactPlan | None = None
    effect: EffectPlan | None = None
    notes: list[Note] = Field(default=[])

    @property
    def tilts(self) -> list[WedgePlan]:
        """Every wedge of the foot, those built into a contoured bed first."""
        return [*(self.contour.posting if self.contour else []), *self.wedges]


class Plan(Record):
    """A plan for a case: one or two feet, one shoe, wishes, answers, notes.

    There is no clock in a plan: the same scans, shoe and wishes give the same bytes. `date` is
    what the fitter typed, or empty to be written by hand on the paper.
    """

    def __repr__(self) -> str:
        feet = " and ".join(foot.side for foot in self.feet)
        return f"<plan {self.case} v{self.version}: {feet}, {self.shoe_name or 'no shoe'}>"

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
    wishes: dict[str, Any] = Field(default={})
    answers: dict[str, str] = Field(description="stop and advise questions: yes, no, not asked")
    clinician: Sentence = Field(
        default="", description="name and date of a clinician's word, if any"
    )
    left: FootPlan | None = None
    right: FootPlan | None = None
    overrides: list[Override] = Field(default=[])
    notes: list[Note] = Field(default=[])
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


@kept  # it is long, and every page and file carries its hash
def to_json(plan: Plan) -> str:
    """Return the plan as indented JSON text with a trailing newline; same plan, same bytes."""
    record = plan.model_dump(mode="json")
    for holder in (record, record["left"] or {}, record["right"] or {}):
        for note in holder.get("notes", ()):
            if not note["short"]:
                del note["short"]
    for foot in (record["left"], record["right"]):
        if foot is not None and foot["metatarsal"] is None:
            del foot["metatarsal"]  # plans without one read as they did before there were any
    as_then(record, plan.schema_version)
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
    # every number a float, since 10 and 10.0 are the same length
    even = json.loads(json.dumps(sealed), parse_int=lambda digits: float(int(digits)))
    text = json.dumps(even, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


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
    if isinstance(record, dict) and "ring_mm" in record:
        raise PlanError(
            "this is an outline on paper and no plan: it gives a shoe and a first trial, no parts; "
            "rank shoes for it, or scan the foot"
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
            f"{'broken' if seal else 'missing'}; plan again, or make it as it is, as edited, "
            "which every paper will say"
        ).asking("edited")
    return plan.model_copy(update={"overrides": [*plan.overrides, EDITED]})


def json_schema() -> dict[str, Any]:
    """Return the JSON schema of a plan."""
    schema = Plan.model_json_schema()
    schema["properties"]["seal"] = {
        "type": "string",
        "description": "over what parts are made from; schema_version 5 and later",
    }
    return schema


def fingerprint(plan: Plan) -> str:
    """Return 12 hex digits that change whenever the plan does."""
    return hashlib.sha256(to_json(plan).encode()).hexdigest()[:12]
