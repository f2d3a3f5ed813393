"""The first page in pictures: its head has room for what was passed on purpose."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from insole.output.made import made_parts
from insole.output.papers.first_sheet import EDGE, WIDE, write_first_sheet
from insole.output.readme import Making
from insole.output.settings import Settings
from insole.parts.build import all_parts
from insole.record.values import Override
from tests.papers import letters
from tests.plans import sample_plan

LONG = (
    "the rider rode a set-up like this for two seasons without a complaint and asked for it again"
)


@pytest.mark.parametrize("count", [0, 1, 3])
def test_what_was_passed_on_purpose_stays_within_the_head(tmp_path: Path, count: int) -> None:
    passed = [
        Override(limit=f"sum at the ball {k}°", who="K. Fitter", why=LONG, when="2026-05-02")
        for k in range(count)
    ]
    plan = sample_plan().model_copy(update={"overrides": passed})
    settings = Settings()
    made = made_parts(plan, all_parts(plan), settings)
    page = Making(plan=plan, parts=made.parts, materials=settings.materials, layers={}, tag="t")
    write_first_sheet(tmp_path / "first.pdf", page, settings, tmp_path)
    found = letters(pypdfium2.PdfDocument(tmp_path / "first.pdf")[0])
    boxes = np.array([box for _, _, box in found])
    assert boxes[:, 0].min() > EDGE - 0.5
    assert boxes[:, 2].max() < WIDE - EDGE + 0.5
    heads = np.array([box for _, size, box in found if abs(size - 5.0) < 0.1])  # LEFT and RIGHT
    low, high = heads[:, 1].min(), heads[:, 3].max()
    assert not [char for char, size, box in found if size < 4.9 and low < box[3] and box[1] < high]
