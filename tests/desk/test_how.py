"""How parts are made, as the parts page asks it: every option of files, the same files."""

from __future__ import annotations

import pytest

pytest.importorskip("starlette", reason="the desk's packages are not installed: '.[desk]'")

from insole.cli import main
from insole.cli.making import make
from insole.desk import how, queue
from insole.errors import PlanError
from insole.record.material_file import default_materials
from insole.record.plan import to_json
from tests.plans import sample_plan

SHOP = {"bed": (220.0, 220.0), "sheet": (600.0, 400.0), "kerf": 0.0}
ASKED = {
    "bevel": 2,
    "bevel_angle": 30,
    "vents": 3.0,
    "vents_apart": 14,
    "long_parts": "two-pieces",
    "glue_gap": 0.3,
    "cover_pattern": 4,
    "dxf": "R12",
    "laser_colours": True,
    "layers": True,
    "form": True,
    "form_cover": 1.5,
    "form_relief": 3,
    "material_pad": "final-eva",
    "material_shim": "wedge-eva",
}
OPTIONS = (
    "--bevel 2@30 --vents 3@14 --long-parts two-pieces --glue-gap 0.3 --cover-pattern 4 --dxf R12 "
    "--laser-colours --layers --form --form-cover 1.5 --form-relief 3 --material pad=final-eva "
    "--material shim=wedge-eva --no-stock"
).split()


def test_every_option_of_files_has_a_field_or_a_place_in_the_workshop():
    from insole.cli.batch import OF_FILES

    workshop = {"bed", "kerf", "sheet", "materials", "stock", "no_stock"}
    elsewhere = workshop | {"thick_edges_checked", "finish"}
    options = {param.name for param in make.params}
    wanted = {name for name in OF_FILES if name in options} - elsewhere
    assert {"bevel", "vents", "dxf", "form", "long_parts", "material"} <= wanted
    assert wanted <= {field.option for field in how.FIELDS}


def test_fields_ask_for_what_the_options_ask_for(tmp_path, monkeypatch):
    """The settings decide every byte: they are those of the command line."""
    from insole.workflow import making

    seen = []
    monkeypatch.setattr(
        making, "make", lambda plan, out, *, settings, **_: seen.append(settings) or tmp_path
    )
    record = tmp_path / "plan.json"
    record.write_text(to_json(sample_plan()), encoding="utf-8")
    for asked, options in (({}, ["--no-stock"]), (ASKED, OPTIONS)):
        rest = ["--thick-edges-checked", "--out", str(tmp_path / "out"), "--quiet"]
        assert main(["make", str(record), *options, *rest]) == 0
        mine = how.settings(SHOP, how.checked(asked), None, None)
        assert mine == seen[-1]
    for mine, size in ((220.0, 0.15), (300.0, 0.3)):  # the workshop's own
        shop = {"bed": (mine, 200.0), "sheet": (mine, 400.0), "kerf": size}
        found = how.settings(SHOP | shop, {}, None, None)
        assert (found.bed, found.sheet, found.kerf) == tuple(shop.values())
    assert seen[1].bevel.angle == 30
    assert seen[1].chosen == {"pad": "final-eva", "shim": "wedge-eva"}


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"bevel": 20}, "0.5 to 8 mm"),
        ({"bevel_angle": 30}, "says nothing without"),
        ({"dxf": "R9"}, "cannot be 'R9'"),
        ({"form": 2}, "yes or no"),
        ({"colour": "red"}, "no field 'colour'"),
        ({"vents": float("nan")}, "1 to 10 mm"),
        ([], "by field"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(asked, words):
    with pytest.raises(PlanError, match=words):
        how.checked(asked)


def test_empty_fields_are_the_usual_and_what_is_asked_is_said_in_words():
    assert how.checked({"bevel": "", "dxf": "", "form": False, "vents": None}) == {}
    told = how.words(how.checked({"bevel": 2, "laser_colours": True, "long_parts": "whole"}))
    assert told[0] == "Bevel under the base's edge, width 2 mm"
    assert told[1] == "A bed or form too long for the printer whole"
    assert told[2].startswith("Pure red, blue and black")
    fields = how.fields_shown(default_materials(), {"bevel": 2.0, "material_pad": "final-eva"})
    (bevel,) = (f for f in fields["Finish"] if f["name"] == "bevel")
    assert bevel["value"] == 2.0
    (pad,) = (f for f in fields["Made of"] if f["name"] == "material_pad")
    assert "final-eva" in [word for word, _ in pad["options"]]


def test_what_is_set_stands_there_the_next_time_and_the_sizes_stay(desk):
    from insole.desk.store import Home, Workshop

    home = Home(desk.home)
    before = home.workshop()
    try:
        home.save_workshop(before.model_copy(update={"how": {"dxf": "R12"}}))
        given = before.model_dump(mode="json") | {"kerf": 0.15}
        del given["how"]
        assert desk.ask("PUT", "/api/workshop", given).status_code == 200
        assert (home.workshop().how, home.workshop().kerf) == ({"dxf": "R12"}, 0.15)
    finally:
        home.save_workshop(before)
    assert Workshop.model_validate({"schema_version": 1}).how == {}  # of before this field


@pytest.mark.long
def test_parts_made_another_way_are_the_command_lines_byte_for_byte(desk, larch, tmp_path):
    path = f"/api/cases/{larch}"
    desk.ask("PUT", f"{path}/wishes", {"wishes": {"both": {"support_level": 0.7}}})
    version = desk.done(desk.ask("POST", f"{path}/plans"))["version"]
    asked = {name: ASKED[name] for name in ("bevel_angle", "vents", "dxf", "layers")}
    asked |= {"bevel": 1.5}
    body = {"edges_read": True, "how": asked}
    made = desk.done(desk.ask("POST", f"{path}/plans/{version}/make", body))
    record = tmp_path / "plan.json"
    record.write_bytes(desk.client.get(f"{path}/plans/{version}/record").content)
    options = "--bevel 1.5@30 --vents 3 --dxf R12 --layers --no-stock --thick-edges-checked".split()
    assert main(["make", str(record), *options, "--out", str(tmp_path), "--quiet"]) == 0
    mine, theirs = desk.home / "cases" / larch / "made" / made["folder"], tmp_path / made["folder"]
    files = sorted(p.relative_to(theirs) for p in theirs.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(mine) for p in mine.rglob("*") if p.is_file())
    assert [f for f in files if (mine / f).read_bytes() != (theirs / f).read_bytes()] == []
    page = desk.client.get(f"/case/{larch}/parts?version={version}").text
    first = page.index("READ-ME-FIRST.pdf?look=1")
    assert first < page.index("Take these to the tools") < page.index("<b>All files</b>")
    from insole.desk.store import Home

    ways = {group.way for group in queue.of_folder(Home(desk.home), mine)}
    assert {"cut", "either"} & ways


def test_a_wished_zero_is_a_wish():
    asked = {"form": True, "form_relief": 0, "cover_pattern": 0, "layers": False, "dxf": ""}
    assert how.checked(asked) == {"form": True, "form_relief": 0.0, "cover_pattern": 0.0}
