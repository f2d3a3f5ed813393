"""Proportions of specimens and the limits for them against the adults of ANSUR II.

Source: Gordon et al. 2014, 2012 Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007;
ratios (1 and 99 %) and regressions CALC from the public table of 4082 men and 1986 women.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from footscan.foot import Foot, sole_map
from footscan.measuring import landmarks, measures
from footscan.measuring.local_fit import Cloud
from footscan.quality import claims as quality_claims
from footscan.results import Measure
from footscan.scan import Kind, Load
from footscan.specimen import made_up as specimen
from footscan.specimen.made_up import Shape, random_shape

# lowest 1 % and highest 99 % of men and women
RATIOS = {
    "heel_to_ball_length": (0.704, 0.774),
    "foot_breadth": (0.336, 0.421),
    "ball_girth": (0.829, 1.033),
    "heel_breadth_max": (0.227, 0.318),
}
GIRTH_OVER_BREADTH = (2.306, 2.634)
COLUMNS = {
    "heel_to_ball_length": "ball_of_foot_length_mm",
    "foot_breadth": "foot_breadth_horizontal_mm",
    "ball_girth": "ball_of_foot_circumference_mm",
    "heel_breadth_max": "heel_breadth_mm",
}


@pytest.fixture(scope="module")
def adults(data_dir) -> dict[str, dict[str, np.ndarray]]:
    """Return the table's columns by sex."""
    with (data_dir / "anthropometry" / "ansur2_feet.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    names = ["foot_length_mm", *COLUMNS.values()]
    return {
        sex: {n: np.array([float(r[n]) for r in rows if r["sex"] == sex]) for n in names}
        for sex in ("male", "female")
    }


def test_random_shapes_are_adult_feet():
    """800 draws: mean length between the sexes' means, spread and ratios as measured."""
    rng = np.random.default_rng(0)
    shapes = [random_shape(rng) for _ in range(800)]
    length = np.array([s.length for s in shapes])
    breadth = np.array([s.breadth for s in shapes])
    # equal shares of 271.18 (13.10) and 246.29 (12.44); standard error of the mean 0.63 mm
    assert length.mean() == pytest.approx((271.18 + 246.29) / 2, abs=2.0)
    assert length.std() == pytest.approx(np.hypot(12.77, (271.18 - 246.29) / 2), rel=0.1)
    assert (breadth / length).mean() == pytest.approx(0.3763, abs=0.004)
    ball = np.array([s.ball_share for s in shapes])
    assert ball.mean() == pytest.approx(0.740, abs=0.002)
    assert ball.std() == pytest.approx(0.014, abs=0.002)  # men 0.0147, women 0.0134
    inside = (ball >= 0.704) & (ball <= 0.774)
    assert inside.mean() > 0.96
    arch = np.array([s.arch_height for s in shapes])
    assert abs(np.corrcoef(arch, length)[0, 1]) < 0.12  # Hill et al. 2017: hardly correlated


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_measured_ratios_of_random_specimens_are_human(known_pose, seed):
    """Measured from a noisy scan: inside the adults' 1 to 99 % bands, and no finding for it."""
    drawn = random_shape(np.random.default_rng(seed))
    shape = Shape(**{n: getattr(drawn, n) for n in Shape.__dataclass_fields__} | {"cell": 2.0})
    foot = specimen.build(shape)
    way = known_pose(foot, load=Load.HALF, noise=0.15, turn_deg=None, shift=None)
    value = {name: m.value for name, m in way.measures.items()}
    for name, (low, high) in RATIOS.items():
        assert low < value[name] / value["foot_length"] < high, name
    low, high = GIRTH_OVER_BREADTH
    assert low < value["ball_girth"] / value["foot_breadth"] < high
    assert not any(code.startswith("proportion") for code in way.codes)
    for name, limit in (
        ("foot_length", 0.5),
        ("foot_breadth", 0.5),
        ("ball_girth", 1.0),
        ("heel_breadth_max", 0.6),
    ):
        # a patch of some 100 points averages 0.15 mm of noise to less than 0.1 mm
        assert value[name] == pytest.approx(foot.truth.measures[name], abs=limit), name


PEOPLE = 40


@pytest.fixture(scope="module")
def people() -> list[dict[str, float]]:
    """Return the measures of random specimens, read from their own skin: no noise, true frame."""
    found = []
    for seed in range(PEOPLE):
        drawn = random_shape(np.random.default_rng(500 + seed))
        values = {n: getattr(drawn, n) for n in Shape.__dataclass_fields__} | {"cell": 3.2}
        made = specimen.build(Shape(**values))
        vertices, faces = np.array(made.vertices), np.array(made.faces)
        foot = Foot(
            vertices=vertices,
            faces=faces,
            side=made.shape.side,
            load=made.shape.load,
            kind=Kind.STANDING,
            pose=np.eye(4),
            length=made.truth.measures["foot_length"],
            sole=sole_map(vertices, faces),
        )
        cloud = Cloud.of(vertices)
        marks = landmarks.find(foot, cloud)
        found.append({n: m.value for n, m in measures.measure(foot, cloud, marks).items()})
    return found


# share of: mean and standard deviation, men and women in equal parts (CALC from the table)
POPULATION = {
    ("heel_to_ball_length", "foot_length"): (0.7401, 0.0141),
    ("foot_breadth", "foot_length"): (0.3763, 0.0177),
    ("ball_girth", "foot_length"): (0.9286, 0.0419),
    ("ball_girth", "foot_breadth"): (2.468, 0.066),
    ("heel_breadth_max", "foot_length"): (0.2702, 0.0182),
}


@pytest.mark.long
@pytest.mark.parametrize("pair", POPULATION)
def test_measured_people_are_those_of_the_table(people, pair):
    """Forty made-up people: all but two inside the 1 to 99 % band of every ratio, their mean
    within three standard errors of the adults' (one more standard error for shapes drawn from
    rounded figures). A tape that read 3 % long would fail on the girths."""
    of, to = pair
    shares = np.array([person[of] / person[to] for person in people])
    low, high = RATIOS[of] if to == "foot_length" else GIRTH_OVER_BREADTH
    assert ((shares > low) & (shares < high)).sum() >= PEOPLE - 2
    mean, sd = POPULATION[pair]
    assert shares.mean() == pytest.approx(mean, abs=4 * sd / np.sqrt(PEOPLE))
    # shapes are drawn within 1.8 standard deviations; 40 people know a spread to a tenth
    assert 0.5 * sd < shares.std(ddof=1) < 1.3 * sd


@pytest.mark.long
def test_breadth_is_only_weakly_set_by_length(people):
    """Men r 0.589, women 0.555 (CALC); both sexes together and 40 people: 0.3 to 0.95."""
    length, breadth = (np.array([p[n] for p in people]) for n in ("foot_length", "foot_breadth"))
    assert 0.3 < np.corrcoef(length, breadth)[0, 1] < 0.95


def test_table_gives_the_ratios_quoted_here(adults):
    for name, (low, high) in RATIOS.items():
        shares = [table[COLUMNS[name]] / table["foot_length_mm"] for table in adults.values()]
        assert min(np.percentile(s, 1) for s in shares) == pytest.approx(low, abs=0.001)
        assert max(np.percentile(s, 99) for s in shares) == pytest.approx(high, abs=0.001)


@pytest.mark.parametrize(
    ("sex", "of", "at", "wanted"),
    [
        ("male", "ball_of_foot_length_mm", ("foot_length_mm", 270.0), 200.06),
        ("female", "ball_of_foot_length_mm", ("foot_length_mm", 245.0), 181.11),
        ("male", "ball_of_foot_circumference_mm", ("foot_breadth_horizontal_mm", 102.0), 252.32),
        ("female", "ball_of_foot_circumference_mm", ("foot_breadth_horizontal_mm", 93.0), 228.72),
    ],
)
def test_regressions_of_the_table_and_a_specimen_on_them(adults, sex, of, at, wanted):
    """The mean specimen lies on the adults' regressions within their standard errors."""
    table = adults[sex]
    slope, intercept = np.polyfit(table[at[0]], table[of], 1)
    # the worked examples come from coefficients with four figures
    assert slope * at[1] + intercept == pytest.approx(wanted, abs=0.15)
    shape = Shape(length=270.0, breadth=102.0) if sex == "male" else Shape(length=245.0, breadth=93)
    made = shape.ball_share * shape.length if "length" in of else shape.girth
    error = {"ball_of_foot_length_mm": 3.3, "ball_of_foot_circumference_mm": 6.0}[of]
    assert made == pytest.approx(wanted, abs=error)


def test_limits_call_no_usual_adult_unusual(adults):
    """At most one adult in 200 gets the note; the limits are its own, not copied from here."""
    columns = ("heel_to_ball_length", "foot_breadth", "heel_breadth_max")
    noted = total = 0
    for table in adults.values():
        for row in zip(table["foot_length_mm"], *(table[COLUMNS[c]] for c in columns), strict=True):
            measures = {"foot_length": Measure(value=row[0])}
            measures |= {c: Measure(value=v) for c, v in zip(columns, row[1:], strict=True)}
            noted += bool(quality_claims.proportions(measures))
            total += 1
    assert total == 6068
    assert noted / total < 0.005


def test_table_gives_the_means_and_spreads_quoted_here(adults):
    columns = COLUMNS | {"foot_length": "foot_length_mm"}
    for (of, to), (mean, sd) in POPULATION.items():
        shares = [table[columns[of]] / table[columns[to]] for table in adults.values()]
        assert np.mean([s.mean() for s in shares]) == pytest.approx(mean, rel=1e-3)
        assert np.mean([s.std() for s in shares]) == pytest.approx(sd, rel=0.02)
