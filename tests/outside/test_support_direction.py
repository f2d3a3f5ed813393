"""Which way supports change the contact of the foot, against published directions.

Only directions are compared: the figures of the spring model are no measurements.

Sources (directions as stated for this project, papers not read again here)
    Bousie et al. 2013, J Sci Med Sport 16:60: while cycling, contoured orthoses enlarge the contact
    of the medial and lateral midfoot against a flat insert of like hardness
    J Foot Ankle Res 2009, 2:20: contoured devices, customised and prefabricated, raise the
    midfoot's force and lower the peaks at the forefoot
    Goske et al. 2006, J Biomech, doi 10.1016/j.jbiomech.2005.08.006: under the heel, conformity
    relieves pressure more than material does
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.shoe.shoe import parse
from tests import feet

pytestmark = pytest.mark.long

SHOE = parse(
    {
        "name": "level",
        "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
        "inside": {"length": 290, "ball_width": 104, "heel_width": 72},
    }
)
FEET = [
    {"arch": arch, "length": length, "arch_at": at}
    for arch in (9.0, 12.0, 15.0, 18.0, 21.0)
    for length in (245.0, 255.0, 265.0)
    for at in (0.43, 0.48)
]


@lru_cache(maxsize=2)
def effects(kind: str):
    """Return the effect on each of 30 feet of a kind of support at 80 %."""
    wish = {"support_level": 0.8} | ({"contoured": "full"} if kind == "contoured" else {})
    found = []
    for shape in FEET:
        plan = planner.plan(
            None, feet.analytic(**shape), SHOE, PlanWishes(both=FootWish.of(**wish))
        ).right
        found.append({case.case: case for case in plan.effect.cases})
    return found


def changes(kind: str, load: str, name: str) -> np.ndarray:
    cases = [one[load] for one in effects(kind) if load in one]
    assert len(cases) >= 25  # the springs alone balance most of them
    return np.array([getattr(case, name)[1] - getattr(case, name)[0] for case in cases])


@pytest.mark.parametrize("kind", ["pad", pytest.param("contoured", marks=pytest.mark.long)])
@pytest.mark.parametrize("load", ["standing", "pedalling"])
def test_contoured_supports_enlarge_the_midfoots_contact_and_share(kind, load):
    assert (changes(kind, load, "midfoot_area") >= 0.0).all()
    assert np.median(changes(kind, load, "midfoot_area")) > 1.0
    assert np.median(changes(kind, load, "midfoot_share")) > 0.0


@pytest.mark.parametrize("kind", ["pad", pytest.param("contoured", marks=pytest.mark.long)])
def test_peaks_at_the_forefoot_fall(kind):
    assert np.median(changes(kind, "standing", "ball_peak")) < 0.0
    assert np.median(changes(kind, "pedalling", "ball_peak")) < 0.0


@pytest.mark.long
def test_a_conforming_heel_lowers_its_peak_more_than_a_pad_in_the_arch():
    bed, pad = (changes(kind, "standing", "heel_peak") for kind in ("contoured", "pad"))
    assert np.median(bed) < np.median(pad) <= 0.0
