"""The plan that is on trial."""

from __future__ import annotations

import pytest

from insole.record.plan import Plan
from tests.on_trial import made


@pytest.fixture(scope="package")
def plan() -> Plan:
    return made()
