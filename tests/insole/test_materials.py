"""What parts are made of: the table, a workshop's own file, mass by formula, and refusals."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
import shapely
import trimesh

from insole.errors import PlanError, RefusedError
from insole.output import folder
from insole.output.papers import plan_page as report
from insole.output.settings import Settings
from insole.parts import materials as mat
from insole.parts.build import all_parts
from insole.parts.part import Part
from insole.record import material_file as files
from insole.record import materials as table_of
from tests.insole.test_printing import prism
from tests.plans import sample_plan

QUICK = Settings(papers=("a4",))
NEW = """
[shop-{kind}]
words = "what we have"
kind = "{kind}"
places = ["pad", "wedge", "base", "under-shoe"]
process = "print"
density = {{ value = 1.2, source = "weighed" }}
hardness = {{ value = {hard}, unit = "{scale}", source = "measured" }}
infill = 1
advice = "as usual"
fixing = "as usual"
"""


def own(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def block(name: str, x: float, y: float, z: float, material: str = "trial-eva") -> Part:
    """Return a plain box as a part: volume and surface by formula."""
    mesh = trimesh.creation.extrude_polygon(shapely.box(0, 0, x, y), z)
    return replace(prism(name=name), vertices=mesh.vertices, faces=mesh.faces, material=material)


# ------------------------------------------------------------------ the table


def test_every_value_says_its_unit_and_source():
    for name, one in files.default_materials().items():
        figures = [one.density, one.hardness, one.infill, one.wall]
        for figure in [figure for figure in figures if figure is not None]:
            assert figure.source in ("common practice, no source", "value from memory"), name
            assert figure.low <= figure.value <= figure.high, name
            assert figure.unit
        assert one.words, name
        assert one.fixing, name
        assert one.measured is None
        assert not one.by_workshop


def test_the_file_holds_nothing_that_the_table_does_not():
    raw = tomllib.loads(Path(table_of.__file__).with_suffix(".toml").read_text(encoding="utf-8"))
    table = files.default_materials()
    assert raw.keys() == table.keys()
    for name, entry in raw.items():
        assert table[name].density.value == entry["density"]["value"]


def test_what_plans_name_today_is_there_and_there_is_one_for_each_place():
    table = files.default_materials()
    for part in all_parts(sample_plan(under=True)):
        assert mat.of_part(part, table).name == part.material
    assert {place for one in table.values() for place in one.places} == set(table_of.PLACES)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        # solids by handbook, g/cm3 (values from memory): PP 0.90-0.91, PA12 1.01, TPU 1.12-1.24,
        # PLA 1.24; EVA foam of midsoles 0.15-0.25 (Verdejo & Mills 2002)
        ("base-pp", 0.90, 0.91),
        ("base-pa12", 0.95, 1.02),
        ("wedge-tpu", 1.12, 1.24),
        ("form-shell", 1.20, 1.30),
        ("final-eva", 0.15, 0.26),
    ],
)
def test_densities_are_those_of_handbooks(name, low, high):
    assert low <= files.default_materials()[name].density.value <= high


# ------------------------------------------------------------------ mass


def test_a_cut_part_weighs_its_volume_times_density():
    """40 x 30 x 10 mm are 12 cm3; EVA of 0.12 to 0.20 g/cm3."""
    made = mat.amount(block("arch-pad", 40, 30, 10), files.default_materials()["trial-eva"])
    assert made.volume_cm3 == pytest.approx(12.0)
    assert made.mass == pytest.approx(12.0 * 0.16)
    assert (made.mass_low, made.mass_high) == pytest.approx((1.44, 2.4))
    assert str(made) == "12 cm³, about 1.9 g (1.4 to 2.4)"


def test_a_sparse_print_weighs_its_skin_and_a_share_of_the_inside():
    """Surface of the box 3800 mm2 times a wall of 0.8 mm is solid, a fifth of the rest."""
    one = files.default_materials()["trial-tpu"]
    skin = 2 * (40 * 30 + 40 * 10 + 30 * 10) * 0.8
    wanted = (skin + 0.2 * (12000 - skin)) / 1000 * one.density.value
    assert mat.amount(block("arch-pad", 40, 30, 10), one).mass == pytest.approx(wanted)


def test_a_thin_print_is_all_skin():
    made = mat.amount(block("arch-pad", 40, 30, 1), files.default_materials()["trial-tpu"])
    assert made.mass == pytest.approx(1.2 * 1.18)


# ------------------------------------------------------------------ refusals


def test_an_unknown_word_is_refused_with_the_nearest_one():
    part = block("arch-pad", 40, 30, 10, material="trial-eav")
    with pytest.raises(
        PlanError,
        match=r"no material called 'trial-eav'.*'trial-eva'.*the workshop's file of materials",
    ):
        mat.of_part(part, files.default_materials())


@pytest.mark.parametrize("kind", ["PLA", "tough-pla", "PLA_plus", "rPLA", "polylactic acid"])
@pytest.mark.parametrize("name", ["arch-pad", "base", "heel-shim", "under-shoe-shim"])
def test_pla_never_goes_into_or_under_a_shoe(tmp_path, kind, name):
    text = NEW.format(kind=kind, hard=80, scale="Shore D").replace(f"shop-{kind}", "ours")
    table = files.load(own(tmp_path, text))
    with pytest.raises(RefusedError, match="is PLA, which never goes into or under a shoe"):
        mat.of_part(block(name, 40, 30, 10, material="ours"), table)


def test_pla_hidden_in_an_entry_that_plans_use_is_found(tmp_path):
    table = files.load(own(tmp_path, '[base-pp]\nwords = "the grey PLA on the shelf"\n'))
    with pytest.raises(RefusedError, match="PLA"):
        mat.of_part(block("base", 40, 30, 2, material="base-pp"), table)


@pytest.mark.parametrize("kind", ["display plate", "plastic", "plain PP"])
def test_words_that_only_hold_the_letters_are_not_pla(tmp_path, kind):
    text = NEW.format(kind=kind, hard=80, scale="Shore D").replace(f"shop-{kind}", "ours")
    mat.of_part(block("base", 40, 30, 2, material="ours"), files.load(own(tmp_path, text)))


def test_a_wedge_softer_than_the_limit_is_refused(tmp_path):
    """55 Shore A: common practice, no source; the workshop's own limit counts as well."""
    text = "[wedge-tpu]\nhardness = {value = 54}\n"
    part = block("forefoot-shim", 60, 80, 2, material="wedge-tpu")
    with pytest.raises(RefusedError, match=r"has 54 Shore A.*at least 55 Shore A"):
        mat.of_part(part, files.load(own(tmp_path, text)))
    with pytest.raises(RefusedError, match="at least 96 Shore A"):
        mat.of_part(part, files.default_materials(), least_wedge=96.0)
    mat.of_part(part, files.load(own(tmp_path, text.replace("54", "55"))))


@pytest.mark.parametrize(("low", "refused"), [(54, True), (55, False)])
def test_a_wedge_may_be_as_soft_as_its_material_may_be(tmp_path, low, refused):
    """Of a range the softest counts: that is what one may get."""
    figure = f'{{ value = 60, low = {low}, high = 70, unit = "Shore A" }}'
    table = files.load(own(tmp_path, f"[wedge-tpu]\nhardness = {figure}\n"))
    part = block("forefoot-shim", 60, 80, 2, material="wedge-tpu")
    if refused:
        with pytest.raises(RefusedError, match="at least 55 Shore A"):
            mat.of_part(part, table)
    else:
        mat.of_part(part, table)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ("hardness = 59", "59 Shore D, and under a shoe at least 60 Shore D"),
        ('hardness = {value = 95, unit = "Shore A"}', "95 Shore A, and under a shoe"),
        ('kind = "EVA"', "foam, EVA or cork"),
        ('words = "cork block"', "foam, EVA or cork"),
        ("infill = 0.9", "less than 100 % infill"),
        ('kind = "PLA"', "PLA"),
    ],
)
def test_only_a_hard_solid_goes_under_the_shoe(tmp_path, change, match):
    table = files.load(own(tmp_path, f"[under-shoe-solid]\n{change}\n"))
    part = block("under-shoe-shim", 60, 60, 4, material="under-shoe-solid")
    with pytest.raises(RefusedError, match=match):
        mat.of_part(part, table)
    mat.of_part(part, files.default_materials())


def test_a_material_stays_in_its_place():
    with pytest.raises(RefusedError, match="meant for cover, not for base"):
        mat.of_part(block("base", 40, 30, 2, material="cover-foam"), files.default_materials())


@pytest.mark.parametrize("kind", ["neoprene", "PVC foam", "chloroprene rubber"])
def test_chlorinated_foams_carry_their_caution_whatever_the_file_says(tmp_path, kind):
    table = files.load(own(tmp_path, f'[cover-foam]\nkind = "{kind}"\ncautions = []\n'))
    assert any("never under a laser" in text for text in table["cover-foam"].cautions)
    assert not any("laser" in text for text in files.default_materials()["cover-foam"].cautions)


# ------------------------------------------------------------------ a workshop's own file


def test_a_workshop_changes_one_value_and_keeps_the_rest(tmp_path):
    table = files.load(own(tmp_path, "[wedge-tpu]\ndensity = 1.16\n"))
    one, usual = table["wedge-tpu"], files.default_materials()["wedge-tpu"]
    assert (one.density.value, one.density.unit) == (1.16, "g/cm3")
    assert one.density.source == "set by the workshop"
    assert (one.words, one.hardness, one.advice) == (usual.words, usual.hardness, usual.advice)
    assert one.by_workshop
    assert table["base-pp"] == files.default_materials()["base-pp"]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("[wedge-tpu]\ndensety = 1.2\n", "did you mean 'density'"),
        ("[wedge-tpu]\nzzz = 1.2\n", "unknown key 'zzz'; use words, kind, places"),
        ("[wedge-tpu]\ndensity = 1200\n", "0.02 to 12 g/cm3, got 1200"),
        ("[wedge-tpu]\ndensity = {value = 1200, unit = 'kg/m3'}\n", "in g/cm3, not kg/m3"),
        ("[wedge-tpu]\ndensity = {value = 1.2, low = 1.3}\n", "rising order"),
        ("[wedge-tpu]\ndensity = {worth = 1.2}\n", "unknown key 'worth'"),
        ("[wedge-tpu]\ndensity = true\n", "got True"),
        ("[wedge-tpu]\nhardness = {value = 50, unit = 'Asker C'}\n", "not Asker C"),
        ("[wedge-tpu]\nprocess = 'glue'\n", "print, cut or both, got 'glue'"),
        ("[wedge-tpu]\nplaces = ['hat']\n", "'hat' is none"),
        ("[wedge-tpu]\nplaces = []\n", "it is empty"),
        ("[wedge-tpu]\nwords = ''\n", "must be a text"),
        ("[wedge-tpu]\ncautions = 3\n", "list of texts"),
        ("[our-stuff]\nwords = 'x'\n", "a new one needs kind, places, process"),
        ("wedge-tpu = 3\n", "stands alone"),
        ("[wedge-tpu\n", "not valid TOML"),
    ],
)
def test_what_a_workshop_gets_wrong_is_said_in_one_sentence(tmp_path, text, match):
    with pytest.raises(PlanError, match=match) as caught:
        files.load(own(tmp_path, text))
    assert "\n" not in str(caught.value)


def test_a_new_material_states_its_hardness_scale(tmp_path):
    text = NEW.format(kind="PETG", hard=1, scale="x").replace(
        'hardness = { value = 1, unit = "x", source = "measured" }', "hardness = 70"
    )
    with pytest.raises(PlanError, match="does not say its scale"):
        files.load(own(tmp_path, text))


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(PlanError, match=r"none\.toml: no such file"):
        files.load(tmp_path / "none.toml")


# ------------------------------------------------------------------ in the folder


def test_nothing_is_written_with_a_material_that_is_refused(tmp_path):
    plan = sample_plan(sides=("right",))
    parts = [replace(part, material="nylon") for part in all_parts(plan)]
    with pytest.raises(PlanError, match="no material called 'nylon'"):
        folder.write(plan, parts, tmp_path / "out", settings=QUICK, writers=[])
    assert not (tmp_path / "out").exists()


def test_a_wedge_below_the_limit_that_the_plan_records_is_refused(tmp_path):
    plan = sample_plan(sides=("right",)).model_copy(
        update={"limits": {"wedge.least_hardness": 97.0}}
    )
    with pytest.raises(RefusedError, match="at least 97 Shore A"):
        folder.write(plan, all_parts(plan), tmp_path, settings=QUICK, writers=[])


def test_the_readme_lists_masses_sources_fixing_and_cautions(tmp_path):
    plan = sample_plan(sides=("right",))
    parts = all_parts(plan)
    place = folder.write(plan, parts, tmp_path, settings=QUICK, writers=[])
    text = " ".join((place / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())
    base = next(part for part in parts if part.name == "base")
    # PP sheet, solid: volume by the part's own integral, less the grooves
    grams = (base.volume - base.facts.engraved.volume) / 1000 * 0.905
    assert f"about {grams:.0f} g" in text
    for words in (
        "right-base: base-pp",
        "polypropylene",
        "density 0.9 to 0.91 g/cm3 (value from memory)",
        "hardness 95 Shore A (common practice, no source)",
        "extraction and a mask",
        "layers of at most 0.15 mm",
        "primer that the adhesive's maker names",
        "Masses are estimates",
    ):
        assert words in text
    assert "Scaled by" not in text


def test_the_plan_page_lists_parts_with_volume_and_mass(tmp_path):
    pypdfium2 = pytest.importorskip("pypdfium2", reason="pypdfium2 reads the PDF back")

    plan = sample_plan(sides=("right",))
    parts = all_parts(plan)
    report.write_plan_page(tmp_path / "plan.pdf", plan, parts)
    pages = pypdfium2.PdfDocument(tmp_path / "plan.pdf")
    text = " ".join(" ".join(p.get_textpage().get_text_range() for p in pages).split())
    pages.close()
    shim = next(part for part in parts if part.name == "forefoot-shim")
    volume = shim.volume - shim.facts.engraved.volume
    row = text.partition("RIGHT forefoot shim 2° varus, thick on the big-toe side, ")[2]
    assert "TPU 95A, printed solid (wedge-tpu)" in row[:200]
    assert f" {volume / 1000:.0f} cm³, about " in row[:220]
    assert f"about {volume / 1000 * 1.21:.0f} g" in text
