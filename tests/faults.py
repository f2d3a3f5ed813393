"""Faults of a scan, each in three strengths, for made-up scans and scans of other feet.

    Specimen, a good scanner -> FAULTS[name].put -> Faulty (scan in mm, its pose)

Every fault knows the finding codes that name it, and at which strengths it would spoil a part:
more than about a millimetre of error below heel, arch or ball, or a foot of the wrong size or
side. Faults that the scan check can only note (a floor, strays, a hole on the instep) spoil none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from footscan.specimen.made_up import Specimen
from footscan.specimen.scanner import ScannerSpec
from tests import fault_makers as put
from tests import fault_shapes as shapes
from tests.fault_makers import Faulty, base_spec, good_scan

__all__ = ["FAULTS", "Fault", "Faulty", "base_spec", "good_scan"]

NEVER = (False, False, False)
ALWAYS = (True, True, True)


@dataclass(frozen=True, kw_only=True, eq=False)
class Fault:
    """A fault: how it is put in, its strengths, its codes, and when it spoils a part.

    Attributes
    ----------
    put : callable
        Takes specimen, scanner, strength and generator; returns a :class:`Faulty`.
    strengths : tuple of float
        Weak, middling, strong; in the unit that `unit` names.
    codes : tuple of str
        Any of these names the fault; a refusal with ``refusal`` in its sentence does as well.
    spoils : tuple of bool
        Whether a part made from such a scan is spoilt.
    named_from : int
        The weakest strength (0, 1, 2) that is within the reach of the check.
    """

    put: Callable[[Specimen, ScannerSpec, float, np.random.Generator], Faulty]
    strengths: tuple[float, float, float]
    unit: str
    codes: tuple[str, ...]
    spoils: tuple[bool, bool, bool]
    named_from: int = 0
    refusal: str = ""


SOLE = ("sole-hole", "arch-seen", "heel-seen", "ball-seen")
FAULTS: dict[str, Fault] = {
    "floor, taken away": Fault(
        put=put.setting(floor="float"),
        strengths=(20.0, 45.0, 80.0),
        unit="mm around",
        codes=("floor-removed",),
        spoils=NEVER,
    ),
    "floor, left in": Fault(
        put=put.mat,
        strengths=(8.0, 15.0, 30.0),
        unit="mm around",
        codes=("floor-left", "floor-removed", "other-bodies", "second-body"),
        spoils=NEVER,
        named_from=1,
    ),
    "floor, tilted": Fault(
        put=put.tilted,
        strengths=(3.0, 5.0, 9.0),
        unit="deg",
        codes=("floor-tilt", "floor-gap"),
        spoils=ALWAYS,
    ),
    "glass plate below": Fault(
        put=put.plate,
        strengths=(2.0, 4.0, 8.0),
        unit="mm",
        codes=("floor-gap", "floor-left"),
        spoils=ALWAYS,
    ),
    "stray points": Fault(
        put=put.strays, strengths=(1.0, 5.0, 15.0), unit="%", codes=("strays",), spoils=NEVER
    ),
    "strays in a cloud, tight": Fault(
        put=put.cloud_strays(5.0),
        strengths=(3.0, 12.0, 30.0),
        unit="%",
        codes=("strays", "strays-proportion"),
        spoils=NEVER,
    ),
    "strays in a cloud, wide": Fault(
        put=put.cloud_strays(200.0),
        strengths=(3.0, 12.0, 30.0),
        unit="%",
        codes=("strays", "strays-proportion"),
        spoils=NEVER,
    ),
    "strays in a cloud, clustered": Fault(
        put=put.cloud_strays(None),
        strengths=(3.0, 12.0, 30.0),
        unit="%",
        codes=("strays", "strays-proportion", "other-bodies"),
        spoils=NEVER,
    ),
    "sole from below": Fault(
        put=put.from_below,
        strengths=(70.0, 60.0, 45.0),
        unit="deg seen",
        codes=("border-seen",),
        spoils=(False, False, True),
        refusal=";",
    ),
    "cut low": Fault(
        put=put.cut_low,
        strengths=(30.0, 20.0, 15.0),
        unit="mm high",
        codes=("border-seen", "arch-seen", "leg-low", "sole-proportion"),
        spoils=(False, True, True),
        refusal=";",
    ),
    "floor patch": Fault(
        put=put.patch,
        strengths=(25.0, 45.0, 80.0),
        unit="mm of floor under the arch",
        codes=(
            "floor-left",
            "sole-filled",
            "floor-removed",
            "overlaid",
            "double-skin",
            "floor-gap",
            "other-bodies",
            "second-body",
        ),
        spoils=NEVER,
        named_from=1,
    ),
    "over-smoothed": Fault(
        put=put.smoothed,
        strengths=(20.0, 80.0, 250.0),
        unit="rounds",
        codes=("smoothed", "toes-joined"),
        spoils=(False, True, True),
    ),
    "second foot": Fault(
        put=put.second_foot,
        strengths=(15.0, 40.0, 120.0),
        unit="mm apart",
        codes=("second-body",),
        spoils=NEVER,
    ),
    "sole missing": Fault(
        put=put.missing,
        strengths=(0.35, 0.6, 1.0),
        unit="of the length",
        codes=("sole-missing", *SOLE),
        spoils=ALWAYS,
        refusal="sole",
    ),
    "sole filled": Fault(
        put=put.filled,
        strengths=(0.0, 0.1, 0.2),
        unit="mm of noise",
        codes=("sole-filled",),
        spoils=ALWAYS,
    ),
    "toes clipped": Fault(
        put=put.setting(cut_toes="float"),
        strengths=(4.0, 10.0, 20.0),
        unit="mm",
        codes=("toes-cut",),
        spoils=ALWAYS,
    ),
    "heel clipped": Fault(
        put=put.setting(cut_heel="float"),
        strengths=(3.0, 8.0, 20.0),
        unit="mm",
        codes=("heel-cut",),
        spoils=ALWAYS,
        refusal="heel",
    ),
    "medial border clipped": Fault(
        put=put.clipped(1.0),
        strengths=(3.0, 6.0, 12.0),
        unit="mm",
        codes=("border-cut",),
        spoils=ALWAYS,
    ),
    "lateral border clipped": Fault(
        put=put.clipped(-1.0),
        strengths=(3.0, 6.0, 12.0),
        unit="mm",
        codes=("border-cut",),
        spoils=ALWAYS,
    ),
    "seen twice, front half": Fault(
        put=put.setting(ghost="float"),
        strengths=(0.7, 1.5, 3.0),
        unit="mm apart",
        codes=("double-skin",),
        spoils=(False, True, True),
    ),
    "seen twice, coarse": Fault(
        put=put.coarse_double,
        strengths=(9000.0, 7000.0, 5000.0),
        unit="points, 0.7 mm apart",
        codes=("double-skin",),
        spoils=NEVER,
    ),
    "seen twice, lifted": Fault(
        put=put.two_copies(put.lifted),
        strengths=(0.7, 1.5, 3.0),
        unit="mm",
        codes=("double-skin",),
        spoils=(False, True, True),
    ),
    "seen twice, sideways": Fault(
        put=put.two_copies(put.sideways),
        strengths=(1.0, 2.0, 4.0),
        unit="mm",
        codes=("double-skin",),
        spoils=(False, True, True),
    ),
    "seen twice, turned": Fault(
        put=put.two_copies(put.rotated),
        strengths=(1.0, 2.0, 4.0),
        unit="deg",
        codes=("double-skin",),
        spoils=(False, True, True),
    ),
    "mirror image laid over": Fault(
        put=put.mirror_overlay,
        strengths=(0.0, 3.0, 6.0),
        unit="deg",
        codes=("mirror-image", "overlaid"),
        spoils=ALWAYS,
    ),
    "waves of 6 mm": Fault(
        put=put.wavy(6.0),
        strengths=(0.5, 1.0, 1.5),
        unit="mm",
        codes=("waves",),
        spoils=(False, True, True),
    ),
    "waves of 10 mm": Fault(
        put=put.wavy(10.0),
        strengths=(0.5, 1.0, 1.5),
        unit="mm",
        codes=("waves",),
        spoils=(False, True, True),
    ),
    "waves of 18 mm": Fault(
        put=put.wavy(18.0),
        strengths=(0.5, 1.0, 1.5),
        unit="mm",
        codes=("waves",),
        spoils=(False, True, True),
    ),
    "noise": Fault(
        put=put.setting(noise="float"),
        strengths=(0.4, 0.6, 1.0),
        unit="mm",
        codes=("noise",),
        spoils=ALWAYS,
    ),
    "sparse": Fault(
        put=put.setting(points="int"),
        strengths=(4500.0, 2500.0, 1200.0),
        unit="points",
        codes=("mesh-spacing",),
        spoils=ALWAYS,
        refusal=";",
    ),
    "reduced": Fault(
        put=shapes.reduced,
        strengths=(3000.0, 1500.0, 800.0),
        unit="faces",
        codes=("mesh-uneven", "mesh-spacing"),
        spoils=(False, True, True),
        refusal=";",
    ),
    "hole, heel": Fault(
        put=put.hole((0.14, 0.0)), strengths=(9.0, 18.0, 35.0), unit="mm", codes=SOLE, spoils=ALWAYS
    ),
    "hole, arch": Fault(
        put=put.hole((0.46, 0.1)), strengths=(9.0, 18.0, 35.0), unit="mm", codes=SOLE, spoils=ALWAYS
    ),
    "hole, ball": Fault(
        put=put.hole((0.71, 0.0)), strengths=(9.0, 18.0, 35.0), unit="mm", codes=SOLE, spoils=ALWAYS
    ),
    "hole, instep": Fault(
        put=put.top_hole,
        strengths=(10.0, 20.0, 40.0),
        unit="mm",
        codes=("skin-hole",),
        spoils=NEVER,
    ),
    "leg cut low": Fault(
        put=put.setting(leg_height="float"),
        strengths=(55.0, 40.0, 28.0),
        unit="mm high",
        codes=("leg-low",),
        spoils=NEVER,
    ),
    "inside out": Fault(
        put=shapes.inside_out,
        strengths=(9000.0, 16000.0, 40000.0),
        unit="points",
        codes=("inside-out",),
        spoils=NEVER,
    ),
    "winding mixed, arch": Fault(
        put=shapes.mixed,
        strengths=(10.0, 20.0, 40.0),
        unit="mm",
        codes=("mixed-winding", *SOLE),
        spoils=(False, True, True),
        named_from=1,
    ),
    "folds": Fault(
        put=shapes.folded,
        strengths=(4.0, 10.0, 20.0),
        unit="folds",
        codes=("crossing-faces",),
        spoils=NEVER,
    ),
    "faces doubled": Fault(
        put=shapes.doubled,
        strengths=(1.0, 10.0, 60.0),
        unit="%",
        codes=("doubled-faces",),
        spoils=NEVER,
    ),
    "points not finite": Fault(
        put=shapes.not_finite,
        strengths=(1.0, 5.0, 15.0),
        unit="%",
        codes=("points-dropped",),
        spoils=NEVER,
    ),
    "big toe lifted": Fault(
        put=shapes.toe_up,
        strengths=(12.0, 22.0, 32.0),
        unit="deg",
        codes=("toe-lifted",),
        spoils=(False, True, True),
        named_from=1,
    ),
    "toes curled": Fault(
        put=shapes.curled,
        strengths=(15.0, 30.0, 45.0),
        unit="deg",
        codes=("toes-curled",),
        spoils=(False, True, True),
        named_from=1,
    ),
    "sock or smoothing": Fault(
        put=shapes.sock,
        strengths=(4.0, 7.0, 10.0),
        unit="mm closed",
        codes=("toes-joined",),
        spoils=NEVER,
        named_from=1,
    ),
    "load stated wrongly": Fault(
        put=shapes.load_denied,
        strengths=(1.0, 1.0, 1.0),
        unit="",
        codes=("load-contradicted",),
        spoils=NEVER,
    ),
    "scale wrong, length known": Fault(
        put=shapes.scaled, strengths=(1.6, 3.0, 5.0), unit="%", codes=("scale",), spoils=ALWAYS
    ),
    "squeezed in length": Fault(
        put=shapes.squeezed(0),
        strengths=(5.0, 12.0, 25.0),
        unit="%",
        codes=("proportion-breadth", "proportion-heel", "proportion-ball", "proportion-girth"),
        spoils=NEVER,
        named_from=3,
    ),
    "squeezed in breadth": Fault(
        put=shapes.squeezed(1),
        strengths=(5.0, 12.0, 25.0),
        unit="%",
        codes=("proportion-breadth", "proportion-heel", "proportion-girth"),
        spoils=NEVER,
        named_from=3,
    ),
    "squeezed in height": Fault(
        put=shapes.squeezed(2),
        strengths=(5.0, 12.0, 25.0),
        unit="%",
        codes=("proportion-girth",),
        spoils=NEVER,
        named_from=3,
    ),
}
