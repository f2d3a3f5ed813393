"""The workshop at the desk: its own files, scanners, queue and backup."""

from __future__ import annotations

import io
import json
import stat
import zipfile
from datetime import date, timedelta

import numpy as np
import pytest

pytest.importorskip("starlette", reason="the desk's packages are not installed: '.[desk]'")

from carded import as_ply, beside

from footscan import reading
from insole.desk import queue
from insole.desk.backup import back_up, restore
from insole.desk.owned import Bench, keep_own, own, own_shown
from insole.desk.store import Draft, Home, ScanUse, Workshop
from insole.errors import InsoleError
from tests.desk.conftest import SAMPLES
from tests.desk.test_store import _with_scan
from tests.plans import sample_plan


def _ball_bar(scale=1.0, seed=3):
    """Two balls of 30 mm, 200 mm apart, as a scanner of that scale sees them from above."""
    dice = np.random.default_rng(seed)
    rows = []
    for middle in (0.0, 200.0):
        way = dice.normal(size=(2500, 3))
        way /= np.linalg.norm(way, axis=1)[:, None]
        way = way[way[:, 2] > -0.5]
        rows.append(scale * (np.array([middle, 0, 0]) + 15 * way))
    points = np.concatenate(rows) + dice.normal(scale=0.04, size=(sum(map(len, rows)), 3))
    return "\n".join(f"{x:.4f} {y:.4f} {z:.4f}" for x, y, z in points).encode()


def _check(desk, scale, day, scanner="north room", kind="bar", **more):
    asked = {
        "name": "bar.xyz",
        "scanner": scanner,
        "kind": kind,
        "ball": 30,
        "spacing": 200,
        "unit": "mm",
        "date": day.isoformat(),
    } | more
    return desk.ask("POST", "/api/scanners/scans", params=asked, content=_ball_bar(scale))


def test_checks_of_a_scanner_are_logged_and_its_drift_is_told(desk):
    today = date.today()
    first = desk.done(_check(desk, 1.0, today - timedelta(days=60)))
    assert first["passed"] is True
    desk.done(_check(desk, 1.003, today))
    (series,) = desk.client.get("/api/scanners").json()["series"]
    assert series["scale_change_percent"] == pytest.approx(0.3, abs=0.02)
    assert any("drifted by +0.3" in text for text in series["sentences"])
    assert [100 * (c["scale_factor"] - 1) for c in series["checks"]] == pytest.approx(
        [0.0, 0.3], abs=0.02
    )
    assert not list((desk.home / "incoming").rglob("*.xyz"))  # the scan itself does not stay
    from insole.cli import main

    assert main(["artefact", "--drift", str(desk.home / "scanner-log.csv"), "--json"]) == 0
    log = desk.client.get("/api/scanners/log")
    assert log.content == (desk.home / "scanner-log.csv").read_bytes()
    assert "north room" in desk.client.get("/scanners").text
    (desk.home / "scanner-log.csv").unlink()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"scanner": ""}, "which scanner"),
        ({"ball": ""}, "diameter"),
        ({"spacing": "9999"}, "balls"),
        ({"kind": "cube"}, "what was scanned"),
        ({"date": "2999-01-01"}, "ahead of today"),
        ({"date": "soon"}, "a date"),
        ({"unit": "ell"}, "unit"),
        ({"name": "a.exe"}, "no scan"),
    ],
)
def test_a_check_that_says_too_little_is_refused_and_not_logged(desk, more, words):
    answer = _check(desk, 1.0, date.today(), **more)
    assert answer.status_code == 422
    assert words in answer.json()["error"]
    assert not (desk.home / "scanner-log.csv").exists()


def test_a_checked_scanner_vouches_for_the_scale_of_a_scan(desk):
    desk.done(_check(desk, 1.0, date.today()))
    desk.ask("POST", "/api/cases", {"name": "vouched"})
    data = (SAMPLES / "larch_left.ply").read_bytes()
    for scanner, verified in (("north room", True), ("", False)):
        job = desk.ask(
            "POST",
            "/api/cases/vouched/scans",
            content=data,
            params={"name": "larch_left.ply", "load": "half", "scanner": scanner},
        ).json()
        assert desk.wait(job)["state"] == "done"
        shown = desk.client.get("/api/cases/vouched/feet/left").json()
        assert shown["scale_verified"] is verified
    job = desk.ask(
        "POST",
        "/api/cases/vouched/scans",
        content=data,
        params={"name": "larch_left.ply", "load": "half", "scanner": "nobody's"},
    ).json()
    job = desk.wait(job)
    assert job["state"] == "failed"
    assert "holds no check of nobody's" in job["words"]
    (desk.home / "scanner-log.csv").unlink()


def test_the_scale_card_in_a_scan_vouches_for_it(desk):
    shown = beside(reading.read(SAMPLES / "larch_left.ply"), np.random.default_rng(5))
    desk.ask("POST", "/api/cases", {"name": "carded"})
    for card, verified in (("yes", True), ("", False)):
        job = desk.ask(
            "POST",
            "/api/cases/carded/scans",
            content=as_ply(shown),
            params={"name": "phone.ply", "load": "half", "card": card},
        ).json()
        assert desk.wait(job)["state"] == "done"
        found = desk.client.get("/api/cases/carded/feet/left").json()
        assert found["scale_verified"] is verified


def test_a_damaged_log_is_said_on_its_page_and_holds_no_fitting_up(desk):
    desk.ask("POST", "/api/cases", {"name": "log-1"})
    log = desk.home / "scanner-log.csv"
    log.write_text("no log\n", encoding="utf-8")
    try:
        page = desk.client.get("/scanners").text
        assert "scanner-log.csv does not begin with the headings" in page
        assert str(desk.home) not in page
        assert desk.client.get("/case/log-1/scans").status_code == 200
        job = desk.wait(_check(desk, 1.0, date.today()).json())
        assert job["state"] == "failed"
        assert log.read_text("utf-8") == "no log\n"
    finally:
        log.unlink()


def test_a_backup_goes_onto_a_stick_without_links(tmp_path, monkeypatch):
    import os

    home = _full(Home(tmp_path / "home"))

    def no_links(*paths):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    path = tmp_path / "all.zip"
    assert back_up(home, path) == 2
    with pytest.raises(InsoleError, match="there already"):
        back_up(home, path)
    assert [p.name for p in tmp_path.iterdir() if p.name != "home"] == ["all.zip"]


def test_the_workshops_own_limits_and_materials_are_followed(desk, larch):
    preview = f"/api/cases/{larch}/feet/right/preview"
    asked = {"wishes": {"right": {"forefoot": 2.0}}}
    assert desk.ask("POST", preview, asked).status_code == 200
    strict = b"[thickness]\nball_warn = 0.1\nball_refuse = 0.2\n"
    put = desk.ask("PUT", "/api/own/limits", content=strict)
    assert put.status_code == 200, put.text
    assert desk.client.get("/api/own/limits").content == strict
    refused = desk.ask("POST", preview, asked)
    assert refused.status_code == 409, refused.text
    assert desk.ask("PUT", "/api/own/limits", content=b"").status_code == 200
    assert desk.ask("POST", preview, asked).status_code == 200
    bar = b"[wedge-tpu]\nmeasured = [99.4, 99.5, 19.9]\n"
    assert desk.ask("PUT", "/api/own/materials", content=bar).status_code == 200
    page = desk.client.get("/workshop").text
    assert "99.4 × 99.5 × 19.9 mm" in page
    for bad in (b"[wedge-tpu]\nmeasured = [9, 9, 9]\n", b"not toml", b"\xff\xfe", b"x" * 300_000):
        answer = desk.ask("PUT", "/api/own/materials", content=bad)
        assert answer.status_code in (413, 422), answer.text
        assert str(desk.home) not in answer.text
    assert (desk.home / "materials.toml").read_bytes() == bar  # the old one stays
    kit = (
        b'name = "two"\nmaterial = "trial-eva"\nheights = [7]\nlengths = [84]\nwidths = [38, 44]\n'
    )
    assert desk.ask("PUT", "/api/own/kit", content=kit).status_code == 200
    asked = {"wishes": {"right": {"pad_source": "kit"}}}
    pad = desk.ask("POST", preview, asked).json()["pad"]
    assert pad["name"].startswith("kit pad 7 high, 84 long"), pad["name"]
    assert desk.ask("PUT", "/api/own/kit", content=b"").status_code == 200
    assert desk.ask("PUT", "/api/own/passwd", content=bar).status_code == 422
    assert desk.ask("PUT", "/api/own/materials", content=b"").status_code == 200
    assert not (desk.home / "materials.toml").exists()


def test_the_bench_is_sorted_by_material_and_ticks_are_kept(tmp_path):
    home = Home(tmp_path / "home")
    for name, files in (
        (
            "heron",
            (
                "print/left-wedge-tpu-heron-v2.3mf",
                "print/pp-heron-v2.3mf",
                "print/trial-eva-heron-v2.3mf",
                "cut/sheet-base-pp-1.5mm-1-heron-v2.dxf",
                "cut/sheet-trial-eva-8mm-1-heron-v2.dxf",
                "paper/a.pdf",
            ),
        ),
        ("stork", ("print/wedge-tpu-stork-v1.3mf", "cut/stork.dxf")),
    ):
        case = home.create(name)
        version = files[0].rpartition("-v")[2][0]
        folder = case.made / f"{name}-v{version}"
        for file in ("manifest.json", *files):
            (folder / file).parent.mkdir(parents=True, exist_ok=True)
            (folder / file).write_text("{}", encoding="utf-8")
    tick = Bench(home.folder).tick
    tick("stork-v1", "print/wedge-tpu-stork-v1.3mf", True)
    groups, made = queue.grouped(home)
    found = {
        (g.way, g.material): sorted((p.case, p.name, p.done) for p in g.pieces) for g in groups
    }
    assert found == {
        ("either", "base-pp"): [
            ("heron", "plate to print", False),
            ("heron", "sheet 1 to cut, 1.5 mm", False),
        ],
        ("print", "wedge-tpu"): [("heron", "plate left", False), ("stork", "plate", True)],
        ("grind", "trial-eva, 8 mm"): [("heron", "sheet 1", False)],
    }
    assert {m.case: (m.left, m.papers) for m in made} == {"heron": (3, 1), "stork": (0, 0)}
    tick("heron-v2", "print/pp-heron-v2.3mf", True)  # then its sheet is not cut as well
    left = queue.counts(home)
    assert left["groups"]["either base-pp"] == 0
    assert left["made"] == {"heron-v2": 2, "stork-v1": 0}
    assert [file for file, moot in left["moot"].items() if moot] == [
        "heron-v2/cut/sheet-base-pp-1.5mm-1-heron-v2.dxf"
    ]
    for folder, piece in (
        ("stork-v1", "print/wedge-tpu-stork-v1.3mf"),
        ("heron-v2", "print/pp-heron-v2.3mf"),
    ):
        tick(folder, piece, False)
    assert Bench(home.folder).done() == {}
    (home.folder / "bench.json").write_text("{", encoding="utf-8")
    assert Bench(home.folder).done() == {}


def test_only_a_piece_that_was_made_can_be_ticked(desk):
    desk.ask("POST", "/api/cases", {"name": "bench-1"})
    folder = desk.home / "cases" / "bench-1" / "made" / "bench-1-v1"
    (folder / "print").mkdir(parents=True)
    (folder / "manifest.json").write_text("{}", encoding="utf-8")
    (folder / "print" / "wedge-tpu-bench-1-v1.3mf").write_text("x", encoding="utf-8")
    good = {
        "case": "bench-1",
        "folder": "bench-1-v1",
        "piece": "print/wedge-tpu-bench-1-v1.3mf",
        "done": True,
    }
    done = desk.ask("PUT", "/api/bench", good).json()
    assert done["made"]["bench-1-v1"] == 0
    assert Bench(desk.home).done() == {"bench-1-v1": [good["piece"]]}
    for bad in (
        {"piece": "../../../desk.lock"},
        {"folder": "../x"},
        {"case": "no"},
        {"piece": "y"},
    ):
        assert desk.ask("PUT", "/api/bench", good | bad).status_code == 422
    desk.ask("DELETE", "/api/cases/bench-1", {"confirm": "bench-1"})


@pytest.mark.parametrize("word", ["materials", "stock", "limits", "kit"])
def test_an_own_file_that_cannot_be_read_does_not_take_the_old_ones_place(tmp_path, word):
    home = Home(tmp_path / "home")
    with pytest.raises(InsoleError):
        keep_own(home.folder, word, b"[[no such table\n")
    assert own(home.folder, word) is None


def test_parts_follow_the_workshops_stock(tmp_path):
    """The rack's sheets, the cutter's kerf and the chosen material reach the settings of parts."""
    from insole.output.settings import Settings

    home = Home(tmp_path / "home")
    keep_own(
        home.folder,
        "stock",
        (
            b'[[sheet]]\nmaterial = "trial-eva"\nthickness = [3, 5]\nsize = [500, 300]\n'
            b'[cutter]\nkerf = 0.2\n[parts]\npad = "final-eva"\n'
        ),
    )
    wanted = Settings(kerf=0.0).with_stock(own(home.folder, "stock"))
    assert wanted.kerf == 0.2
    assert wanted.chosen == {"pad": "final-eva"}
    assert wanted.stock.racks[0].size == (500.0, 300.0)


# ------------------------------------------------------------------ backup


def _full(home):
    """A store with two riders, made parts, a shoe and what the workshop owns."""
    import hashlib

    for name in ("heron", "stork"):
        _with_scan(home, name)
    case = home.case("heron")
    case.case.add_plan(sample_plan(case="heron"))
    made = case.made / "heron-v1"
    (made / "print").mkdir(parents=True)
    (made / "print" / "a.stl").write_bytes(b"solid")
    files = [{"path": "print/a.stl", "sha256": hashlib.sha256(b"solid").hexdigest()}]
    (made / "manifest.json").write_text(json.dumps({"files": files}), encoding="utf-8")
    (home.shoes / "shoe.toml").write_bytes((SAMPLES / "shoe.toml").read_bytes())
    home.save_workshop(home.workshop().model_copy(update={"kerf": 0.3}))
    keep_own(home.folder, "materials", b"[wedge-tpu]\nmeasured = [99.4, 99.5, 19.9]\n")
    Bench(home.folder).tick("heron-v1", "print/a.stl", True)
    return home


def _tree(folder):
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.name not in ("index.sqlite", "desk.lock")
    }


def test_a_backup_brings_the_whole_store_back_byte_for_byte(tmp_path):
    home = _full(Home(tmp_path / "home"))
    (home.cases_folder / ".half.arriving.1").mkdir()
    (home.cases_folder / ".half.arriving.1" / "x").write_text("no part of it", encoding="utf-8")
    path = tmp_path / "all.zip"
    assert back_up(home, path) == 2
    other = Home(tmp_path / "other")
    found = restore(other, path)
    assert found["cases"] == ["heron", "stork"]
    assert found["kept"] == []
    (home.cases_folder / ".half.arriving.1" / "x").unlink()
    assert _tree(other.folder) == _tree(home.folder)
    assert other.workshop().kerf == 0.3
    assert own_shown(other.folder)["files"][0]["there"] is True
    with pytest.raises(InsoleError, match="there already"):
        back_up(home, path)
    again = restore(other, path)  # nothing is written over
    assert (again["cases"], again["other"]) == ([], [])
    assert {"heron", "stork", "shoes/shoe.toml"} <= set(again["kept"])


def test_what_is_there_stays_when_a_backup_is_restored(tmp_path):
    home = _full(Home(tmp_path / "home"))
    path = tmp_path / "all.zip"
    back_up(home, path)
    home.case("heron").save(Draft(wishes={"left": {"turn": 3.0}}))
    home.erase("stork", "stork")
    found = restore(home, path)
    assert found["cases"] == ["stork"]
    assert home.case("heron").draft().wishes == {"left": {"turn": 3.0}}
    assert home.case("stork").draft().scans["left"].file == "left foot.ply"


def _changed(path, out, change):
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            for name, data in change(entry.filename, old.read(entry)):
                new.writestr(name, data)
    return out


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("../evil", "no part of a store"),
        ("cases/heron/../../evil", "no part of a store"),
        ("cases/heron/run.sh", "no part of a store"),
        ("/etc/passwd", "no part of a store"),
        ("shoes/../evil.toml", "no part of a store"),
        ("shoes/a.exe", "no part of a store"),
        ("cases/heron/made/../../../evil", "no part of a store"),
        ("evil.toml", "no part of a store"),
        ("cases/CON/case.json", "no part of a store"),
    ],
)
def test_a_hostile_backup_leaves_nothing(tmp_path, extra, words):
    home = _full(Home(tmp_path / "home"))
    back_up(home, tmp_path / "all.zip")
    bad = _changed(tmp_path / "all.zip", tmp_path / "bad.zip", lambda n, d: [(n, d)])
    with zipfile.ZipFile(bad, "a") as packed:
        packed.writestr(extra, "x")
    other = Home(tmp_path / "other")
    with pytest.raises(InsoleError, match=words):
        restore(other, bad)
    assert _tree(other.folder) == {}
    assert not (tmp_path / "evil").exists()


def test_a_changed_scan_link_version_or_made_part_does_not_come_in(tmp_path):
    home = _full(Home(tmp_path / "home"))
    back_up(home, tmp_path / "all.zip")
    other = Home(tmp_path / "other")

    def tried(change, name):
        return restore(other, _changed(tmp_path / "all.zip", tmp_path / name, change))

    with pytest.raises(InsoleError, match="was changed"):
        tried(lambda n, d: [(n, b"ply\nother\n" if "/scans/" in n else d)], "scan.zip")
    assert list(other.cases_folder.iterdir()) == []
    with pytest.raises(InsoleError, match="another version"):
        tried(lambda n, d: [(n, b'{"schema_version": 9}' if n == "store.json" else d)], "v.zip")
    with pytest.raises(InsoleError, match="no backup"):
        tried(lambda n, d: [] if n == "store.json" else [(n, d)], "mark.zip")
    (tmp_path / "text.zip").write_bytes(b"no zip")
    with pytest.raises(InsoleError, match="no backup"):
        restore(other, tmp_path / "text.zip")
    link = tmp_path / "link.zip"
    _changed(tmp_path / "all.zip", link, lambda n, d: [(n, d)])
    with zipfile.ZipFile(link, "a") as packed:
        entry = zipfile.ZipInfo("shoes/link.toml")
        entry.external_attr = (stat.S_IFLNK | 0o777) << 16
        packed.writestr(entry, "/etc/passwd")
    with pytest.raises(InsoleError, match="no part of a store"):
        restore(other, link)
    tried(lambda n, d: [(n, b"other" if n.endswith("a.stl") else d)], "made.zip")
    assert not (other.case("heron").made / "heron-v1").exists()  # it is made anew from its plan
    assert other.case("heron").case.plan(1) == home.case("heron").case.plan(1)


def test_the_desk_sends_a_backup_and_takes_it_in(desk, larch, tmp_path):
    answer = desk.client.get("/api/backup")
    assert answer.headers["content-disposition"].startswith('attachment; filename="solewright-')
    with zipfile.ZipFile(io.BytesIO(answer.content)) as packed:
        assert f"cases/{larch}/desk.json" in packed.namelist()
    assert not list((desk.home / "incoming").glob("*.zip"))
    before = (desk.home / "cases" / larch / "desk.json").read_bytes()
    found = desk.done(desk.ask("POST", "/api/backup", content=answer.content))
    assert larch in found["kept"]
    assert (desk.home / "cases" / larch / "desk.json").read_bytes() == before
    job = desk.wait(desk.ask("POST", "/api/backup", content=b"no zip").json())
    assert (job["state"], "no backup" in job["words"]) == ("failed", True)


def test_many_riders_are_found_by_name_and_not_all_drawn(tmp_path):
    from starlette.testclient import TestClient

    from insole.desk.app import create

    home = Home(tmp_path / "home")
    for k in range(130):
        home.create(f"rider-{k:03}")
    home.case("rider-007").save(Draft(scans={"left": ScanUse(sha256="0" * 64, file="a.ply")}))
    app = create(home.folder, with_sample=False)
    client = TestClient(app, base_url="http://127.0.0.1")  # not entered: no worker is started
    page = client.get("/").text
    assert page.count("<tr data-name") == 100
    assert page.index('data-name="rider-007"') < page.index('data-name="rider-129"')
    assert "100 of 130 riders" in page
    page = client.get("/", params={"find": "R-00"}).text
    assert page.count("<tr data-name") == 10
    assert "10 of 130 riders" in page
    assert "No rider of that name" in client.get("/", params={"find": "nobody"}).text


def test_a_plate_that_fits_no_printer_is_no_choice_where_a_sheet_holds_its_parts(tmp_path):
    def found(file: str, room: str) -> tuple[str, str, str, str, queue.Piece]:
        piece = queue.Piece(
            case="a", version="1", folder="a-v1", file=file, name="plate left base", done=False
        )
        return ("either", "base-pp", "base-pp", room, piece)

    plate, sheet = found("print/left-base-pp-a-v1.3mf", "print"), found("cut/x.dxf", "cut")
    assert queue._without_large(tmp_path, [plate, sheet]) == [plate, sheet]  # no manifest
    record = {"larger": {"print/left-base-pp-a-v1.3mf": [290.0, 112.0, 227.0]}}
    (tmp_path / "manifest.json").write_text(json.dumps(record), encoding="utf-8")
    assert queue._without_large(tmp_path, [plate, sheet]) == [sheet]
    (alone,) = queue._without_large(tmp_path, [plate])
    assert alone[-1].name == "plate left base, wants a bed of 290 x 112 mm"
    for strange in ({"larger": {"print/left-base-pp-a-v1.3mf": "wide"}}, {"larger": 3}, []):
        (tmp_path / "manifest.json").write_text(json.dumps(strange), encoding="utf-8")
        assert queue._without_large(tmp_path, [plate, sheet]) == [plate, sheet]


def test_a_backup_takes_every_bed_scan_and_old_shoe_and_brings_them_back(tmp_path):
    home = _full(Home(tmp_path / "home"))
    names = ["bed.off", "bed.3mf", "cut out, wide.toml", "a.toml.old", "a.toml.old-2", "bed.xyz"]
    for name in names:
        (home.shoes / name).write_bytes(b"x")
    (home.shoes / "read me.md").write_bytes(b"no part of a store")
    back_up(home, tmp_path / "all.zip")
    other = Home(tmp_path / "other")
    restore(other, tmp_path / "all.zip")
    assert {p.name for p in other.shoes.iterdir()} == {
        p.name for p in home.shoes.iterdir() if p.name != "read me.md"
    }


def test_one_damaged_case_of_a_backup_holds_no_other_back(tmp_path):
    home = _full(Home(tmp_path / "home"))
    home.create("adder")
    (home.cases_folder / "adder" / "desk.json").write_text("{", encoding="utf-8")
    back_up(home, tmp_path / "all.zip")
    other = Home(tmp_path / "other")
    with pytest.raises(InsoleError, match="all but 1 of the backup was taken in; not these: adder"):
        restore(other, tmp_path / "all.zip")
    assert not (other.cases_folder / "adder").exists()
    assert _tree(other.cases_folder / "heron") == _tree(home.cases_folder / "heron")
    assert _tree(other.shoes) == _tree(home.shoes)


def test_what_is_not_ticked_any_more_is_off_the_next_time_on_both_pages():
    shop = Workshop(layers=True, step=True).made({"layers": True, "dxf": "R12"})
    assert (shop.layers, shop.step) == (True, False)
    assert shop.making() == {"dxf": "R12", "layers": True, "step": False}
    assert shop.made({}).making() == {"layers": False, "step": False}
    old = Workshop(layers=False, how={"layers": True})  # as it was kept before
    assert old.making()["layers"] is False


def test_a_damaged_workshop_file_is_mended_on_its_page(desk):
    path = desk.home / "workshop.json"
    kept = path.read_bytes() if path.exists() else None
    try:
        path.write_text("{", encoding="utf-8")
        page = desk.client.get("/workshop")
        assert page.status_code == 200
        assert "set the workshop" in page.text
        sizes = {"bed": [250, 210], "sheet": [600, 400], "kerf": 0.1, "layers": True}
        assert desk.ask("PUT", "/api/workshop", sizes).status_code == 200
        assert Home(desk.home).workshop().bed == (250.0, 210.0)
        assert "set the workshop" not in desk.client.get("/workshop").text
    finally:
        path.unlink() if kept is None else path.write_bytes(kept)
