"""The store: an index that can be thrown away, saves that a kill cannot halve, hostile archives."""

from __future__ import annotations

import io
import json
import os
import random
import signal
import stat
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

pytest.importorskip("pydantic")

from insole.desk.archive import arriving, take_in
from insole.desk.store import DeskCase, Draft, Home, ScanUse
from insole.errors import InsoleError
from insole.trials import cases
from tests.plans import sample_plan

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def home(tmp_path):
    return Home(tmp_path / "home")


def _with_scan(home, name="heron"):
    import hashlib

    case = home.create(name)
    data = b"ply\nsomething\n"
    path = home.new_upload()
    path.write_bytes(data)
    sha = hashlib.sha256(data).hexdigest()
    case.keep_scan(path, sha, "left foot.ply")
    case.save(Draft(scans={"left": ScanUse(sha256=sha, file="left foot.ply")}, shoe="a.toml"))
    return case


def test_the_index_follows_the_folders_and_survives_its_loss(home):
    case = _with_scan(home)
    assert [(r.name, r.feet, r.shoe, r.versions) for r in home.rows()] == [
        ("heron", "left", "a.toml", 0)
    ]
    cases.keep(home.cases_folder, sample_plan(case="heron"))  # as the command line does
    assert home.rows()[0].versions == 1
    home.index.path.write_bytes(b"this is no database, but it is longer than a header" * 40)
    assert home.rows()[0].versions == 1
    home.index.path.unlink()
    assert home.rows()[0].versions == 1
    home.erase("heron", "heron")
    assert home.rows() == []
    assert not case.folder.exists()


def test_a_list_reads_only_what_changed(home, monkeypatch):
    """How long 10 000 cases take is shown by tests/benchmarks/store_study.py."""
    for number in range(30):
        home.create(f"r{number:02}")
    assert len(home.rows()) == 30  # fills the index
    read = []
    row = DeskCase.row
    monkeypatch.setattr(DeskCase, "row", lambda case: read.append(case.name) or row(case))
    assert len(home.rows()) == 30
    assert read == []
    home.case("r07").save(Draft(shoe="a.toml"))
    assert next(r.shoe for r in home.rows() if r.name == "r07") == "a.toml"
    assert read == ["r07"]


@pytest.mark.long
def test_a_killed_save_leaves_the_draft_whole(home):
    _with_scan(home)
    code = (
        "import sys; from pathlib import Path; from insole.desk.store import Home\n"
        "case = Home(Path(sys.argv[1])).case('heron'); draft = case.draft()\n"
        "print('ready', flush=True); k = 0\n"
        "while True:\n"
        "    k += 1; draft.wishes = {'left': {'turn': float(k)}}; case.save(draft)\n"
        "    print(k, flush=True)\n"
    )
    dice, last = random.Random(4), 0
    for _ in range(12):
        run = subprocess.Popen(
            [sys.executable, "-c", code, str(home.folder)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert run.stdout is not None
        assert run.stdout.readline() == "ready\n"
        time.sleep(dice.uniform(0.0, 0.05))
        run.send_signal(signal.SIGKILL)
        said = run.stdout.read().split()
        run.wait()
        run.stdout.close()
        last = int(said[-1]) if said else 0
        draft = home.case("heron").draft()
        assert list(draft.scans) == ["left"]
        if last:  # what was acknowledged is there; one more may be
            assert draft.wishes["left"]["turn"] in (last, last + 1)
    home.sweep()
    assert not list(home.cases_folder.rglob("*.partial"))


def test_two_processes_keep_plans_of_one_case_and_lose_none(home):
    _with_scan(home)
    code = (
        "import sys; from pathlib import Path; from insole.desk.store import Home\n"
        "from insole.errors import InsoleError; from tests.plans import sample_plan\n"
        "home = Home(Path(sys.argv[1])); case = home.case('heron'); kept = 0\n"
        "while kept < 25:\n"
        "    plan = sample_plan(case='heron').model_copy(\n"
        "        update={'version': case.next_version(), 'date': sys.argv[2]})\n"
        "    try:\n"
        "        case.case.add_plan(plan)\n"
        "    except InsoleError:\n"
        "        continue\n"
        "    kept += 1; home.rows()\n"
    )
    runs = [
        subprocess.Popen([sys.executable, "-c", code, str(home.folder), who], cwd=ROOT)
        for who in ("one", "two")
    ]
    assert [run.wait() for run in runs] == [0, 0]
    case = home.case("heron")
    assert case.case.versions() == list(range(1, 51))
    dates = [case.case.plan(version).date for version in case.case.versions()]
    assert (dates.count("one"), dates.count("two")) == (25, 25)
    assert home.rows()[0].versions == 50


def test_an_archive_brings_the_whole_case_back(home, tmp_path):
    case = _with_scan(home)
    case.case.add_plan(sample_plan(case="heron"))
    (case.made / "heron-v1").mkdir(parents=True)
    (case.made / "heron-v1" / "manifest.json").write_text("{}", encoding="utf-8")
    path = case.case.export(tmp_path / "heron.zip")
    other = Home(tmp_path / "other")
    back = take_in(other, path)
    assert back.draft() == case.draft()
    assert back.case.plan(1) == case.case.plan(1)
    assert back.scan_path(back.draft().scans["left"]).read_bytes() == b"ply\nsomething\n"
    assert not back.made.exists()  # parts are made from their plan, never taken from elsewhere
    with pytest.raises(InsoleError, match="there is a case heron already"):
        take_in(other, path)


RECORD = json.dumps({"schema_version": 1, "case": "heron", "opened": ""})


def _archive(tmp_path, entries, link=None):
    path = tmp_path / "bad.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in entries:
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            if name == link:
                entry.external_attr = (stat.S_IFLNK | 0o777) << 16
            packed.writestr(entry, data)
    return path


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        ([], "holds no case"),
        ([("../heron/case.json", RECORD)], "holds no case"),
        ([("heron/case.json", RECORD), ("heron/../../evil", "x")], "no part of a case"),
        ([("heron/case.json", RECORD), ("heron/plans/../../x.json", "x")], "no part of a case"),
        ([("heron/case.json", RECORD), ("/etc/passwd", "x")], "no part of a case"),
        ([("heron/case.json", RECORD), ("other/case.json", RECORD)], "no part of a case"),
        ([("heron/case.json", RECORD), ("heron/run.sh", "x")], "no part of a case"),
        ([("heron/case.json", RECORD), (f"heron/scans/{'0' * 64}/a.ply", "x")], "was changed"),
        ([("heron/case.json", RECORD), (f"heron/scans/{'0' * 64}/a.exe", "x")], "no scan"),
        ([("heron/case.json", RECORD), ("heron/desk.json", "{")], "is damaged"),
        ([("heron/case.json", RECORD), ("heron/plans/plan-001.json", "{}")], "plan"),
        ([("heron/case.json", RECORD.replace("heron", "stork"))], "another name"),
        ([("heron/case.json", RECORD), ("heron/desk.json", "0" * 9_000_000)], "packed tighter"),
    ],
)
def test_a_hostile_archive_leaves_nothing(home, tmp_path, entries, words):
    with pytest.raises(InsoleError, match=words):
        take_in(home, _archive(tmp_path, entries))
    assert list(home.cases_folder.iterdir()) == []
    assert not (tmp_path / "evil").exists()


def test_a_link_or_no_archive_at_all_is_refused(home, tmp_path):
    entries = [("heron/case.json", RECORD), ("heron/desk.json", "/etc/passwd")]
    with pytest.raises(InsoleError, match="no part of a case"):
        take_in(home, _archive(tmp_path, entries, link="heron/desk.json"))
    path = tmp_path / "text.zip"
    path.write_bytes(io.BytesIO(b"not a zip").getvalue())
    with pytest.raises(InsoleError, match="no archive of a case"):
        take_in(home, path)
    assert list(home.cases_folder.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps rights elsewhere")
def test_scans_are_for_the_owners_eyes(home):
    assert stat.S_IMODE(home.folder.stat().st_mode) == 0o700


def test_a_second_desk_does_not_sweep_what_is_arriving_at_the_first(home):
    """Swept from under it, an archive became half a case; left by a killed run it goes."""
    with arriving(home, "wren") as making:
        making.mkdir()
        (making / "case.json").write_text("{}", encoding="utf-8")
        Home(home.folder).sweep()
        assert (making / "case.json").is_file()
        marker = making.with_name(f"{making.name}.partial")
        assert marker.is_file()
    assert (home.cases_folder / "wren" / "case.json").is_file()
    assert not marker.exists()
    killed = home.cases_folder / ".teal.arriving.1"
    killed.mkdir()
    killed.with_name(f"{killed.name}.partial").touch()
    home.sweep()
    assert not list(home.cases_folder.glob(".*"))
