"""Files written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: Path, data: bytes) -> None:
    """Write `data` to `path` whole or not at all."""
    partial = path.with_name(f"{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)
