"""A second process does half of the work: the same results, the same refusals, never a half."""

import filecmp
import os
import signal
import threading

import pytest

from footscan.cores import ALONE
from footscan.errors import LandmarkError, ScanQualityError
from insole import partner as partners
from insole.errors import OutputError, PartError
from insole.output.settings import Settings
from insole.partner import Partner
from insole.workflow import making
from tests.plans import sample_plan

REPORT = ("sole", 3)


def squared(number):
    """Return the square, and the process that found it."""
    return number**2, os.getpid()


def refused(kind):
    """Raise an error of a kind."""
    if kind is PartError:
        raise PartError("left-base", "the left-base is not closed")
    if kind is LandmarkError:
        raise LandmarkError("mth1", "mth1 lies off the foot").asking("landmark")
    if kind is ScanQualityError:
        raise ScanQualityError("the sole is missing", REPORT)
    if kind is OSError:
        raise OSError(28, "No space left on device", "plan.json")
    raise kind("it does not read back")


def ended(marker):
    """End the process that is asked first; any other one answers."""
    if os.getpid() != marker:
        os.kill(os.getpid(), signal.SIGKILL)
    return "done here"


def mapped(_):
    """Return what does not travel to another process."""
    return threading.Lock()


@pytest.fixture(scope="module")
def lasting():
    """Give a second process, however many cores there are."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv(ALONE)
        patch.setattr(partners, "_cores", lambda: 2)
        found = Partner()
    with found:
        assert found.there
        yield found


@pytest.fixture
def second(monkeypatch):
    """Give one that may be ended."""
    monkeypatch.delenv(ALONE)
    monkeypatch.setattr(partners, "_cores", lambda: 2)
    with Partner() as found:
        yield found


def test_answers_come_in_the_order_of_asking_from_the_other_process(lasting):
    """Three questions, three answers, none of them found here."""
    asked = [lasting.ask(squared, number) for number in (2, 5, 3)]
    answers = [one.result() for one in asked]
    assert [number for number, _ in answers] == [4, 25, 9]
    assert {process for _, process in answers}.isdisjoint({os.getpid()})


@pytest.mark.parametrize("kind", [PartError, LandmarkError, ScanQualityError, OutputError, OSError])
def test_an_error_keeps_its_kind_sentence_and_what_it_carries(lasting, kind):
    """As if it had been raised here; the process goes on."""
    with pytest.raises(kind) as here:
        refused(kind)
    with pytest.raises(kind) as there:
        lasting.ask(refused, kind).result()
    assert type(there.value) is kind
    assert str(there.value) == str(here.value)
    assert vars(there.value) == vars(here.value)
    assert getattr(there.value, "errno", None) == getattr(here.value, "errno", None)
    assert lasting.ask(squared, 3).result()[0] == 9


def test_what_a_process_left_undone_is_done_here(second):
    """Its end costs time and no result; what is asked later is done here as well."""
    assert second.ask(ended, os.getpid()).result() == "done here"
    assert second.ask(squared, 4).result() == (16, os.getpid())


def test_what_does_not_travel_is_done_here(lasting):
    """Neither a function made in place nor an answer that cannot be sent is lost."""
    assert lasting.ask(lambda: os.getpid()).result() == os.getpid()
    assert lasting.ask(mapped, 1).result().acquire(blocking=False)


@pytest.mark.parametrize("why", ["not wanted", "by the environment", "one core"])
def test_without_a_second_process_all_is_done_here_when_it_is_asked_for(monkeypatch, why):
    """One core, the environment, or nobody who wants it."""
    monkeypatch.setattr(partners, "_cores", lambda: 1 if why == "one core" else 2)
    if why != "by the environment":
        monkeypatch.delenv(ALONE)
    with Partner(wanted=why != "not wanted") as alone:
        assert not alone.there
        assert alone.ask(squared, 3).result() == (9, os.getpid())


def test_a_closed_partner_leaves_no_process(second):
    """What was asked of it before is done here."""
    process = second._process
    second.close()
    assert process.poll() is not None
    assert second.ask(squared, 2).result() == (4, os.getpid())


def test_two_processes_make_the_same_folder_as_one(lasting, tmp_path):
    """Byte for byte, with the same sentences in the same order."""
    plan, said = sample_plan().model_copy(update={"answers": {}}), ([], [])
    settings = Settings(bed=(120.0, 120.0))  # something to say of each foot
    for name, helper, words in (("one", None, said[0]), ("two", lasting, said[1])):
        (tmp_path / name).mkdir()
        making.make(plan, tmp_path / name, settings=settings, partner=helper, say=words.append)
    assert said[0]
    assert said[0] == said[1]
    names = sorted(
        str(path.relative_to(tmp_path / "one"))
        for path in (tmp_path / "one").rglob("*")
        if path.is_file()
    )
    assert len(names) > 20
    _, differing, missing = filecmp.cmpfiles(
        tmp_path / "one", tmp_path / "two", names, shallow=False
    )
    assert not differing
    assert not missing


def test_a_fault_in_the_partner_s_half_leaves_no_folder(second, tmp_path):
    """A paper that cannot be written ends all of it, with what the partner said."""
    plan = sample_plan().model_copy(update={"answers": {}, "left": None})
    settings = Settings(papers=("no paper of ours",))
    with pytest.raises(ValueError, match="no paper of ours"):
        making.make(plan, tmp_path / "out", settings=settings, partner=second)
    assert not (tmp_path / "out").exists()
    assert not second.there


def test_nothing_is_imported_from_the_folder_one_stands_in(monkeypatch, tmp_path):
    """Scans and plans come from anywhere, and so may a file called as a library is."""
    (tmp_path / "numpy.py").write_text("raise SystemExit(7)\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(ALONE)
    monkeypatch.setattr(partners, "_cores", lambda: 2)
    with Partner(("numpy",)) as partner:
        assert partner.there
        square, process = partner.ask(squared, 3).result()
    assert square == 9
    assert process != os.getpid()
