"""The shoe: a small TOML file that a workshop writes once per shoe and size.

    shoe.toml -> load -> Shoe -> insole.planning.fit, .seating, .wedging, .cleat

Frame and terms
    bed           the face that the base will lie on: the shell's own bed when the stock insole
                  comes out, the top of the stock insole when it stays
    x_share       0 at the rear end of the bed, 1 at its front end, along the inside length
    y_share       -1 at the lateral border of the bed, 0 on its midline, +1 at the medial border
    height        mm above the bed's own midline at the ball
    drop          height of the midline at the heel
    cant          built-in tilt, degrees, + medial side up (varus), - lateral side up (valgus)

What a file does not say is unknown, never zero, except for the cants: a bed without a stated
cant is taken as level and the plan's words say "as stated in the shoe file".
"""

from __future__ import annotations

import difflib
import json
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.plan import WedgePlace

__all__ = ["BedHeights", "CleatSlots", "Shoe", "Stiffness", "StockInsole", "load", "parse"]

Ring = Array  # shape (n, 2), closed without repeating the first point, mm

STATIONS = ("heel", "25 %", "45 %", "60 %", "ball")
HEEL_AT = 0.12  # middle of the heel seat as a share of the inside length, common practice
BALL_AT = 0.72  # 0.74 of a foot that is some 10 mm shorter than the shoe inside
MAX_BYTES = 1_000_000
OUTLINE_LENGTH_MM = 8.0  # a traced outline may differ from the inside length by this much
DROP_AGREES_MM = 2.0  # stated drop against the drop that the heights give


class Stiffness(StrEnum):
    """How the sole resists bending, in a workshop's words."""

    RIGID = "rigid"
    FIRM = "firm"
    FLEXIBLE = "flexible"


@dataclass(frozen=True, slots=True, kw_only=True)
class StockInsole:
    """The removable insole that came with the shoe.

    Attributes
    ----------
    kept : bool
        True when it stays in the shoe under the base.
    thickness : mapping of str to float
        mm at ``heel``, ``arch``, ``ball``, ``toes``; a station not measured is absent.
    cant_forefoot, cant_heel : float
        Its own tilt, degrees, + medial side up; counts only when kept.
    """

    kept: bool = False
    thickness: Mapping[str, float] = field(default_factory=dict)
    cant_forefoot: float = 0.0
    cant_heel: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BedHeights:
    """Heights of the bed on three lines at heel, 25, 45, 60 % and ball, mm, any one datum."""

    medial: tuple[float, ...]
    midline: tuple[float, ...]
    lateral: tuple[float, ...]
    heel_at: float = HEEL_AT
    ball_at: float = BALL_AT


@dataclass(frozen=True, slots=True, kw_only=True)
class CleatSlots:
    """Where the cleat can go, measured from a mark that can be found again.

    Attributes
    ----------
    mark : str
        The mark, in words.
    mark_from_heel : float or None
        mm from the rear end of the bed forward to the mark; None: reach cannot be checked.
    front, rear : float or None
        Foremost and rearmost place of the pedal axle, mm ahead of the mark (rear is smaller).
    yaw : float or None
        Degrees that the cleat can be turned each way.
    float_range : float or None
        Degrees of float, end to end.
    holes : tuple of (x, y)
        Bolt centres from the pattern's middle, mm forward and mm medial, as measured.
    bolt_length, engagement : float or None
        Original bolt length under the head and thread engaged, mm.
    thread_pitch : float
        mm a turn.
    """

    mark: str = ""
    mark_from_heel: float | None = None
    front: float | None = None
    rear: float | None = None
    yaw: float | None = None
    float_range: float | None = None
    holes: tuple[tuple[float, float], ...] = ()
    bolt_length: float | None = None
    engagement: float | None = None
    thread_pitch: float = 0.8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shoe:
    """One shoe in one size, as a workshop measured it.

    Attributes
    ----------
    name : str
        The workshop's own word for it.
    inside_length, ball_width, heel_width : float
        mm, on the bed.
    ball_girth, instep_height : float or None
        mm; optional, since few workshops can measure them inside a shoe.
    drop : float
        mm from heel to ball along the midline.
    toe_spring : float
        mm that the bed rises from the ball to its front end.
    heights : BedHeights or None
        None: only the drop is known.
    shell_cant_forefoot, shell_cant_heel : float
        Degrees built into the shell's bed, + medial side up.
    insole : StockInsole
        The removable insole.
    stack : float or None
        mm from the pedal axle to the bed at the ball.
    seat_tube_angle : float or None
        Degrees from horizontal of the rider's bike, for the saddle change.
    slots : CleatSlots
        Cleat and bolts.
    stiffness : Stiffness or None
        Class of the sole.
    outline : ndarray, shape (n, 2), or None
        Outline of the bed, bed frame, counter-clockwise, mm.
    source : str
        File name.
    """

    name: str
    inside_length: float
    ball_width: float
    heel_width: float
    ball_girth: float | None = None
    instep_height: float | None = None
    drop: float
    toe_spring: float = 0.0
    heights: BedHeights | None = None
    shell_cant_forefoot: float = 0.0
    shell_cant_heel: float = 0.0
    insole: StockInsole = StockInsole()
    stack: float | None = None
    seat_tube_angle: float | None = None
    slots: CleatSlots = CleatSlots()
    stiffness: Stiffness | None = None
    outline: Ring | None = None
    source: str = ""

    @property
    def bed_known(self) -> bool:
        """True when the bed's heights were measured, not only its drop."""
        return self.heights is not None

    @property
    def ball_at(self) -> float:
        """Share of the inside length at which the ball station lies."""
        return self.heights.ball_at if self.heights else BALL_AT

    def bed_height(self, x_share: ArrayLike, y_share: ArrayLike) -> Array:
        """Return the height of the bed above its own midline at the ball, mm.

        Monotone cubic (PCHIP) along each of the three measured lines, then across them: the
        surface passes through every measured height and never overshoots between two of them.
        With the drop alone, a smooth ramp from the heel seat to the ball, level across.
        Shares beyond the bed are taken at its edge.

        Parameters
        ----------
        x_share, y_share : array_like
            Places along and across the bed; broadcast against each other.

        Returns
        -------
        ndarray
            Shape of the broadcast arguments.
        """
        x, y = np.broadcast_arrays(np.asarray(x_share, float), np.asarray(y_share, float))
        x, y = np.clip(x, 0.0, 1.0), np.clip(y, -1.0, 1.0)
        lines = np.stack([_along(self, line, x.ravel()) for line in _lines(self)])
        return _across(lines, y.ravel()).reshape(x.shape)

    def cant_kept(self, place: WedgePlace) -> float:
        """Return the tilt that stays in the shoe at `place`, degrees, + medial side up.

        Shell and stock insole add up; the insole counts only while it is kept. Under the shoe
        it is 0: the shell's tilt lies above that place and is counted once, at the forefoot.
        """
        place = WedgePlace(place)
        if place is WedgePlace.UNDER:
            return 0.0
        heel = place is WedgePlace.HEEL
        shell = self.shell_cant_heel if heel else self.shell_cant_forefoot
        stock = self.insole.cant_heel if heel else self.insole.cant_forefoot
        return shell + (stock if self.insole.kept else 0.0)

    @property
    def ball_tilt(self) -> float | None:
        """Tilt across the bed at the ball from its measured heights, degrees; None if unknown."""
        if self.heights is None:
            return None
        rise = self.heights.medial[-1] - self.heights.lateral[-1]
        return math.degrees(math.atan2(rise, self.ball_width))

    def record(self) -> dict[str, Any]:
        """Return the shoe as plain data with the file's own keys; :func:`parse` reads it back."""
        return _record(self)


def load(path: str | Path) -> Shoe:
    """Return the shoe that a TOML file describes.

    Raises
    ------
    insole.errors.PlanError
        The file cannot be read, or a key, unit or value is wrong: file, key, value and range
        in one sentence.
    """
    path = Path(path)
    return parse(read_toml(path, "shoe"), path.name, path.parent)


def parse(data: Mapping[str, Any], source: str = "shoe", folder: Path | None = None) -> Shoe:
    """Return the shoe that plain data with the keys of a shoe file describe.

    Parameters
    ----------
    data : mapping
        As read from TOML, or from :meth:`Shoe.record`.
    source : str
        Name to put into messages.
    folder : Path or None
        Where an outline file named by the data lies; None allows inline points only.

    Raises
    ------
    insole.errors.PlanError
        A key, unit or value is wrong.
    """
    top = Table(data, source)
    name = top.text("name")
    inside, bed = top.table("inside"), top.table("bed")
    length = inside.need("length", 150, 380)
    widths = _inside(inside)
    heights, drop, spring = _bed(bed)
    shell = top.table("shell")
    cants = {
        "shell_cant_forefoot": shell.number("cant_forefoot", -10, 10, "degrees", 0.0),
        "shell_cant_heel": shell.number("cant_heel", -10, 10, "degrees", 0.0),
    }
    stiff = shell.choice("stiffness", [s.value for s in Stiffness])
    shoe = Shoe(
        name=name,
        inside_length=length,
        **widths,
        drop=drop,
        toe_spring=spring,
        heights=heights,
        **cants,
        insole=_stock(top.table("stock_insole")),
        stack=shell.number("stack", 2, 60),
        seat_tube_angle=top.table("bike").number("seat_tube_angle", 60, 85, "degrees"),
        slots=_slots(top.table("cleat")),
        stiffness=Stiffness(stiff) if stiff else None,
        outline=_outline(top.table("outline"), length, folder),
        source=source,
    )
    top.finish()
    return shoe


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """Return the tables of a TOML file; one sentence (PlanError) when that fails."""
    large = f"{path.name} is over {MAX_BYTES // 1000} kB; a {what} file is a short text"
    try:
        if path.stat().st_size > MAX_BYTES:
            raise PlanError(large)
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except PlanError:
        raise
    except UnicodeDecodeError:
        raise PlanError(
            f"{path.name} is not a text file in UTF-8; write it as plain text"
        ) from None
    except (ValueError, RecursionError) as error:
        # tomllib's own error is a ValueError; so is Python's for a number of 5000 digits
        reason = "nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise PlanError(
            f"{path.name} is not a valid {what} file: {reason}; see the sample"
        ) from None
    except OSError as error:
        reason = error.strerror or "unreadable"
        raise PlanError(f"the {what} file {path} cannot be read: {reason.lower()}") from None


class Table:
    """One table of a settings file, read key by key so that every mistake gets its sentence."""

    def __init__(self, data: Any, source: str, prefix: str = "") -> None:
        if not isinstance(data, Mapping):
            raise PlanError(
                f"{source}: {prefix.rstrip('.')} must be a table, [{prefix.rstrip('.')}]"
            )
        self._data, self._source, self._prefix = data, source, prefix
        self._known: set[str] = set()
        self._children: list[Table] = []

    def fail(self, key: str, must: str, hint: str = "") -> PlanError:
        """Return the error for a wrong value."""
        got = self._data.get(key)
        shown = f"is {_shown(got)}" if key in self._data else "is missing"
        return PlanError(f"{self._source}: {self._prefix}{key} {shown}, but must be {must}{hint}")

    def has(self, key: str) -> bool:
        """Return whether the key stands in the file."""
        return key in self._data

    def get(self, key: str) -> Any:
        """Return the raw value or None, and note the key as known."""
        self._known.add(key)
        return self._data.get(key)

    def number(
        self, key: str, low: float, high: float, unit: str = "mm", default: float | None = None
    ) -> Any:
        """Return a finite number within [low, high], or `default` when absent."""
        value = self.get(key)
        return default if value is None else self._checked(key, value, low, high, unit)

    def need(self, key: str, low: float, high: float, unit: str = "mm") -> float:
        """Return a number that must be there."""
        if self.get(key) is None:
            raise self.fail(key, f"a number from {low:g} to {high:g} {unit}")
        return float(self.number(key, low, high, unit))

    def numbers(
        self, key: str, count: int, low: float, high: float, what: str
    ) -> tuple[float, ...]:
        """Return `count` numbers that must be there."""
        value = self.get(key)
        if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != count:
            raise self.fail(key, what)
        return tuple(self._checked(key, v, low, high, "mm") for v in value)

    def text(self, key: str) -> str:
        """Return a text that must be there, 1 to 80 characters."""
        value = self.get(key)
        good = isinstance(value, str) and 0 < len(value.strip()) <= 80 and value.isprintable()
        if not good:
            raise self.fail(key, "a text of 1 to 80 characters on one line, in quotes")
        return str(value).strip()

    def flag(self, key: str, default: bool | None = None) -> bool:
        """Return true or false."""
        value = self.get(key)
        if value is None and default is not None:
            return default
        if not isinstance(value, bool):
            raise self.fail(key, "true or false, without quotes")
        return value

    def choice(self, key: str, options: Sequence[str]) -> str | None:
        """Return one of `options`, or None when absent."""
        value = self.get(key)
        if value is not None and value not in options:
            raise self.fail(key, "one of " + ", ".join(f'"{o}"' for o in options))
        return None if value is None else str(value)

    def table(self, key: str) -> Table:
        """Return the table `key`; an absent one is empty."""
        value = self.get(key)
        child = Table({} if value is None else value, self._source, f"{self._prefix}{key}.")
        self._children.append(child)
        return child

    def finish(self) -> None:
        """Refuse keys that nobody asked for: a misspelt key must not pass as absent."""
        for key in self._data:
            if key not in self._known:
                near = difflib.get_close_matches(key, self._known, n=1)
                hint = f'; did you mean "{near[0]}"?' if near else ""
                known = ", ".join(sorted(self._known)) or "none"
                raise PlanError(
                    f"{self._source}: {self._prefix}{key} is not a key of this file{hint} "
                    f"(known here: {known})"
                )
        for child in self._children:
            child.finish()

    def _checked(self, key: str, value: Any, low: float, high: float, unit: str) -> float:
        must = f"a number from {low:g} to {high:g} {unit}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fail(key, must, "; write it without quotes and with a decimal point")
        if not low <= value <= high:  # also false for nan and inf
            raise self.fail(key, must, _unit_hint(value, low, high, unit))
        return float(value)


def _unit_hint(value: float, low: float, high: float, unit: str) -> str:
    """Return a guess at the wrong unit, for the message only."""
    if unit == "mm" and low > 0 and 0 < value < low:
        for factor, other in ((10.0, "cm"), (25.4, "inches"), (1000.0, "metres")):
            if low <= value * factor <= high:
                return f"; was it typed in {other}?"
    return ""


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _inside(table: Table) -> dict[str, Any]:
    return {
        "ball_width": table.need("ball_width", 50, 140),
        "heel_width": table.need("heel_width", 35, 100),
        "ball_girth": table.number("ball_girth", 150, 350),
        "instep_height": table.number("instep_height", 30, 120),
    }


def _bed(table: Table) -> tuple[BedHeights | None, float, float]:
    """Return heights, drop and toe spring."""
    spring = table.number("toe_spring", -5, 40, "mm", 0.0)
    has_heights = table.has("heights")
    inner = table.table("heights")
    if not has_heights:
        return None, table.need("drop", -10, 30), spring
    what = "five numbers in mm, at " + ", ".join(STATIONS)
    rows = {k: inner.numbers(k, 5, -20, 60, what) for k in ("medial", "midline", "lateral")}
    heights = BedHeights(
        **rows,
        heel_at=inner.number("heel_at", 0.05, 0.20, "of the inside length", HEEL_AT),
        ball_at=inner.number("ball_at", 0.62, 0.80, "of the inside length", BALL_AT),
    )
    measured = heights.midline[0] - heights.midline[-1]
    drop = table.number("drop", -10, 30, "mm", measured)
    if abs(drop - measured) > DROP_AGREES_MM:
        raise table.fail(
            "drop",
            f"within {DROP_AGREES_MM:g} mm of the {measured:g} mm that bed.heights.midline gives",
            "; measure again or leave drop out",
        )
    return heights, measured, spring


def _stock(table: Table) -> StockInsole:
    stations = ("heel", "arch", "ball", "toes")
    inner = table.table("thickness")
    found = {s: inner.number(s, 0, 25) for s in stations}
    cants = {k: table.number(k, -8, 8, "degrees", 0.0) for k in ("cant_forefoot", "cant_heel")}
    anything = any(v is not None for v in found.values()) or any(cants.values())
    # A measured insole whose fate is not stated would be counted or dropped by guess.
    kept = table.flag("kept", None if anything else False)
    thickness = {s: v for s, v in found.items() if v is not None}
    return StockInsole(kept=kept, thickness=thickness, **cants)


def _slots(table: Table) -> CleatSlots:
    mark = table.text("mark") if table.has("mark") else ""
    front, rear = table.number("front", -60, 60), table.number("rear", -60, 60)
    if (front is None) != (rear is None):
        raise table.fail("rear" if rear is None else "front", "given together with the other end")
    if front is not None and rear > front:
        raise table.fail("rear", f"not ahead of cleat.front, {front:g} mm")
    if front is not None and not mark:
        raise table.fail("mark", "the mark, in words, from which front and rear are measured")
    holes = table.get("holes")
    return CleatSlots(
        mark=mark,
        mark_from_heel=table.number("mark_from_heel", 60, 320),
        front=front,
        rear=rear,
        yaw=table.number("yaw", 0, 30, "degrees"),
        float_range=table.number("float", 0, 40, "degrees"),
        holes=() if holes is None else _pairs(table, "holes", holes, 1, 8, 80),
        bolt_length=table.number("bolt_length", 4, 40),
        engagement=table.number("engagement", 1, 30),
        thread_pitch=table.number("thread_pitch", 0.5, 1.5, "mm", 0.8),
    )


def _pairs(
    table: Table, key: str, value: Any, least: int, most: int, reach: float
) -> tuple[tuple[float, float], ...]:
    """Return [[x, y], ...] as tuples of finite numbers within +-reach mm."""
    try:
        array = np.asarray(value, dtype=float)
        good = array.ndim == 2 and array.shape[1] == 2 and least <= len(array) <= most
        good = good and bool(np.isfinite(array).all()) and bool((np.abs(array) <= reach).all())
    except (TypeError, ValueError, OverflowError):
        good = False
    if not good:
        raise table.fail(key, f"{least} to {most} pairs [x, y] in mm within {reach:g} mm")
    return tuple((float(x), float(y)) for x, y in array)


def _outline(table: Table, length: float, folder: Path | None) -> Ring | None:
    """Return the bed's outline in the bed frame, or None when the file has none."""
    points, file = table.get("points"), table.get("file")
    side = table.choice("side", ["left", "right"])
    if points is None and file is None:
        if side is not None:
            raise table.fail("points", "given, or outline.file, when outline.side is stated")
        return None
    if points is not None and file is not None:
        raise table.fail("file", "left out when outline.points is given")
    if side is None:
        raise table.fail("side", '"left" or "right": the shoe that was traced, seen from above')
    if points is not None:
        ring = np.array(_pairs(table, "points", points, 8, 5000, 1000.0))
    else:
        ring = _outline_file(table, file, folder)
    return _as_bed(table, ring, side, length)


def _outline_file(table: Table, file: Any, folder: Path | None) -> Ring:
    if not isinstance(file, str) or Path(file).name != file:
        raise table.fail("file", "the plain name of a .csv or .dxf file beside the shoe file")
    path = (folder or Path()) / file
    kind = path.suffix.lower()
    if kind not in (".csv", ".dxf"):
        raise table.fail("file", "the plain name of a .csv or .dxf file beside the shoe file")
    if folder is None or not path.is_file():
        raise table.fail("file", "there: no such file beside the shoe file")
    if path.stat().st_size > 20 * MAX_BYTES:
        raise table.fail("file", "smaller than 20 MB")
    return _from_csv(table, path) if kind == ".csv" else _from_dxf(table, path)


def _from_csv(table: Table, path: Path) -> Ring:
    """Return x, y rows; a first line of words is skipped, any other bad row is named."""
    rows: list[list[float]] = []
    lines = path.read_text(encoding="utf-8-sig", errors="replace").splitlines()
    for number, line in enumerate(lines, 1):
        cells = line.replace(";", " ").replace(",", " ").split()
        if not cells or line.lstrip().startswith("#"):
            continue
        try:
            rows.append([float(c) for c in cells])
        except ValueError:
            if rows:
                raise table.fail("file", f"rows of x, y in mm: line {number} is not") from None
    if any(len(r) != 2 for r in rows):
        raise table.fail("file", "rows of exactly two numbers, x and y in mm, decimal points")
    return np.array(_pairs(table, "file", rows, 8, 100_000, 1000.0))


def _from_dxf(table: Table, path: Path) -> Ring:
    """Return the largest closed curve of a drawing, flattened to 0.05 mm, in mm."""
    from ezdxf import path as curves
    from ezdxf.enums import InsertUnits
    from ezdxf.filemanagement import readfile
    from ezdxf.lldxf.const import DXFError
    from ezdxf.units import conversion_factor

    try:
        drawing = readfile(path)
    except (OSError, DXFError, UnicodeDecodeError, ValueError):
        raise table.fail("file", "a readable DXF drawing") from None
    factor = 1.0
    # A drawing without a unit is taken as mm; its length is held against the shoe's below.
    if drawing.units != InsertUnits.Unitless:
        factor = conversion_factor(InsertUnits(drawing.units), InsertUnits.Millimeters)
    rings = []
    for entity in drawing.modelspace().query("LWPOLYLINE POLYLINE SPLINE ELLIPSE"):
        curve = curves.make_path(entity)
        flat = np.array([p.vec2 for p in curve.flattening(0.05 / factor)], dtype=float) * factor
        if len(flat) > 3 and np.hypot(*(flat[0] - flat[-1])) < 0.01:
            rings.append(flat[:-1])
    if not rings:
        raise table.fail("file", "a drawing with one closed polyline or spline: the bed's outline")
    return max(rings, key=lambda r: float(np.ptp(r[:, 0])))


def _as_bed(table: Table, ring: Ring, side: str, length: float) -> Ring:
    """Return `ring` moved into the bed frame: rear end at x = 0, heel centred on y = 0."""
    from shapely.geometry import LineString, Polygon

    from footscan.pose import mirror_ring

    key = "points" if table.has("points") else "file"
    shape = Polygon(ring)
    if not shape.is_valid or shape.area < 1.0:
        raise table.fail(key, "one outline that does not cross itself")
    ring = np.asarray(shape.exterior.coords)[:-1]
    ring = ring if shape.exterior.is_ccw else ring[::-1]
    ring = mirror_ring(ring) if side == "left" else np.ascontiguousarray(ring)
    span = np.ptp(ring, axis=0)
    if abs(span[0] - length) > OUTLINE_LENGTH_MM:
        must = f"drawn in mm, x from heel to toes, {length:g} ± {OUTLINE_LENGTH_MM:g} mm long"
        raise table.fail(key, f"{must} (inside.length); it is {span[0]:.0f} mm long")
    ring = ring - [ring[:, 0].min(), 0.0]
    at = 0.16 * span[0]
    cut = Polygon(ring).intersection(LineString([(at, -999.0), (at, 999.0)]))
    ring = ring - [0.0, (cut.bounds[1] + cut.bounds[3]) / 2]
    ring.setflags(write=False)
    return ring


def _lines(shoe: Shoe) -> tuple[tuple[float, ...] | None, ...]:
    """Return the heights along lateral border, midline and medial border; None: drop alone."""
    if shoe.heights is None:
        return (None, None, None)
    return (shoe.heights.lateral, shoe.heights.midline, shoe.heights.medial)


def _along(shoe: Shoe, line: tuple[float, ...] | None, x: Array) -> Array:
    """Return heights along one line; level behind the heel seat, toe spring ahead of the ball."""
    from scipy.interpolate import PchipInterpolator

    if line is None or shoe.heights is None:
        at = [0.0, HEEL_AT, BALL_AT, 1.0]
        height = [shoe.drop, shoe.drop, 0.0, shoe.toe_spring]
    else:
        bed = shoe.heights
        at = [0.0, bed.heel_at, 0.25, 0.45, 0.60, bed.ball_at, 1.0]
        own = np.array(line) - bed.midline[-1]
        height = [own[0], *own, own[-1] + shoe.toe_spring]
    with np.errstate(over="ignore"):  # heights that differ by less than any real ones
        return np.asarray(PchipInterpolator(at, height)(x), dtype=float)


def _across(lines: Array, y: Array) -> Array:
    """Return PCHIP across three lines (shape (3, n)) at y_share -1, 0, +1, one y per column."""
    from scipy.interpolate import PchipInterpolator

    with np.errstate(over="ignore"):
        curve = PchipInterpolator([-1.0, 0.0, 1.0], lines, axis=0)
    piece = (y >= 0).astype(int)
    column = np.arange(y.size)
    t = y - np.where(piece == 1, 0.0, -1.0)
    c = curve.c[:, piece, column]
    return np.asarray(((c[0] * t + c[1]) * t + c[2]) * t + c[3], dtype=float)


def _record(shoe: Shoe) -> dict[str, Any]:
    bed: dict[str, Any] = {"drop": shoe.drop, "toe_spring": shoe.toe_spring}
    if shoe.heights is not None:
        h = shoe.heights
        bed["heights"] = {
            "medial": list(h.medial),
            "midline": list(h.midline),
            "lateral": list(h.lateral),
            "heel_at": h.heel_at,
            "ball_at": h.ball_at,
        }
    slots = shoe.slots
    tables: dict[str, Any] = {
        "name": shoe.name,
        "inside": {
            "length": shoe.inside_length,
            "ball_width": shoe.ball_width,
            "heel_width": shoe.heel_width,
            "ball_girth": shoe.ball_girth,
            "instep_height": shoe.instep_height,
        },
        "bed": bed,
        "shell": {
            "cant_forefoot": shoe.shell_cant_forefoot,
            "cant_heel": shoe.shell_cant_heel,
            "stiffness": shoe.stiffness.value if shoe.stiffness else None,
            "stack": shoe.stack,
        },
        "stock_insole": {
            "kept": shoe.insole.kept,
            "thickness": dict(shoe.insole.thickness),
            "cant_forefoot": shoe.insole.cant_forefoot,
            "cant_heel": shoe.insole.cant_heel,
        },
        "bike": {"seat_tube_angle": shoe.seat_tube_angle},
        "cleat": {
            "mark": slots.mark or None,
            "mark_from_heel": slots.mark_from_heel,
            "front": slots.front,
            "rear": slots.rear,
            "yaw": slots.yaw,
            "float": slots.float_range,
            "holes": [list(h) for h in slots.holes] or None,
            "bolt_length": slots.bolt_length,
            "engagement": slots.engagement,
            "thread_pitch": slots.thread_pitch,
        },
    }
    if shoe.outline is not None:
        points = [[round(float(v), 4) for v in p] for p in shoe.outline]
        tables["outline"] = {"side": "right", "points": points}
    return _without_none(tables)


def _without_none(data: dict[str, Any]) -> dict[str, Any]:
    """Return `data` without None, in all depths."""
    cleaned = {}
    for key, value in data.items():
        if isinstance(value, dict):
            cleaned[key] = _without_none(value)
        elif value is not None:
            cleaned[key] = value
    return cleaned
