"""What the fitter wants under the arch of one foot, and a move by hand in words."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SupportWish", "move_words"]

Places = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SupportWish:
    """What the fitter wants under the arch; None is no wish, which is not a wish of zero.

    Attributes
    ----------
    level : float or None
        Support level, top over gap, 1 = touches; None takes the first trial's.
    pad : bool or None
        False: no pad is wanted.
    source : str or None
        ``"scan"`` for a one-off pad (as for None), ``"kit"`` for the best one of the kit.
    shift : (float, float) or None
        Pad moved by hand: mm forward, mm medial.
    turn : float or None
        Pad turned by hand, degrees about +z (+ turns the front medially).
    tender : tuple of (x, y) or None
        Tender spots, bed frame: mm from the base's rear edge, mm medial of its centreline.
    relief : float or None
        Depth of the relief over tender spots, mm; None takes the limits' own.
    medial_edge : float or None
        Height of the pad's medial side, mm, where the shoe's wall stands off; None lets it stand
        as high as the rules allow.
    contoured : str or None
        ``"three-quarter"`` (ends behind the ball line) or ``"full"``: a contoured bed in one piece
        in place of base, pad and inside shims.
    cup : float or None
        Depth of its heel cup, mm; None takes the limits' own.
    material : str or None
        What it is made of, a word of the material table; its least thickness follows.
    metatarsal : float or None
        Height of a metatarsal pad, mm; None: none.
    behind : float or None
        Its crest behind the line of heads 2 to 4, mm; None takes the limits' own.
    """

    level: float | None = None
    pad: bool | None = None
    source: str | None = None
    shift: tuple[float, float] | None = None
    turn: float | None = None
    tender: Places | None = None
    relief: float | None = None
    medial_edge: float | None = None
    contoured: str | None = None
    cup: float | None = None
    material: str | None = None
    metatarsal: float | None = None
    behind: float | None = None

    @property
    def of_kit(self) -> bool:
        """Whether the pad is picked from the kit."""
        return self.source == "kit"

    @property
    def moved(self) -> tuple[float, float]:
        """How far the pad is moved by hand, mm forward and medial."""
        return self.shift or (0.0, 0.0)

    @property
    def turned(self) -> float:
        """How far the pad is turned by hand, degrees."""
        return self.turn or 0.0

    @property
    def spots(self) -> Places:
        """The tender spots; may be none."""
        return self.tender or ()


def move_words(forward: float, medial: float, turn: float = 0.0) -> str:
    """Return a move in words.

    Examples
    --------
    >>> move_words(3.0, -2.0)
    '3 mm forward, 2 mm lateral'
    >>> move_words(0.0, 0.0, 5.0)
    'turned 5° (front medially)'
    """
    words = []
    for value, ahead, back in ((forward, "forward", "rearward"), (medial, "medial", "lateral")):
        if abs(value) >= 0.05:
            words.append(f"{round(abs(value), 1):g} mm {ahead if value > 0 else back}")
    if abs(turn) >= 0.05:
        side = "medially" if turn > 0 else "laterally"
        words.append(f"turned {round(abs(turn), 1):g}° (front {side})")
    return ", ".join(words) or "not moved"
