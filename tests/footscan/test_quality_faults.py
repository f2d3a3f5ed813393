"""One fault, one code: each fault of the study at middle strength, and the good scan stays good."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from footscan.errors import FootscanError
from footscan.finding import cleaning
from footscan.measuring import pose
from footscan.quality import findings as quality
from footscan.results import Measure, Severity, Verdict
from footscan.scan import Load
from footscan.specimen.scanner import ScannerSpec
from tests import faults

# they need measures, or have tests of their own beside the limits
ELSEWHERE = (
    "squeezed in length",
    "squeezed in breadth",
    "squeezed in height",
    "toes clipped",
    "heel clipped",
    "noise",
    "sparse",
    "hole, heel",
    "leg cut low",
    "seen twice, front half",
    "sole filled",
    "waves of 6 mm",
    "load stated wrongly",
    "floor, taken away",
    "hole, ball",
    "seen twice, lifted",
    "seen twice, coarse",
    "waves of 18 mm",
    "medial border clipped",
)
# a fault may show in a second way as well
ALSO = {
    "floor, tilted": {"floor-removed", "other-bodies"},
    "glass plate below": {"floor-removed", "other-bodies"},
    "sole missing": {"skin-hole"},
    "mirror image laid over": {"double-skin", "crossing-faces", "toes-joined", "floor-left"},
    "seen twice, sideways": {"crossing-faces"},
    "seen twice, turned": {"crossing-faces"},
    "reduced": {"crossing-faces"},
    "waves of 10 mm": {"noise"},  # a quadric does not follow half a wave
    # bare points as far apart as these want it said, with strays or without
    "strays in a cloud, tight": {"point-spacing", "skin-hole"},
    "strays in a cloud, wide": {"point-spacing", "skin-hole"},
    "strays in a cloud, clustered": {"point-spacing", "skin-hole"},
    "folds": {"double-skin", "floor-left", "mesh-uneven"},  # a fold lies over skin and looks up
}
USUAL = {"scale-unverified"}


def seen(made: faults.Faulty) -> quality.ScanReport:
    cleaned = cleaning.clean(made.scan, made.match, cleaning.sketch(made.scan).floor)
    settled = pose.settle(cleaned, made.match, kind=None, load=made.load)
    length = {"foot_length": Measure(value=settled.foot.length)}
    evidence = quality.Evidence(load=made.load, hand_length=made.hand_length)
    return quality.inspect(settled, cleaned, length, evidence, made.scan)


def base(seed: int) -> ScannerSpec:
    return replace(faults.base_spec(np.random.default_rng(seed)), points=15000, noise=0.1)


@pytest.mark.parametrize("name", [n for n in faults.FAULTS if n not in ELSEWHERE])
def test_fault_has_its_code_and_no_other(flat_specimen, hanging_specimen, name):
    fault = faults.FAULTS[name]
    rng = np.random.default_rng(11)
    of = flat_specimen if "floor" in name or "glass" in name else hanging_specimen
    made = fault.put(of, base(2), fault.strengths[1], rng)
    try:
        report = seen(made)
    except FootscanError as error:
        # refusing is one of two right answers where the fault says so
        assert fault.refusal, error  # noqa: PT017
        assert fault.refusal in str(error)  # noqa: PT017
        return
    found = {f.code: f for f in report.findings}
    named = set(fault.codes) & set(found)
    assert named, sorted(found)
    assert set(found) - named - USUAL <= ALSO.get(name, set())
    if fault.spoils[1]:
        assert report.verdict is not Verdict.MAKING
    if not any(fault.spoils):
        assert all(found[code].severity is Severity.NOTE for code in named) or name in (
            "seen twice, coarse",
            "folds",
        )
    for finding in report.findings:
        assert finding.text.endswith(".")
        assert finding.advice.endswith(".")


@pytest.mark.parametrize("seed", range(4))
def test_good_scan_has_no_finding(flat_specimen, hanging_specimen, seed):
    of = (flat_specimen, hanging_specimen)[seed % 2]
    rng = np.random.default_rng(seed)
    report = seen(faults.good_scan(of, faults.base_spec(rng), rng))
    assert {f.code for f in report.findings} == USUAL
    assert report.verdict is Verdict.MAKING


def test_every_code_of_a_limit_is_reached_by_a_fault_or_named_elsewhere():
    """No limit stands there for nothing."""
    by_fault = {code for fault in faults.FAULTS.values() for code in fault.codes}
    by_evidence = {"side", "pair-length", "pair-scale", "earlier-scale", "point-spacing"}
    by_evidence |= {"repeat-measure", "repeat-surface"}  # of two scans
    by_evidence |= {"arch-unbelievable"}  # of measures; no fault of a scanner makes it
    assert set(quality.limits()) - by_fault == by_evidence


def test_faults_come_in_three_strengths_that_only_get_worse():
    for name, fault in faults.FAULTS.items():
        assert len(fault.strengths) == len(fault.spoils) == 3, name
        assert list(fault.spoils) == sorted(fault.spoils), name
        assert fault.codes, name


def test_load_is_stated_wrongly_only_in_words(flat_specimen):
    """The same scan with the right load has no such finding."""
    rng = np.random.default_rng(0)
    made = faults.FAULTS["load stated wrongly"].put(flat_specimen, base(1), 1.0, rng)
    assert made.load is Load.NONE
    assert "load-contradicted" in {f.code for f in seen(made).findings}
    assert "load-contradicted" not in {f.code for f in seen(replace(made, load=Load.HALF)).findings}
