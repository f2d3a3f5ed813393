"""`trace` from photograph to shoe: files, exit codes, words, the rider's page, stock insoles."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from outlines import PEN, pixels, saved, sheet
from PIL import Image
from scipy import ndimage

from footscan.checking import card
from footscan.outline import marks, traced
from footscan.outline.typed import Typed
from footscan.scan import Scan, Side
from footscan.specimen import drawn
from insole import cli
from insole.errors import RefusedError
from insole.output.papers import rider_page
from insole.output.pictures import outline
from insole.planning.first_trial import first_trial
from insole.planning.support import kit
from insole.record import limits
from insole.shoe import shoe

WRITTEN = []  # on the picture of the traced foot
SHOE = str(Path(__file__).parents[2] / "sample_scans" / "shoe.toml")


@pytest.fixture
def run(capsys):
    """Return a function that runs the command line and gives code, stdout, stderr."""

    def one(*arguments):
        capsys.readouterr()
        code = cli.main([str(a) for a in arguments])
        said = capsys.readouterr()
        return code, said.out, said.err

    return one


@pytest.fixture(scope="module")
def ring(right_specimen):
    return drawn.silhouette(right_specimen)


@pytest.fixture(scope="module")
def photo(ring, tmp_path_factory):
    """A left foot, photographed; where and by whom is written into the file as cameras do."""
    exif = Image.Exif()
    exif[0x010F] = "MADE-UP MAKER"
    exif.get_ifd(0x8825)[2] = (51.0, 28.0, 38.0)
    path = tmp_path_factory.mktemp("photos") / "larch.jpg"
    return saved(path, pixels(sheet(ring, Side.LEFT)), quality=90, exif=exif)


@pytest.fixture(scope="module")
def kept(photo):
    """The photo traced once, with a girth that agrees."""
    out = photo.parent / "out"
    out.mkdir()
    real = outline.say

    def say(figure, x, y, words, *more, **how):
        WRITTEN.append(words)
        real(figure, x, y, words, *more, **how)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(outline, "say", say)
        code = cli.main(
            [
                "trace",
                str(photo),
                "--pen",
                "7",
                "--load",
                "half",
                "--ball-girth",
                "250",
                "--out",
                str(out),
                "--quiet",
            ]
        )
    assert code == 0
    return out


def test_record_and_picture_lie_beside_each_other(kept, right_specimen):
    assert sorted(p.name for p in kept.iterdir()) == [
        "larch-left.outline.json",
        "larch-left.outline.png",
    ]
    data = json.loads((kept / "larch-left.outline.json").read_text("utf-8"))
    true = right_specimen.truth.measures
    assert data["side"] == "left"
    assert data["sheet"]["paper"] == "a4"
    assert data["verdict"] == "fit for measuring only"
    assert data["findings"][0]["code"] == "from-an-outline"
    length = data["measures"]["foot_length"]
    assert length["value"] == pytest.approx(true["foot_length"], abs=0.8)
    assert 1.0 < length["sd"] < 2.5
    girth = data["measures"]["ball_girth"]
    assert (girth["value"], girth["sd"], girth["by_hand"]) == (250.0, 3.0, True)


def test_the_picture_names_the_foot_that_was_traced(kept):
    assert [words for words in WRITTEN if " FOOT" in words] == ["LEFT FOOT, from an outline"]


def test_nothing_of_place_or_maker_is_kept(kept):
    for path in kept.iterdir():
        assert b"MADE-UP MAKER" not in path.read_bytes()
        assert b"GPS" not in path.read_bytes()
    with Image.open(kept / "larch-left.outline.png") as picture:
        assert not picture.getexif()
        grey = np.asarray(picture.convert("L"))
    assert grey.shape == (round(148 / 25.4 * 150), round(210 / 25.4 * 150))
    assert (grey < 128).mean() > 0.005


def test_a_shoe_is_chosen_by_a_record_and_says_so(run, kept):
    code, out, _ = run("fit", kept / "larch-left.outline.json", "--shoe", SHOE)
    assert code == 0
    assert "left: from an outline on paper: lengths and breadths only" in out
    assert "length snug" not in out.split("\n")[0]
    code, out, _ = run("fit", kept / "larch-left.outline.json", "--shoe", SHOE, "--json")
    stations = {s["station"]: s for s in json.loads(out)[0]["feet"][0]["stations"]}
    wide = json.loads((kept / "larch-left.outline.json").read_text("utf-8"))["measures"]
    assert stations["length"]["sd"] >= wide["foot_length"]["sd"]
    assert stations["instep height"]["room"] is None


def test_the_same_foot_twice_is_refused(run, kept):
    record = kept / "larch-left.outline.json"
    code, _, err = run("fit", record, record, "--shoe", SHOE)
    assert code == 3
    assert "both show the left foot" in err


def test_a_girth_that_cannot_be_is_said_and_no_shoe_chosen(run, photo, tmp_path):
    code, out, err = run("trace", photo, "--ball-girth", 180, "--out", tmp_path)
    assert code == 20
    assert "a ball girth of 180 mm cannot be" in out
    assert "larch-left.outline.json" in err
    code, out, err = run("fit", tmp_path / "larch-left.outline.json", "--shoe", SHOE)
    assert (code, out) == (3, "")
    assert "cannot be" in err


def test_what_cannot_be_used_leaves_no_file(run, tmp_path):
    bad = tmp_path / "notes.jpg"
    bad.write_text("no photo", encoding="utf-8")
    code, out, err = run("trace", bad, "--out", tmp_path, "--json")
    assert code == 3
    assert json.loads(out)["photo"] == str(bad)
    assert err.count("\n") == 1
    assert "JPEG" in err
    assert [p.name for p in tmp_path.iterdir()] == ["notes.jpg"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "name the photos"),
        (("a.jpg", "b.jpg", "--side", "left"), "once per photo"),
        (("a.jpg", "b.jpg", "--ball-girth", "250"), "belongs to one foot"),
        (("a.jpg", "--insole"), "--side left or right"),
        (("--instructions", "p.pdf", "--sheet", "a4-pair"), "a4 or letter"),
        (("a.jpg", "--out", "nowhere/rider"), "there is no folder nowhere"),
    ],
)
def test_wrong_use_is_said(run, arguments, words):
    code, _, err = run("trace", *arguments)
    assert code == 2
    assert words in err


def test_an_arch_height_wants_its_place(run):
    code, _, err = run("trace", "a.jpg", "--arch-height", 14)
    assert code == 3
    assert "distance from the back of the heel" in err


# ------------------------------------------------------------- a first trial


@pytest.fixture(scope="module")
def foot(kept):
    """Return a function that gives the traced left foot with values typed."""
    whole = traced.read(kept / "larch-left.outline.json")
    return lambda **values: replace(whole, typed=Typed(**values))


def test_a_pads_height_comes_from_the_ruler_and_from_nothing_else(foot):
    bounds = limits.default_limits()
    pads = kit.default_kit(bounds)
    none = first_trial(foot(), pads, bounds)
    assert none.pad is None
    assert "was not measured" in none.reasons[0]
    for height, wanted in ((17.0, 9.0), (12.0, 7.0), (4.0, None)):  # steps of the kit, 60 %
        found = first_trial(foot(arch_height=height, arch_at=118.0), pads, bounds)
        assert (found.pad.height if found.pad else None) == wanted
    found = first_trial(foot(arch_height=17.0, arch_at=118.0), pads, bounds)
    assert found.crest_at == 118.0
    assert found.crest_band >= 10.0
    assert found.side is Side.LEFT


def test_a_wedge_is_a_wish_and_never_a_tilt(foot):
    bounds = limits.default_limits()
    pads = kit.default_kit(bounds)
    tilted = first_trial(foot(forefoot_tilt=6.0), pads, bounds)
    assert tilted.wedge is None
    assert "big-toe side up" in " ".join(tilted.reasons)
    assert first_trial(foot(), pads, bounds, -2.0).wedge == -2.0
    with pytest.raises(RefusedError, match="beyond 4 degrees"):
        first_trial(foot(), pads, bounds, 5.0)


def test_the_page_says_outline_side_pad_and_thick_edge(run, kept, tmp_path):
    record = tmp_path / "a.outline.json"
    data = json.loads((kept / "larch-left.outline.json").read_text("utf-8"))
    data["typed"] |= {"arch_height": 17.0, "arch_at": 118.0, "forefoot_tilt": -3.0}
    record.write_text(json.dumps(data), encoding="utf-8")
    page = tmp_path / "trial.pdf"
    code, _, _ = run("fit", record, "--shoe", SHOE, "--first-trial", page, "--forefoot", "left=-2")
    assert code == 0
    (only,) = pypdfium2.PdfDocument(page.read_bytes())
    words = " ".join(only.get_textpage().get_text_range().split())
    assert words.count("FROM AN OUTLINE ON PAPER") == 1
    assert "LEFT FOOT" in words
    assert "RIGHT FOOT" not in words
    assert "Kit pad 9 high" in words
    assert "crest 118 ± 12 mm from the back of the heel, on the big-toe side" in words
    assert "Forefoot wedge 2° valgus, thick on the little-toe side" in words
    assert "forefoot tilt by hand: 3° valgus, little-toe side up; said, not built in" in words
    assert "foot pain calls for clinical advice" in words


@pytest.mark.parametrize("first", ["narrow", "blank"])
def test_a_photo_that_cannot_be_used_is_never_hidden_by_one_to_take_again(
    run, ring, tmp_path, first
):
    """A foot of 28 % breadth is to be taken again (20), a blank photo cannot be used (3)."""
    narrow = saved(
        tmp_path / "narrow.jpg", pixels(sheet(ring * [1.0, 0.75], Side.LEFT)), quality=90
    )
    blank = saved(tmp_path / "blank.jpg", np.full((900, 700, 3), 128, np.uint8), quality=90)
    alone, _, _ = run("trace", narrow, "--pen", 7, "--out", tmp_path / "alone")
    both = (narrow, blank) if first == "narrow" else (blank, narrow)
    code, _, _ = run("trace", *both, "--pen", 7, "--out", tmp_path / "both")
    assert (alone, code) == (20, 3)


def test_a_first_trial_ranks_shoes_by_the_workshop_s_own_limits(run, kept, tmp_path):
    """A shoe may be longer than the usual 14 mm of toe room, or not even that."""
    record, own = kept / "larch-left.outline.json", tmp_path / "own.toml"
    found = {}
    for most in (14.0, 6.5):
        own.write_text(f"[fit]\ntoe_room_most = {most}\n", encoding="utf-8")
        for page in ((), ("--first-trial", tmp_path / f"{most}.pdf")):
            code, out, _ = run("fit", record, "--shoe", SHOE, "--limits", own, "--json", *page)
            assert code in (0, 4)
            found[most, bool(page)] = json.loads(out)
    assert found[14.0, True] == found[14.0, False]
    assert found[6.5, True] == found[6.5, False]
    assert found[6.5, True] != found[14.0, True]


def test_a_plan_or_parts_from_an_outline_are_refused_and_the_way_is_named(run, kept, tmp_path):
    record = kept / "larch-left.outline.json"
    for command in ("plan", "check", "measure"):
        code, out, err = run(command, record, *(("--shoe", SHOE) if command == "plan" else ()))
        assert (code, out) == (3, "")
        assert "no plan and no parts" in err
        assert "--first-trial" in err
    code, _, err = run("make", record, "--out", tmp_path / "parts")
    assert code == 3
    assert "an outline on paper and no plan" in err
    assert not (tmp_path / "parts").exists()


def test_the_page_is_for_outlines_only(run, tmp_path):
    code, _, err = run("fit", "scan.ply", "--shoe", SHOE, "--first-trial", tmp_path / "p.pdf")
    assert code == 2
    assert "solewright plan" in err
    code, _, err = run("fit", "a.json", "--shoe", SHOE, "--forefoot", "2")
    assert code == 2
    assert "belong to --first-trial" in err


# ------------------------------------------------------------- the rider's page


@pytest.mark.parametrize(("paper", "size"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_the_riders_page_has_the_papers_size_and_bars_of_100_mm(run, tmp_path, paper, size):
    path = tmp_path / "page.pdf"
    code, _, _ = run("trace", "--instructions", path, "--sheet", paper)
    assert code == 0
    first, second = pypdfium2.PdfDocument(path.read_bytes())
    for page in (first, second):
        assert [side * 25.4 / 72 for side in page.get_size()] == pytest.approx(size, abs=0.1)
    words = first.get_textpage().get_text_range()
    named = {"a4": "A4", "letter": "Letter"}
    assert f"two sheets of {named[paper]} paper" in words
    for part in (
        "straight up",
        "all four corners",
        "rear camera",
        "The sole must be seen",
        "from the wall to the longest toe",
        "saved with colours as PLY, OBJ or GLB",
        "foot pain calls for clinical advice",
    ):
        assert part in " ".join(words.split()), part
    per_mm = 8
    grey = second.render(scale=per_mm * 25.4 / 72, grayscale=True).to_numpy().squeeze()
    middle = grey.shape[1] // 2
    grey = grey[:, middle - 60 * per_mm : middle + 60 * per_mm]
    bars = [r for r in range(grey.shape[0]) if 75 * per_mm < (grey[r] < 100).sum() < 110 * per_mm]
    for row in (bars[0], bars[-1]):  # the line is broken by its words
        ends = np.flatnonzero(grey[row] < 100)
        assert (ends[-1] - ends[0]) / per_mm == pytest.approx(rider_page.BAR_MM, abs=0.4)


def test_the_printed_card_is_the_one_that_scans_are_searched_for(run, tmp_path):
    """The page is drawn, its squares are measured, and the search finds the card on it."""
    path = tmp_path / "page.pdf"
    code, _, _ = run("trace", "--instructions", path, "--sheet", "a4")
    assert code == 0
    per_mm = 4
    page = pypdfium2.PdfDocument(path.read_bytes())[1]
    grey = page.render(scale=per_mm * 25.4 / 72, grayscale=True).to_numpy().squeeze()
    label, _ = ndimage.label(grey < 60)
    boxes = [
        (rows.stop - rows.start, columns.stop - columns.start, rows.start, columns.start)
        for rows, columns in ndimage.find_objects(label)
        if rows.stop - rows.start > 12 * per_mm
    ]
    assert len(boxes) == 4
    for high, wide, *_ in boxes:
        assert (high / per_mm, wide / per_mm) == pytest.approx((20.0, 20.0), abs=0.3)
    tops, lefts = (sorted({box[k] for box in boxes}) for k in (2, 3))
    assert (lefts[-1] - lefts[0]) / per_mm == pytest.approx(80.0, abs=0.3)
    assert (tops[-1] - tops[0]) / per_mm == pytest.approx(42.0, abs=0.3)
    # the page as a flat scan, in metres: the search tells the millimetres of its unit
    even = ndimage.uniform_filter(grey.astype(float), 8)[:: 2 * per_mm, :: 2 * per_mm]
    rows, columns = np.mgrid[: even.shape[0], : even.shape[1]] * 2.0 / 1000
    flat = np.stack([columns, rows, np.zeros_like(rows)], axis=-1).reshape(-1, 3)
    shown = Scan(vertices=flat, faces=np.zeros((0, 3), np.int64), light=even.ravel() / 255.0)
    found = card.seen(shown)
    assert found.mm_per_unit == pytest.approx(1000.0, rel=0.004)
    middle = np.array([lefts[0] + lefts[-1], tops[0] + tops[-1]]) / 2 / per_mm + 10.0
    assert np.array(found.middle[:2]) * 1000 == pytest.approx(middle, abs=1.5)


# ------------------------------------------------------------- stock insoles


def test_an_insoles_outline_becomes_the_shoe_files(run, ring, tmp_path):
    """A bed as broad as a foot, drawn around, of the left shoe; its inner bulge lies in front."""
    bed = ring
    photo = saved(tmp_path / "bed.jpg", pixels(sheet(bed, Side.LEFT)), quality=92)
    code, out, _ = run(
        "trace",
        photo,
        "--insole",
        "--side",
        "left",
        "--pen",
        PEN.barrel,
        "--out",
        tmp_path,
        "--json",
    )
    assert code == 0
    found = json.loads(out)
    true = marks.neutral(marks.forward(ring, "bed"))  # along its own middle, as beds are measured
    assert found["length"] == pytest.approx(np.ptp(true[:, 0]), abs=0.8)
    (x, left), (_, right) = marks.edges(true)
    assert found["ball_width"] == pytest.approx((left - right).max(), abs=0.8)
    assert found["heel_width"] == pytest.approx((left - right)[x < 66].max(), abs=0.8)
    path = tmp_path / "shoe.toml"
    code, _, _ = run(
        "shoe",
        "new",
        path,
        "--name",
        "made up",
        "--length",
        round(found["length"]),
        "--ball-width",
        round(found["ball_width"]),
        "--heel-width",
        62,
        "--drop",
        5,
        "--outline",
        found["outline"],
        "--side",
        "left",
        "--quiet",
    )
    assert code == 0
    outline = shoe.load(path).outline
    assert outline is not None
    assert np.ptp(outline[:, 0]) == pytest.approx(found["length"], abs=0.5)
    # +y of the bed frame is medial on either side, and there the ball reaches further forward
    medial, lateral = outline[np.argmax(outline[:, 1]), 0], outline[np.argmin(outline[:, 1]), 0]
    assert medial > lateral + 15.0
