"""What the desk answers: sides, stops, hostile names, and the command line's own bytes."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import zipfile

import pytest

from footscan.errors import SideError
from insole.cli import main
from insole.desk import tasks, wishes, workers
from insole.desk.store import Draft, Home
from tests import feet
from tests.desk.conftest import SAMPLES

TOLD = [
    str(SAMPLES / "larch_left.ply"),
    str(SAMPLES / "larch_right.ply"),
    "--load",
    "half",
    "--shoe",
    str(SAMPLES / "shoe.toml"),
    "--case",
    "larch",
]
WISHES = {
    "left": {"support_level": 0.8, "shift": [3, -2]},
    "right": {"support_level": 0.9, "forefoot": 2},
}
OPTIONS = [
    "--support",
    "left=80",
    "--support",
    "right=90",
    "--shift-pad",
    "left=3,-2",
    "--forefoot",
    "right=2",
]


def _no_paths(text, desk):
    assert str(desk.home) not in text
    assert "/tmp/" not in text
    assert "Traceback" not in text


def test_the_side_is_told_from_the_scan_and_kept_by_the_server(desk, larch):
    draft = json.loads((desk.home / "cases" / larch / "desk.json").read_text("utf-8"))
    assert draft["scans"]["left"]["file"] == "larch_left.ply"
    assert draft["scans"]["right"]["file"] == "larch_right.ply"
    for side, sign in (("left", 1), ("right", -1)):
        shown = desk.client.get(f"/api/cases/{larch}/feet/{side}").json()
        assert (shown["side"], shown["verdict"]) == (side, "fit for making")
        asked = {"wishes": WISHES}
        plan = desk.ask("POST", f"/api/cases/{larch}/feet/{side}/preview", asked).json()
        crest, spots = plan["pad"]["crest"], {m["name"]: m["at"] for m in plan["marks"]}
        # as the feet lie before the fitter, a left foot's big toe is on its right
        assert sign * crest[0] > 0
        assert sign * (spots["mth1"][0] - spots["mth5"][0]) > 50
        assert spots["mth1"][1] > spots["heel_centre"][1] + 100


def test_a_scan_that_takes_anothers_place_is_said_and_can_be_put_back(desk, tmp_path):
    """What was set by hand stays with the earlier scan; the same file once more loses nothing."""
    desk.ask("POST", "/api/cases", {"name": "twice"})
    place, kept = "/api/cases/twice", desk.home / "cases" / "twice" / "desk.json"

    def use():
        return json.loads(kept.read_text("utf-8"))["scans"]["left"]

    def spare(side):
        return json.loads(kept.read_text("utf-8"))["spare"].get(side, [])

    first = (SAMPLES / "larch_left.ply").read_bytes()
    others = {"again.ply": first, "two.ply": first.replace(b"\nend", b"\ncomment two\nend", 1)}
    done = desk.upload("twice", SAMPLES / "larch_left.ply")["result"]
    assert (done["sides"], done["before"]) == (["left"], {})
    desk.done(desk.ask("PUT", f"{place}/feet/left/stated", {"length": 268.0}))
    assert use()["foot_length"] == 268.0
    for name, data in others.items():
        (tmp_path / name).write_bytes(data)
    assert desk.upload("twice", tmp_path / "again.ply")["result"]["before"] == {}
    assert use()["foot_length"] == 268.0
    old = desk.upload("twice", tmp_path / "two.ply")["result"]["before"]["left"]
    assert (old["file"], old["use"]["foot_length"]) == ("larch_left.ply", 268.0)
    assert (use()["file"], use()["foot_length"]) == ("two.ply", None)
    assert desk.ask("PUT", f"{place}/feet/left/scan", {"use": old["use"]}).status_code == 200
    assert (use()["file"], use()["foot_length"]) == ("larch_left.ply", 268.0)
    assert [one["file"] for one in spare("left")] == ["two.ply"]
    # two of one drop: the first stands, the other is set aside and asked about
    both = {name: desk.upload("twice", tmp_path / name, drop="a") for name in others}
    assert both["again.ply"]["result"]["twice"] == {}
    told = both["two.ply"]["result"]
    assert (told["sides"], told["twice"]["left"]["stands"]) == ([], "larch_left.ply")
    assert (use()["file"], use()["foot_length"]) == ("larch_left.ply", 268.0)
    chosen = told["twice"]["left"]["other"]
    assert desk.ask("PUT", f"{place}/feet/left/scan", {"use": chosen}).status_code == 200
    assert (use()["file"], [one["file"] for one in spare("left")]) == (
        "two.ply",
        ["larch_left.ply"],
    )
    assert desk.ask("DELETE", f"{place}/feet/left").status_code == 200
    assert [one["file"] for one in spare("left")] == ["two.ply", "larch_left.ply"]
    for strange in ({"sha256": "0" * 64}, {"file": "../../../case.json"}, {"file": "..\\x.ply"}):
        asked = {"use": old["use"] | strange}
        assert desk.ask("PUT", f"{place}/feet/left/scan", asked).status_code == 422


def test_a_wrong_figure_names_its_field_and_no_file(desk):
    figures = {"inside.length": 280, "inside.ball_width": 10, "bed.drop": 9}
    answer = desk.ask("POST", "/api/shoes", {"name": "rook 43.5", "figures": figures})
    found = answer.json()
    assert (answer.status_code, found["field"]) == (422, "inside.ball_width")
    assert found["error"].startswith("Width of the bed across its widest place at the ball is 10")
    assert ".toml" not in found["error"]


def test_the_steps_say_what_was_made_of_the_latest_version():
    from insole.desk.rail import _made

    assert _made([], 2) == ("open", "")
    assert _made([1], 2) == ("open", "version 2 not made")
    assert _made([1, 2], 2) == ("done", "version 2 made")


def test_a_move_to_the_right_is_medial_on_a_left_foot(desk, larch):
    for side, medial in (("left", 3.0), ("right", -3.0)):
        answer = desk.ask(
            "POST", f"/api/cases/{larch}/feet/{side}/move", {"across": 3, "up": 2, "shift": [1, 0]}
        )
        assert answer.json() == {"shift": [3.0, medial]}


def test_the_worn_mesh_is_mirrored_once(desk, larch):
    import numpy as np

    for side, sign in (("left", -1), ("right", 1)):
        data = desk.client.get(f"/api/cases/{larch}/feet/{side}/mesh").content
        n, m = np.frombuffer(data[:8], "<u4")
        places = np.frombuffer(data[8 : 8 + 12 * n], "<f4").reshape(n, 3)
        faces = np.frombuffer(data[8 + 16 * n :], "<u4").reshape(m, 3)
        toe = places[places[:, 0].argmax()]
        assert sign * toe[1] > 10  # the big toe is medial: y > 0 on a right foot as worn
        a, b, c = (places[faces[:, k]].astype(float) for k in range(3))
        assert np.einsum("ij,ij->", a, np.cross(b, c)) > 0  # wound outward


@pytest.fixture(scope="module")
def kept(desk, larch):
    answer = desk.ask("PUT", f"/api/cases/{larch}/wishes", {"wishes": WISHES})
    assert answer.status_code == 200, answer.text
    # planned while it is still looked at: what is kept and printed is that, and the command line's
    desk.done(desk.ask("POST", f"/api/cases/{larch}/ahead"))
    assert not list((desk.home / "cases" / larch).glob("plans/*"))
    bench = desk.client.app.app.state.service.bench
    run, bench.run = bench.run, None  # nothing is left to do for it
    try:
        found = desk.done(desk.ask("POST", f"/api/cases/{larch}/plans"))
        desk.done(desk.ask("POST", f"/api/cases/{larch}/plans/1/page"))
    finally:
        bench.run = run
    assert found == {"version": 1, "new": True}
    return 1


def test_a_kept_plan_is_the_command_lines(desk, larch, kept, tmp_path):
    from insole.record.questions import QUESTIONS

    answers = [word for q in QUESTIONS for word in ("--answer", f"{q.id}=no")]
    assert main(["plan", *TOLD, *OPTIONS, *answers, "--out", str(tmp_path), "--quiet"]) == 0
    theirs = (tmp_path / "larch-v1-plan.json").read_bytes()
    assert desk.client.get(f"/api/cases/{larch}/plans/1/record").content == theirs
    assert (desk.home / "cases" / larch / "plans" / "plan-001.json").read_bytes() == theirs
    again = desk.done(desk.ask("POST", f"/api/cases/{larch}/plans"))
    assert again == {"version": 1, "new": False}


def test_the_highest_point_of_a_pad_is_its_own_and_where_it_may_lie_is_shown(desk, larch, kept):
    """Not the crest: the side that stands is higher; told by the plan's own grid of heights."""
    import numpy as np
    import shapely

    from insole.record.plan import from_json

    record = desk.client.get(f"/api/cases/{larch}/plans/1/record").content
    shown = desk.client.get(f"/api/cases/{larch}/plans/1").json()["feet"]
    for foot in from_json(record).feet:
        pad, top = shown[foot.side]["pad"], np.array(foot.pad.top.z)
        x = foot.pad.top.x0 + foot.pad.top.step * np.arange(top.shape[0])
        y = foot.pad.top.y0 + foot.pad.top.step * np.arange(top.shape[1])
        outline = shapely.Polygon(foot.pad.outline)
        inside, around = (
            shapely.contains_xy(outline.buffer(by), *np.meshgrid(x, y, indexing="ij"))
            for by in (-2, 2)
        )
        assert top[inside].max() - 0.6 <= pad["highest"] <= top[around].max() + 0.6
        assert pad["highest"] > pad["height"] + 0.5
        words = dict(pad["figures"])
        assert words["Highest point"].startswith(f"{pad['highest']:.1f} mm, ")
        assert words["Front and rear edge"].endswith("mm from the rear")
        low, high = pad["window"]
        apex = next(m["at"][1] for m in shown[foot.side]["marks"] if m["name"] == "arch_apex")
        assert (low, high) == pytest.approx((apex - 5, apex + 3), abs=0.01)


def test_parts_are_the_command_lines_byte_for_byte(desk, larch, kept, tmp_path):
    early = f"/api/cases/{larch}/plans/1/page"  # on paper before any part is made
    desk.done(desk.ask("POST", early))
    page = desk.client.get(early)
    assert not (desk.home / "cases" / larch / "made" / "larch-v1").exists()
    assert page.headers["content-disposition"] == 'inline; filename="plan-larch-v1.pdf"'
    for ticked in ({}, {"edges_read": False}, {"edges_read": "yes"}, {"edges_read": 1}):
        refused = desk.ask("POST", f"/api/cases/{larch}/plans/1/make", ticked)
        assert refused.status_code == 422
        assert "read the thick edges" in refused.json()["error"].lower()
    desk.done(desk.ask("POST", f"/api/cases/{larch}/plans/1/make", {"edges_read": True}))
    record = tmp_path / "plan.json"
    record.write_bytes(desk.client.get(f"/api/cases/{larch}/plans/1/record").content)
    assert (
        main(
            [
                "make",
                str(record),
                "--thick-edges-checked",
                "--out",
                str(tmp_path / "cli"),
                "--quiet",
            ]
        )
        == 0
    )
    theirs = {
        p.relative_to(tmp_path / "cli").as_posix(): p.read_bytes()
        for p in (tmp_path / "cli").glob("larch-v1/**/*")
        if p.is_file()
    }
    archive = desk.client.get(f"/api/cases/{larch}/plans/1/archive")
    assert archive.headers["content-disposition"] == 'attachment; filename="larch-v1.zip"'
    with zipfile.ZipFile(io.BytesIO(archive.content)) as packed:
        mine = {name: packed.read(name) for name in packed.namelist()}
    assert len(mine) > 20
    assert mine.keys() == theirs.keys()
    assert [name for name in mine if mine[name] != theirs[name]] == []
    assert page.content == theirs["larch-v1/paper/plan-larch-v1.pdf"]
    assert desk.client.get(early).content == page.content
    one = next(name for name in mine if name.endswith(".stl") and "left-arch-pad" in name)
    single = desk.client.get(f"/api/cases/{larch}/plans/1/files/{one.partition('/')[2]}")
    assert single.content == theirs[one]
    assert single.headers["content-disposition"].startswith("attachment")


def test_what_is_loaded_ahead_is_there():
    """In a worker a name that is wrong would only cost the time that it should save."""
    import sys

    from insole.desk import tasks

    tasks.warm(str)
    assert {"insole.planning.planner", "insole.output.papers.plan_page"} <= set(sys.modules)


@pytest.mark.parametrize(
    "path",
    [
        "../../../desk.json",
        "..%2f..%2fdesk.json",
        "%2e%2e/%2e%2e/desk.json",
        "/etc/passwd",
        "print/../../../case.json",
        "nothing.stl",
        "",
    ],
)
def test_only_made_files_are_sent(desk, larch, kept, path):
    answer = desk.client.get(f"/api/cases/{larch}/plans/1/files/{path}")
    assert answer.status_code in (404, 422)
    assert "schema_version" not in answer.text
    _no_paths(answer.text, desk)


@pytest.mark.parametrize("name", ["..", ".larch", "la/rch", "larch%00", "nobody", "CON"])
def test_a_case_is_named_by_its_pseudonym_only(desk, name):
    answer = desk.client.get(f"/api/cases/{name}/feet/left")
    assert answer.status_code in (404, 422)
    _no_paths(answer.text, desk)


@pytest.mark.parametrize(
    ("name", "kept_as"),
    [
        ("../../evil.ply", "evil.ply"),
        ("..\\evil.stl", "evil.stl"),
        ("a\nb<script>.ply", None),
        ("evil.exe", None),
        (".ply", None),
        ("x" * 300 + ".ply", None),
    ],
)
def test_a_hostile_file_name_stays_in_its_folder(desk, name, kept_as):
    from insole.desk.store import safe_name
    from insole.errors import InsoleError

    try:
        found = safe_name(name)
    except InsoleError:
        assert kept_as is None
        return
    assert not set(found) & set('/\\\n<>:"|?*')
    assert len(found) <= 101
    if kept_as is not None:
        assert found == kept_as


def test_a_scan_that_is_none_is_said_in_one_sentence(desk):
    desk.ask("POST", "/api/cases", {"name": "broken"})
    answer = desk.ask(
        "POST",
        "/api/cases/broken/scans",
        params={"name": "a.ply"},
        content=b"ply\nformat ascii 1.0\nelement vertex 9\nend_header\n",
    )
    job = desk.wait(answer.json())
    assert job["state"] == "failed"
    assert "a.ply" in job["words"]
    _no_paths(job["words"], desk)
    empty = desk.ask("POST", "/api/cases/broken/scans", params={"name": "a.ply"}, content=b"")
    assert (empty.status_code, "empty" in empty.json()["error"]) == (422, True)


def test_a_stop_answer_bars_plan_and_parts_until_a_clinicians_word(desk, larch):
    shutil.copytree(
        desk.home / "cases" / larch,
        desk.home / "cases" / "halted",
        ignore=shutil.ignore_patterns("made", "plans", "trials"),
    )
    record = desk.home / "cases" / "halted" / "case.json"
    record.write_text(record.read_text("utf-8").replace('"larch"', '"halted"'), encoding="utf-8")
    stand = desk.ask("PUT", "/api/cases/halted/answers", {"answers": {"wound": "yes"}}).json()
    assert "no parts can be made: answered yes to wound" in stand["stop"].lower()
    page = desk.client.get("/case/halted/support").text
    assert "Stop: no parts" in page
    preview = desk.ask("POST", "/api/cases/halted/feet/left/preview", {})
    assert (preview.status_code, preview.json()["refused"]) == (409, True)
    job = desk.wait(desk.ask("POST", "/api/cases/halted/plans").json())
    assert (job["state"], job["result"]) == ("failed", {"refused": True})
    assert not list((desk.home / "cases" / "halted").glob("plans/*"))
    for word, lifted in (("somebody", False), ("Dr A. Example, 2026-05-02", True)):
        stand = desk.ask("PUT", "/api/cases/halted/answers", {"clinician": word}).json()
        assert (stand["stop"] == "") == lifted
    assert desk.done(desk.ask("POST", "/api/cases/halted/plans"))["version"] == 1
    # a word about one thing is none about another that is answered afterwards
    new = desk.ask("PUT", "/api/cases/halted/answers", {"answers": {"diabetes": "yes"}}).json()
    assert "answered yes to diabetes, wound" in new["stop"].lower()
    both = {"answers": {"diabetes": "no"}, "clinician": "Dr A. Example, 2026-05-02"}
    assert desk.ask("PUT", "/api/cases/halted/answers", both).json()["stop"] == ""
    # what is said after a plan was kept holds its parts and its page as well
    desk.ask("PUT", "/api/cases/halted/answers", {"clinician": ""})
    for asked in ("page", "make"):
        job = desk.wait(
            desk.ask("POST", f"/api/cases/halted/plans/1/{asked}", {"edges_read": True}).json()
        )
        assert (job["state"], job["result"]) == ("failed", {"refused": True})
        assert "answered yes to wound" in job["words"]
    assert desk.client.get("/api/cases/halted/plans/1/page").status_code == 409
    assert not list((desk.home / "cases" / "halted").glob("made/*"))


@pytest.mark.parametrize(
    "wishes",
    [
        {"left": {"support_level": 9}},
        {"left": {"support_level": "much"}},
        {"up": {}},
        {"left": {"shift": [1]}},
        {"left": {"shift": [99, 0]}},
        {"left": {"colour": 1}},
        [],
        "x",
        {"left": {"forefoot": True}},
        {"left": {"contoured": "half"}},
    ],
)
def test_a_wish_out_of_its_range_is_refused_and_nothing_kept(desk, larch, wishes):
    before = (desk.home / "cases" / larch / "desk.json").read_bytes()
    answer = desk.ask("PUT", f"/api/cases/{larch}/wishes", {"wishes": wishes})
    assert answer.status_code in (400, 422)
    assert (desk.home / "cases" / larch / "desk.json").read_bytes() == before


def test_a_refusal_of_the_planner_reaches_the_page_without_switches(desk, larch):
    asked = {"wishes": {"left": {"forefoot": 9}}}
    answer = desk.ask("POST", f"/api/cases/{larch}/feet/left/preview", asked)
    assert answer.status_code == 409
    assert "--" not in answer.json()["error"]


def test_a_trial_proposes_a_step_which_is_taken_into_the_work(desk, larch, kept):
    flags = dict.fromkeys(("pain", "numbness", "tingling", "cramp", "slipping", "stuck"), "no")
    said = {
        "plan": 1,
        "date": "2026-05-02",
        "answer": "same",
        "side": "right",
        "felt": ["too high"],
        "flags": flags,
    }
    found = desk.ask("POST", f"/api/cases/{larch}/trials", said).json()
    new = found["step"]["wishes"]["right"]["support_level"]
    assert found["step"]["before"]["right"]["support_level"] == 0.9
    assert new < 0.9
    taken = desk.ask("POST", f"/api/cases/{larch}/trials/1/step").json()["wishes"]
    assert taken["right"] == {"support_level": new, "forefoot": 2.0}
    assert taken["left"]["support_level"] == 0.8
    hurt = said | {"flags": flags | {"pain": "yes"}, "date": "2026-05-03"}
    stop = desk.ask("POST", f"/api/cases/{larch}/trials", hurt).json()
    assert (stop["stopped"], stop["health"], stop["step"]) == (True, True, None)
    held = desk.wait(desk.ask("POST", f"/api/cases/{larch}/plans").json())
    assert held["state"] == "failed"
    assert "until a clinician's word of that day or later" in str(held)
    word = said | {"date": "2026-05-03", "clinician": "Dr Sample, 2026-05-03"}
    assert desk.ask("POST", f"/api/cases/{larch}/trials", word).status_code in (200, 201)


def test_a_case_is_listed_exported_and_erased_as_a_whole(desk, larch, kept):
    page = desk.client.get("/").text
    assert 'data-name="larch"' in page
    archive = desk.client.get(f"/api/cases/{larch}/export").content
    with zipfile.ZipFile(io.BytesIO(archive)) as packed:
        names = packed.namelist()
    assert "larch/plans/plan-001.json" in names
    assert any(name.endswith("/larch_left.ply") for name in names)
    desk.ask("POST", "/api/cases", {"name": "going"})
    assert desk.ask("DELETE", "/api/cases/going", {"confirm": "gone"}).status_code == 422
    assert (desk.home / "cases" / "going").exists()
    assert desk.ask("DELETE", "/api/cases/going", {"confirm": "going"}).status_code == 200
    assert not (desk.home / "cases" / "going").exists()
    assert 'data-name="going"' not in desk.client.get("/").text


def test_two_versions_are_compared_as_a_picture(desk, larch, kept):
    from insole.output.pictures.old_and_new import old_and_new_png
    from insole.trials.cases import open_case

    path = f"/api/cases/{larch}/wishes"
    higher = {"left": {"support_level": 0.6}, "right": WISHES["right"]}
    assert desk.ask("PUT", path, {"wishes": higher}).status_code == 200
    version = desk.done(desk.ask("POST", f"/api/cases/{larch}/plans"))["version"]
    answer = desk.client.get(f"/api/cases/{larch}/plans/1/against/{version}")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "image/png")
    case = open_case(desk.home / "cases" / larch)
    assert answer.content == old_and_new_png(case.plan(1), case.plan(version))
    same = desk.client.get(f"/api/cases/{larch}/plans/1/against/1")
    assert same.status_code == 422
    assert "no support differs" in same.json()["error"].lower()
    assert desk.client.get(f"/api/cases/{larch}/plans/1/against/99").status_code == 422
    assert desk.ask("PUT", path, {"wishes": WISHES}).status_code == 200


def test_a_new_shoe_is_written_once_under_a_name_of_its_own(desk):
    figures = {"inside.length": 280, "inside.ball_width": 100, "bed.drop": 9}
    given = {"name": "Grey 43!", "figures": figures}
    first, again = (desk.ask("POST", "/api/shoes", given).json() for _ in range(2))
    assert (first["file"], again["file"]) == ("grey-43.toml", "grey-43-2.toml")
    assert first["rough"] is True
    bad = desk.ask("POST", "/api/shoes", {"name": "x", "figures": figures | {"inside.length": 3}})
    assert bad.status_code == 422
    assert not (desk.home / "shoes" / "x.toml").exists()
    _no_paths(bad.text, desk)


@pytest.mark.usefixtures("own_processes")
def test_work_can_be_cancelled_and_the_desk_goes_on(desk, larch):
    answer = desk.ask("POST", f"/api/cases/{larch}/plans/1/make", {"edges_read": True})
    folder = desk.home / "cases" / larch / "made"
    shutil.rmtree(folder / "larch-v1", ignore_errors=True)
    job = answer.json()
    desk.ask("DELETE", f"/api/jobs/{job['id']}")
    job = desk.wait(job)
    assert job["state"] in ("cancelled", "done")
    if job["state"] == "cancelled":
        assert not (folder / "larch-v1").exists()
    desk.done(desk.ask("POST", f"/api/cases/{larch}/fit"))


def test_the_gap_shown_is_the_plans_own(desk, larch):
    """Sole, bed, part and gap add up, and at the crest they say what the plan says."""
    import numpy as np

    for kind in (None, "three-quarter"):
        asked = {"wishes": {"left": {"support_level": 0.8, "contoured": kind}}}
        plan = desk.ask("POST", f"/api/cases/{larch}/feet/left/preview", asked).json()
        assert "maps" in plan, plan
        grids = {n: np.array(g["z"], dtype=float) for n, g in plan["maps"].items()}
        sum_up = grids["sole"] - grids["bed"] - grids["shim"] - grids["part"]
        assert np.abs(np.clip(sum_up, 0, None) - grids["gap"]).max() < 0.1
        grid, part = plan["maps"]["gap"], plan["pad"] if kind is None else plan["bed"]
        col, row = ((part["crest"][k] - grid[f"{'xy'[k]}0"]) / grid["step"] for k in (0, 1))
        near = grids["gap"].reshape(grid["ny"], grid["nx"])[round(row), round(col)]
        assert near == pytest.approx(float(part["free"].split(" ")[0]), abs=1.0)


@pytest.mark.long
@pytest.mark.usefixtures("own_processes")
def test_cancelling_what_waits_leaves_the_work_before_it_alone(desk, larch, kept):
    shutil.rmtree(desk.home / "cases" / larch / "made", ignore_errors=True)
    first = desk.ask("POST", f"/api/cases/{larch}/plans/1/make", {"edges_read": True}).json()
    second = desk.ask("POST", f"/api/cases/{larch}/fit").json()
    desk.ask("DELETE", f"/api/jobs/{second['id']}")
    assert desk.wait(second)["state"] == "cancelled"
    assert desk.wait(first)["state"] == "done"
    assert (desk.home / "cases" / larch / "made" / "larch-v1" / "manifest.json").is_file()


def test_a_limit_is_passed_with_who_why_and_when_and_kept_in_the_plan(desk, larch, kept):
    asked = {"wishes": {"right": {"forefoot": 3.0}}}
    preview = f"/api/cases/{larch}/feet/right/preview"
    refused = desk.ask("POST", preview, asked)
    assert refused.status_code == 409
    assert "thickness.ball_refuse" in refused.json()["error"]
    one = {
        "limit": "thickness.ball_refuse",
        "who": "A. Fitter",
        "why": "roomy toe box",
        "when": "2026-05-02",
    }
    path = f"/api/cases/{larch}/wishes"
    half = desk.ask("PUT", path, {"wishes": WISHES, "overrides": [one | {"why": ""}]})
    assert half.status_code == 422
    assert desk.ask("PUT", path, {"wishes": WISHES, "overrides": [one]}).status_code == 200
    assert desk.ask("POST", preview, asked).status_code == 200
    wrong = one | {"limit": "no.such_limit"}
    desk.ask("PUT", path, {"wishes": WISHES, "overrides": [wrong]})
    assert "no.such_limit" in desk.ask("POST", preview, asked).json()["error"]
    assert desk.ask("PUT", path, {"wishes": WISHES, "overrides": []}).status_code == 200


def test_a_draft_of_the_first_schema_is_still_read(desk):
    """As the desk wrote it when the schema was made; kept here by hand."""
    desk.ask("POST", "/api/cases", {"name": "old-draft"})
    record = {
        "schema_version": 1,
        "answers": {"wound": "no"},
        "clinician": "",
        "scans": {
            "left": {
                "sha256": "0" * 64,
                "file": "a.ply",
                "load": "half",
                "side_stated": False,
                "foot_length": None,
                "landmarks": {},
            }
        },
        "shoe": "shoe.toml",
        "wishes": {"left": {"support_level": 0.8, "shift": [1.0, 2.0]}},
        "body_mass": None,
        "confirm_zero": False,
    }
    path = desk.home / "cases" / "old-draft" / "desk.json"
    path.write_text(json.dumps(record), encoding="utf-8")
    assert desk.client.get("/case/old-draft/questions").status_code == 200
    lost = desk.client.get("/api/cases/old-draft/feet/left")
    assert lost.status_code == 422
    assert lost.json()["error"] == ("The scan a.ply is not in the case any more; drop it again")
    path.write_text("{", encoding="utf-8")
    page = desk.client.get("/case/old-draft/questions")
    assert "desk.json of the case old-draft is damaged" in page.text
    path.unlink()


def test_an_entry_is_put_right_and_a_stop_wants_a_clinicians_word(desk, larch, kept):
    """The stop holds every step, whatever was said before it."""
    flags = dict.fromkeys(("pain", "numbness", "tingling", "cramp", "slipping", "stuck"), "no")
    said = {"plan": 1, "date": "2026-05-04", "answer": "better", "flags": flags, "felt": []}
    path = f"/api/cases/{larch}/trials"
    stop = said | {"flags": flags | {"pain": "yes"}}
    assert desk.ask("POST", path, stop).json()["stopped"]
    found = desk.ask("POST", path, said | {"felt": ["too high"]})
    assert found.json().get("step") is None
    for asked in ("page", "make"):
        given = desk.ask("POST", f"/api/cases/{larch}/plans/1/{asked}", {"edges_read": True})
        job = desk.wait(given.json())
        assert (job["state"], job["result"]) == ("failed", {"refused": True})
    bad = desk.ask("POST", path, said | {"corrects": 99, "because": "slip"})
    assert bad.status_code == 422
    assert desk.ask("POST", path, {"plan": 1, "date": "soon"}).status_code == 422
    assert desk.ask("POST", path, {"plan": 77, "date": "2026-05-04"}).status_code == 422


def test_what_is_wished_for_one_foot_comes_before_what_is_wished_for_both():
    asked = {"both": {"support_level": 0.5, "turn": 2.0}, "left": {"support_level": 0.8}}
    assert wishes.merged(asked, "left") == {"support_level": 0.8, "turn": 2.0}
    assert wishes.merged(asked, "right") == {"support_level": 0.5, "turn": 2.0}
    assert wishes.merged({}, "left") == {}


def test_no_flag_is_answered_before_somebody_asks(desk, larch):
    """Nor is a question: both start at 'Not asked'; and the wedge's signs stand beside its box."""
    page = desk.client.get(f"/case/{larch}/trial").text
    if "Red flags" not in page:  # no version yet: this test runs alone
        desk.done(desk.ask("POST", f"/api/cases/{larch}/plans"))
        page = desk.client.get(f"/case/{larch}/trial").text
    boxes = re.findall(
        r'<input type="radio"[^>]*data-flag="([^"]+)" value="([^"]*)" ([^>]*)>', page
    )
    assert len({flag for flag, _, _ in boxes}) == 6
    assert {(value, "checked" in how) for _, value, how in boxes} == {
        ("no", False),
        ("yes", False),
        ("", True),
    }
    support = desk.client.get(f"/case/{larch}/support").text
    legend = re.search(r"<legend>Wedges <small>(.*?)</small>", support)
    assert legend[1] == "+ big-toe side up (varus), − little-toe side up (valgus)"
    desk.ask("POST", "/api/cases", {"name": "unasked"})
    asked = desk.client.get("/case/unasked/questions").text
    radios = re.findall(r'<input type="radio" name="[^"]+" value="([^"]*)" ([^>]*)>', asked)
    assert {value for value, how in radios if "checked" in how} == {""}


def test_no_pad_for_one_foot_leaves_the_other_its_own(desk, tmp_path):
    """What is kept is what was shown: each foot by its own wish."""
    home = Home(tmp_path)
    case = home.create("heron")
    for left, right in ((False, None), (None, False), (False, False), (None, None)):
        own = {"left": left, "right": right}
        draft = Draft(
            wishes={
                side: {"support_level": 0.8} | ({} if pad is None else {"pad": pad})
                for side, pad in own.items()
            }
        )
        found = wishes.asked(home, case, draft, 1)
        assert found.get("no_pad", {"left": False, "right": False}) == {
            side: pad is False for side, pad in own.items()
        }


def test_which_foot_it_is_is_asked_where_the_scan_does_not_say(desk, monkeypatch):
    async def refuse(self, task, *args, **more):
        raise SideError("left or right cannot be told from this scan; state the side")

    monkeypatch.setattr(workers.Worker, "run", refuse)
    desk.ask("POST", "/api/cases", {"name": "neither"})
    job = desk.upload("neither", SAMPLES / "larch_left.ply")
    assert job["state"] == "failed"
    assert job["result"] == {"ask_side": True, "file": "larch_left.ply", "refused": False}


def test_a_trial_of_no_version_is_one_sentence(desk, larch):
    for version in (None, "one", True, 1.5):
        said = {"plan": version, "date": "2026-05-02", "answer": "same", "flags": {}}
        answer = desk.ask("POST", f"/api/cases/{larch}/trials", said)
        assert answer.status_code in (400, 422)
        assert "ay which version was ridden" in answer.text


def test_a_shoe_that_was_put_right_is_planned_in_at_once(tmp_path):
    """The page keeps what it planned with at hand; not longer than the file stays the same."""
    shoe = tmp_path / "shoe.toml"
    text = (SAMPLES / "shoe.toml").read_text("utf-8")
    shoe.write_text(text, encoding="utf-8")
    asked = {"shoe": shoe, "kit": None, "limits": None, "heel": 2.0}

    def wedges() -> list[str]:
        found = tasks.TASKS["preview"](lambda said: None, "right", "k", feet.analytic(), asked)
        return [wedge["words"] for wedge in found["wedges"]]

    before = wedges()
    assert before
    assert wedges() == before
    shoe.write_text(re.sub(r"(?m)^cant_heel = .*$", "cant_heel = 1.0", text), "utf-8")
    os.utime(shoe, ns=(1, 1))
    assert wedges() != before
