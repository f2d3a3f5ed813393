"""The sample files that tests of the command line name, and the type of what runs it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_scans"
LEFT, RIGHT = str(SAMPLES / "larch_left.ply"), str(SAMPLES / "larch_right.ply")
BAD = str(SAMPLES / "larch_right_to_send_back.ply")
SHOE = str(SAMPLES / "shoe.toml")
Run = Callable[..., tuple[int, str, str]]

# what a record says of its scan, whatever else
SCAN_FACTS = frozenset(
    "file sha256 unit unit_evidence side side_confidence kind load points faces".split()
)
