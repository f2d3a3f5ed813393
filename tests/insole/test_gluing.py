"""Which face takes primer and glue: of which part, and of which material."""

from __future__ import annotations

from dataclasses import replace

import pytest

from footscan.scan import Side
from insole.output.gluing import face_rows
from insole.parts.facts import CoverFacts
from insole.parts.part import Part
from insole.record.material_file import default_materials
from tests.insole.test_printing import prism

TABLE = default_materials()


def parts(**made: str) -> list[Part]:
    """Return bare parts by name and material."""
    found = []
    for name, material in made.items():
        part = replace(prism(Side.LEFT), name=name.replace("_", "-"), material=material)
        if name == "cover":
            facts = CoverFacts(thickness=1.5, allowance=5.0, darts=0)
            part = replace(part, facts=facts)
        found.append(part)
    return found


def test_each_bond_names_both_its_faces_from_the_shoe_up():
    rows = face_rows(parts(base="base-pp", arch_pad="trial-eva", forefoot_shim="wedge-tpu"), TABLE)
    starts = [row.partition(":")[0] for row in rows[:2]]
    assert starts == ["Forefoot shim", "Arch pad"]
    assert "its flat shoe side, and the foot side of the base" in rows[0]
    assert "its flat shoe side" in rows[1]
    assert "the shim's foot side" in rows[1]
    cover = next(row for row in rows if row.startswith("Cover"))
    assert "its raw shoe side" in cover
    assert "the foot sides of base, pad and shim" in cover
    assert any(row.startswith("The shoe side of the base stays bare") for row in rows)


def test_a_bed_has_a_cover_on_its_foot_side_and_nothing_else():
    rows = face_rows(parts(contoured_bed="base-pp"), TABLE)
    assert "the foot side of the bed" in rows[0]
    assert not any("pad" in row.lower() for row in rows)


@pytest.mark.parametrize(
    ("material", "primed"),
    [("base-pp", True), ("base-pa12", True), ("base-eva", False)],
)
def test_the_primer_goes_onto_plastics_only(material: str, primed: bool):
    rows = face_rows(parts(base=material, cover="cover-foam"), TABLE)
    (row,) = [row for row in rows if "contact cement" in row]
    wet, sep, dry = row.partition("on these faces only; ")
    assert bool(sep) == ("primer that the adhesive's maker names" in row) == primed
    assert primed == wet.startswith(f"On {material} ")
    rough = "cover-foam" if primed else f"{material}, cover-foam"
    assert (dry if primed else row).startswith(f"on {rough} roughen and dust off, no primer;")


def test_what_is_bolted_is_not_glued_and_no_side_of_the_body_is_named():
    rows = face_rows(parts(base="base-pp", under_shoe_shim="under-shoe-solid"), TABLE)
    assert "Under-shoe shim: neither primer nor glue, its bolts clamp it." in rows
    assert not any("under-shoe-solid" in row for row in rows)
    # a reader of the first page takes "name: " for the row of the materials that says its density
    assert not any(f"{name}: " in row for row in rows for name in TABLE)
    assert not {"left", "right"} & set(" ".join(rows).lower().split())
    assert face_rows(parts(dowels="base-pp"), TABLE) == []


@pytest.mark.parametrize(
    ("chosen", "words"),
    [
        ("", "on base-eva, cover-foam roughen and dust off, no primer;"),
        ("base-pa12", "On base-pa12 roughen and clean these faces, then the primer"),
    ],
)
def test_a_cover_that_is_bought_is_treated_as_its_material_asks(chosen: str, words: str):
    rows = face_rows(parts(base="base-eva"), TABLE, cover=chosen)
    (row,) = [row for row in rows if "contact cement" in row]
    assert row.startswith(words)
    assert ("cover-foam" in row) == (not chosen)
