"""A folder of scans for a batch."""

from __future__ import annotations

from pathlib import Path

TORN = b"ply\nformat ascii 1.0\nelement vertex 900\nproperty float x\n"


def scans(folder: Path, *names: str) -> Path:
    for number, name in enumerate(names):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(TORN + str(number).encode())
    return folder
