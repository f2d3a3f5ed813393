"""Letters are told by their shape, also where one text begins close to another's end."""

from __future__ import annotations

import numpy as np
import pytest

from insole.output.cut.lettering import lettering
from insole.readback.letters import Shape, read_rows


@pytest.mark.parametrize("first", ["THICK EDGE", "CLEAT SIDE", "SHOE SIDE"])
@pytest.mark.parametrize("second", ["RIGHT", "LEFT", "HEEL"])
def test_two_texts_at_different_turns_are_parted_between_letters(first: str, second: str) -> None:
    """A stroke too early the last E would be a C, and its bar a letter of the next text."""
    upright = lettering(first, 5.0, (0.0, 0.0), turn=90.0, centred=False)
    end = np.vstack(upright)[:, 1].max()
    beside = lettering(second, 4.0, (-8.0, end + 2.5), centred=False)
    rows = read_rows([Shape(points) for points in (*upright, *beside)])
    assert [row.text for row in rows] == [first, second]
