"""Where the workshop keeps what is its own, for the desk and the command line alike.

~/.solewright, or the folder that SOLEWRIGHT_HOME names
"""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["VARIABLE", "home", "own_file"]

HOME = Path("~/.solewright")
VARIABLE = "SOLEWRIGHT_HOME"


def home() -> Path:
    """Return the workshop's folder; it need not be there."""
    return Path(os.environ.get(VARIABLE) or HOME).expanduser()


def own_file(word: str) -> Path | None:
    """Return the workshop's own file of a kind, such as ``"stock"``; None: it has none."""
    path = home() / f"{word}.toml"
    return path if path.is_file() else None
