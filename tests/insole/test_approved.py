"""What is written is what somebody looked at and approved."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.approved import APPROVED, mismatch


@pytest.mark.parametrize("name", APPROVED)
def test_what_is_written_is_what_was_approved(name: str, tmp_path: Path) -> None:
    found = mismatch(name, tmp_path)
    how = f"look at it; if it is right: python -m tests.approve --only {name}"
    assert not found, "\n".join([*found, how])
