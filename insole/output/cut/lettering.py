"""Letters in single strokes, for engravers and pens."""

from __future__ import annotations

import unicodedata

import numpy as np

from footscan.scan import Array

__all__ = ["ARROW", "GLYPHS", "PITCH", "lettering"]

ARROW = 19.2  # grid units: 3.2 letter heights
PITCH = 5.6  # grid units from letter to letter

# Single-stroke capitals of our own on a grid 4 wide and 6 high; two digits a point, x then y.
GLYPHS = {
    "A": "0004264440 0242",
    "B": "00063645443303 3342413000",
    "C": "4536160501103041",
    "D": "00062644422000",
    "E": "46060040 0333",
    "F": "460600 0333",
    "G": "45361605011030414323",
    "H": "0006 4046 0343",
    "I": "1030 2026 1636",
    "J": "0110304146",
    "K": "0006 460340",
    "L": "060040",
    "M": "0006234640",
    "N": "00064046",
    "O": "103041453616050110",
    "P": "00063645443303",
    "Q": "103041453616050110 2240",
    "R": "00063645443303 2340",
    "S": "453616050413334241301001",
    "T": "0646 2620",
    "U": "060110304146",
    "V": "062046",
    "W": "0610233046",
    "X": "0046 0640",
    "Y": "062346 2320",
    "Z": "06460040",
    "0": "103041453616050110 1234",
    "1": "152620 1030",
    "2": "05163645440040",
    "3": "051636454433 13334241301001",
    "4": "30360242",
    "5": "460603334241301001",
    "6": "453616050110304142331302",
    "7": "064610",
    "8": "133342413010010213040516364544 33",
    "9": "011030414536160504133344",
    "-": "1333",
    "\u2013": "0343",
    "+": "0343 2125",
    ".": "2021",
    ",": "2110",
    ":": "2122 2425",
    "/": "0046",
    "(": "36252130",
    ")": "16252110",
    "°": "1526352415",
    "<": "350331",
    ">": "154311",
    "=": "0242 0444",
    "\u00d7": "1234 1432",
    "±": "0444 2226 0141",
    "%": "0046 0616150506 3141403031",
    "_": "0040",
    "'": "2625",
    "→": "0343 254321",
    "·": "2223",
}
UNKNOWN = "0006464000"  # an empty box: something stood here that these letters cannot write


def lettering(
    text: str, size: float, at: tuple[float, float], *, turn: float = 0.0, centred: bool = True
) -> list[Array]:
    """Return a line of text as single strokes, shape (n, 2) each, mm.

    Capitals only; accents are dropped and a letter not known becomes an empty box. The text
    ``">"`` alone is an arrow.

    Parameters
    ----------
    text : str
        What to write.
    size : float
        Letter height, mm.
    at : (float, float)
        Centre, or the left end of the base line when not `centred`, mm.
    turn : float
        Degrees about +z of the reading direction.

    Examples
    --------
    >>> [line.tolist() for line in lettering("L", 6.0, (0, 0), centred=False)]
    [[[0.0, 6.0], [0.0, 0.0], [4.0, 0.0]]]
    """
    if text == ">":
        lines = [np.array([(0.0, 3.0), (ARROW, 3.0)])]
        lines.append(np.array([(ARROW - 5.0, 6.0), (ARROW, 3.0), (ARROW - 5.0, 0.0)]))
        width = ARROW
    else:
        plain = unicodedata.normalize("NFKD", text.upper().replace("°", "\0"))
        letters = [c for c in plain if not unicodedata.combining(c)]
        width = PITCH * len(letters) - (PITCH - 4.0)
        lines = []
        for k, letter in enumerate(letters):
            code = GLYPHS.get(letter.replace("\0", "°"), "" if letter.isspace() else UNKNOWN)
            for digits in code.split():
                grid = np.array([float(digit) for digit in digits]).reshape(-1, 2)
                lines.append(grid + np.array([k * PITCH, 0.0]))
    middle = np.array([width / 2, 3.0]) if centred else np.zeros(2)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    spin = np.array([[c, s], [-s, c]]) * (size / 6.0)
    return [(line - middle) @ spin + np.asarray(at) for line in lines]
