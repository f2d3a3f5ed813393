"""A new shoe file: few figures are enough, what is not measured is left out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from insole.errors import PlanError
from insole.shoe import shoe
from insole.shoe.file import library, text, write_new
from tests.command_line import Run

ROUGH = {"inside.length": 282.0, "inside.ball_width": 101.0, "bed.drop": 9.0}
OPTIONS = ["--name", "Larch 43", "--length", "282", "--ball-width", "101", "--drop", "9"]
SAMPLES = Path(__file__).parents[2] / "sample_scans"


def test_length_width_and_drop_are_enough(tmp_path):
    made = write_new(tmp_path / "a.toml", 'Larch "43"', ROUGH)
    read = shoe.load(tmp_path / "a.toml")
    assert (read.name, read.inside_length, read.ball_width, read.drop) == (
        'Larch "43"',
        282.0,
        101.0,
        9.0,
    )
    assert read.rough
    assert made.heel_width is None
    assert read.bed_heel_width == pytest.approx(0.67 * 101)


def test_what_was_not_measured_is_left_out():
    words = text("x", ROUGH | {"inside.heel_width": None, "shell.stack": 17.5})
    assert "heel_width" not in words
    assert "[shell]\nstack = 17.5" in words


def test_a_shoe_file_is_never_replaced_and_a_bad_figure_leaves_none(tmp_path):
    path = tmp_path / "a.toml"
    write_new(path, "one", ROUGH)
    before = path.read_bytes()
    with pytest.raises(PlanError, match="is there already and is kept"):
        write_new(path, "two", ROUGH)
    assert path.read_bytes() == before
    with pytest.raises(PlanError, match=r"inside\.length is 28.*150 to 380"):
        write_new(tmp_path / "b.toml", "b", ROUGH | {"inside.length": 28.0})
    with pytest.raises(PlanError, match=r"ends in \.toml"):
        write_new(tmp_path / "b.txt", "b", ROUGH)
    assert [p.name for p in tmp_path.iterdir()] == ["a.toml"]


def test_a_traced_insole_lies_beside_the_file(tmp_path):
    points = shoe.load(SAMPLES / "shoe.toml").outline
    trace = tmp_path / "traced.csv"
    trace.write_text("\n".join(f"{x}, {y}" for x, y in points), encoding="utf-8")
    folder = tmp_path / "shoes"
    more = {"outline.side": "right", "outline.file": "traced.csv"}
    made = write_new(folder / "a.toml", "a", ROUGH | more, [trace])
    assert made.outline is not None
    assert (folder / "traced.csv").read_bytes() == trace.read_bytes()
    with pytest.raises(PlanError, match="no such file"):
        write_new(folder / "b.toml", "b", ROUGH | more, [tmp_path / "none.csv"])
    assert not (folder / "b.toml").exists()


def test_a_scanned_bed_takes_the_place_of_heights(run: Run, tmp_path: Path) -> None:
    """By options; the scan is copied beside the shoe file and read through it."""
    import trimesh

    from tests.insole.test_bed_scan import sheet

    points, faces = sheet()
    trimesh.Trimesh(points, faces, process=False).export(tmp_path / "bed.ply")
    code, _, err = run(
        "shoe",
        "new",
        tmp_path / "shoes" / "a.toml",
        *OPTIONS,
        "--length",
        "280",
        "--ball-width",
        "100",
        "--heel-width",
        "66",
        "--bed-scan",
        tmp_path / "bed.ply",
        "--side",
        "right",
    )
    assert code == 0, err
    made = shoe.load(tmp_path / "shoes" / "a.toml")
    assert made.bed_known
    assert made.surface is not None
    assert made.drop == pytest.approx(9.0, abs=0.6)


def test_a_library_leaves_bad_files_out_and_says_so(tmp_path):
    write_new(tmp_path / "a.toml", "a", ROUGH)
    (tmp_path / "b.toml").write_text("name = 3", encoding="utf-8")
    good, bad = library(tmp_path)
    assert [p.name for p in good] == ["a.toml"]
    assert bad[0].startswith("left out: b.toml: name is 3")
    with pytest.raises(PlanError, match="no folder of shoes"):
        library(tmp_path / "none")
    (tmp_path / "a.toml").unlink()
    with pytest.raises(PlanError, match="holds no shoe file"):
        library(tmp_path)


def test_shoe_new_by_options_and_its_place_in_a_library(run: Run, tmp_path: Path) -> None:
    code, out, err = run("shoe", "new", tmp_path / "rough.toml", *OPTIONS)
    assert code == 0, err
    assert "Larch 43 is in" in out
    assert "rough" in err
    code, _, err = run(
        "shoe",
        "new",
        tmp_path / "full.toml",
        *OPTIONS,
        "--heel-width",
        "68",
        "--instep-height",
        "76",
        "--ball-girth",
        "256",
        "--insole",
        "ball=4",
        "--insole",
        "arch=4",
        "--taken-out",
        "--cant-forefoot",
        "1",
    )
    assert (code, err) == (0, "")
    full = shoe.load(tmp_path / "full.toml")
    assert full.insole.thickness == {"ball": 4.0, "arch": 4.0}
    assert not full.insole.kept
    assert full.shell_cant_forefoot == 1.0
    code, out, _ = run("fit", SAMPLES / "larch_left.ply", "--shoes", tmp_path, "--load", "half")
    assert code == 0
    assert "rough figures" in out


def test_shoe_new_asks_step_by_step(run: Run, tmp_path: Path) -> None:
    """A slip, or what no shoe has, is asked again; an empty answer is not measured."""
    answers = [
        "Larch 43",
        "n",
        "28o",
        "282",
        "101",
        "-9,5",
        "n",
        "9,5",
        "68",
        "",
        "4",
        "",
        "4.5",
        "",
        "3.5",
        "",
        "",
        "",
        "",
        "firm",
        "y",
        "20 20.5 18 13 9.6",
        "19 14 11.5 8.6",
        "16, 14, 11.5, 8.6, 6.5",
        "19.5 17.5 13.5 10.4 7.9",
        "rear slot, front edge",
        "196",
        "10",
        "12",
        "-6",
        "7",
        "",
    ]
    code, _, err = run("shoe", "new", tmp_path / "a.toml", "--ask", typed="\n".join(answers) + "\n")
    assert code == 0, err
    assert "'28o' is not a number in mm" in err
    assert "-9.5 mm is unusual, 0 to 20 is common: keep it?" in err
    assert "inside.ball_girth is 4, but must be a number from 150 to 350 mm; type it again" in err
    made = shoe.load(tmp_path / "a.toml")
    assert (made.inside_length, made.drop, made.heel_width) == (282.0, 9.5, 68.0)
    assert made.instep_height is None
    assert made.insole.thickness == {"heel": 4.5, "ball": 3.5}
    assert not made.insole.kept
    assert made.stiffness is shoe.Stiffness.FIRM
    assert "'19 14 11.5 8.6' is not five numbers" in err
    assert made.heights.midline == (16.0, 14.0, 11.5, 8.6, 6.5)
    assert made.heights.medial[0] == 20.0
    assert "cleat.rear is 12, but must be not ahead of cleat.front, 10 mm; type it again" in err
    slots = made.slots
    assert (slots.mark, slots.mark_from_heel) == ("rear slot, front edge", 196.0)
    assert (slots.front, slots.rear, slots.yaw) == (10.0, -6.0, 7.0)


SHORT = ["", "", "", "", "", "", "", "", "", "", "", "n", ""]  # nothing more is measured


def test_a_slip_is_mended_by_going_back_or_by_the_number_of_its_line(
    run: Run, tmp_path: Path
) -> None:
    """The name and the length by `back`, the drop from the list that is read back at the end."""
    answers = ["back", "Larhc 43", "n", "back", "back", "Larch 43", "y", "28", "282", "back", "280"]
    answers += ["101", "8", *SHORT, "19", "5", "-8", "n", "9.5", "3", "back", ""]
    code, _, err = run("shoe", "new", tmp_path / "a.toml", "--ask", typed="\n".join(answers) + "\n")
    assert code == 0, err
    assert err.count("this is the first question") == 1
    assert "28 mm" not in err  # refused at once
    first, last = err.split("as typed:")[1], err.split("as typed:")[-1]
    assert "  1  Name: Larch 43" in first
    assert "  2  Stock insole: stays, all measured with it in" in first
    assert re.search(r"^   3  Inside length, .*: 280 mm$", first, re.MULTILINE)
    assert re.search(r"^   5  Drop: .*: 8 mm$", first, re.MULTILINE)
    assert re.search(r"^   5  Drop: .*: 9.5 mm$", last, re.MULTILINE)
    assert "  6  Width between the counter's walls, 15 mm above the bed: not measured" in last
    assert "left as it was" in err
    assert "'19' is neither Enter nor a number from 1 to 18" in err
    made = shoe.load(tmp_path / "a.toml")
    assert (made.name, made.inside_length, made.drop) == ("Larch 43", 280.0, 9.5)
    assert made.insole.kept


def test_a_shoe_is_written_anew_by_choice_and_the_old_file_stays(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    assert run("shoe", "new", path, *OPTIONS)[0] == 0
    first = path.read_bytes()
    code, _, err = run("shoe", "new", path, *OPTIONS[:-1], "9")
    assert code == 2
    assert "or --replace, which keeps the old one as a.toml.old" in err
    assert path.read_bytes() == first
    for drop, kept in (("9", "a.toml.old"), ("10", "a.toml.old-2")):
        before = path.read_bytes()
        code, _, _ = run("shoe", "new", path, *OPTIONS[:-1], drop, "--replace")
        assert code == 0
        assert shoe.load(path).drop == float(drop)
        assert (tmp_path / kept).read_bytes() == before
    bad = ("shoe", "new", path, *OPTIONS[:-1], "900", "--replace")
    before = path.read_bytes()
    assert run(*bad)[0] == 3
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.toml", "a.toml.old", "a.toml.old-2"]
    assert library(tmp_path)[0] == [path]


def test_heights_by_option_want_three_lines_of_five(run: Run, tmp_path: Path) -> None:
    rows = [
        "--heights=medial=20,20.5,18,13,9.6",
        "--heights=midline=16,14,11.5,8.6,6.5",
        "--heights=lateral=19.5,17.5,13.5,10.4,7.9",
    ]
    code, _, err = run("shoe", "new", tmp_path / "a.toml", *OPTIONS, *rows)
    assert code == 0, err
    assert shoe.load(tmp_path / "a.toml").heights.lateral == (19.5, 17.5, 13.5, 10.4, 7.9)
    code, _, err = run("shoe", "new", tmp_path / "b.toml", *OPTIONS, *rows[:2])
    assert (code, "all of medial, midline, lateral" in err) == (2, True)
    code, _, err = run("shoe", "new", tmp_path / "b.toml", *OPTIONS, "--heights=medial=1,2")
    assert (code, "five heights in mm" in err) == (2, True)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (OPTIONS[:-2], "needs --drop as well"),
        (OPTIONS[2:], "needs --name as well"),
        ([*OPTIONS, "--insole", "ball=4"], "--kept or --taken-out"),
        ([*OPTIONS, "--insole", "instep=4"], "heel, arch, ball or toes"),
        ([*OPTIONS, "--outline", "x.csv"], "--side left or right"),
    ],
)
def test_a_wrong_new_shoe_is_one_sentence(run: Run, tmp_path: Path, options, says) -> None:
    code, _, err = run("shoe", "new", tmp_path / "a.toml", *options)
    assert code == 2
    assert says in err
    assert not (tmp_path / "a.toml").exists()


def test_a_fit_without_shoes_is_one_sentence(run: Run) -> None:
    code, _, err = run("fit", SAMPLES / "larch_left.ply")
    assert code == 2
    assert "--shoe FILE, or --shoes FOLDER" in err
