"""Approve what is written now: python -m tests.approve [--only NAME]

Look at the files first, then at `git diff tests/approved`.
"""

from __future__ import annotations

import tests.kernel  # noqa: F401

# isort: split
import argparse
import tempfile
from pathlib import Path

from tests.approved import APPROVED, approve

if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", choices=APPROVED, action="append")
    for name in parser.parse_args().only or APPROVED:
        with tempfile.TemporaryDirectory() as place:
            approve(name, Path(place))
