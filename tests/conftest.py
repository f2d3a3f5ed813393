"""Specimens and their measured scans, made once per run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from footscan import pipeline, scanner, specimen
from footscan.results import MeasuredFoot
from footscan.scan import Load, Scan, Side
from footscan.scanner import ScannerSpec
from footscan.specimen import Shape, Specimen

POINTS = 16000


@pytest.fixture(scope="session")
def data_dir() -> Path:
    folder = Path(__file__).resolve().parents[2] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip(f"the optional data folder {folder} is not there")
    return folder


@pytest.fixture(scope="session")
def right_specimen() -> Specimen:
    return specimen.build(Shape())


@pytest.fixture(scope="session")
def left_specimen() -> Specimen:
    return specimen.build(Shape(side=Side.LEFT))


@pytest.fixture(scope="session")
def clean_scan(right_specimen) -> Scan:
    return scanner.scan(right_specimen, ScannerSpec(points=POINTS), np.random.default_rng(1))


@pytest.fixture(scope="session")
def clean(clean_scan) -> MeasuredFoot:
    return pipeline.measure_scan(clean_scan, pipeline.Options(load=Load.HALF))


@pytest.fixture(scope="session")
def left(left_specimen) -> MeasuredFoot:
    scan = scanner.scan(left_specimen, ScannerSpec(points=POINTS), np.random.default_rng(1))
    return pipeline.measure_scan(scan, pipeline.Options(load=Load.HALF))


@pytest.fixture(scope="session")
def scan_with(right_specimen):
    """Return a function that scans the right specimen with the faults named."""

    def make(seed: int = 3, **faults) -> Scan:
        spec = ScannerSpec(**{"points": POINTS, **faults})
        return scanner.scan(right_specimen, spec, np.random.default_rng(seed))

    return make


@pytest.fixture(scope="session")
def filled(scan_with) -> MeasuredFoot:
    return pipeline.measure_scan(scan_with(sole="filled"), pipeline.Options(load=Load.HALF))


@pytest.fixture(scope="session")
def messy(scan_with) -> MeasuredFoot:
    """A scan with floor, strays, islands and noise, turned anyhow."""
    scan = scan_with(
        floor=45.0, strays=60, islands=2, noise=0.25, turn_deg=None, shift=None, seed=5
    )
    return pipeline.measure_scan(scan, pipeline.Options(load=Load.HALF))
