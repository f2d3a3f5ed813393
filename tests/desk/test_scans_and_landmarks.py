"""Scans and landmarks at the desk: sides, places by hand, what is kept and what is not."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh

from insole.cli import main
from tests.desk.conftest import SAMPLES


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_landmark_placed_on_the_shown_foot_lies_on_the_real_one(desk, larch, side):
    shown = desk.client.get(f"/api/cases/{larch}/feet/{side}").json()
    mark = next(m for m in shown["landmarks"] if m["name"] == "arch_apex")
    wanted = [mark["at"][0] + 6, mark["at"][1], mark["at"][2]]
    path = f"/api/cases/{larch}/feet/{side}/landmarks"
    desk.done(desk.ask("PUT", path, {"name": "arch_apex", "at": wanted}))
    after = desk.client.get(f"/api/cases/{larch}/feet/{side}").json()
    moved = next(m for m in after["landmarks"] if m["name"] == "arch_apex")
    assert moved["by_hand"]
    assert moved["at"][0] == pytest.approx(wanted[0], abs=1.5)
    assert moved["at"][1] == pytest.approx(wanted[1], abs=1.5)
    draft = json.loads((desk.home / "cases" / larch / "desk.json").read_text("utf-8"))
    assert list(draft["scans"][side]["landmarks"]) == ["arch_apex"]
    desk.done(desk.ask("PUT", path, {"name": "arch_apex", "at": None}))
    again = desk.client.get(f"/api/cases/{larch}/feet/{side}").json()
    assert again == shown
    assert desk.ask("PUT", path, {"name": "nowhere", "at": wanted}).status_code == 422


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_landmark_moved_in_plan_goes_where_the_page_says(desk, larch, side):
    path = f"/api/cases/{larch}/feet/{side}"
    marks = lambda: {  # noqa: E731
        m["name"]: m for m in desk.client.get(path).json()["landmarks"]
    }
    before = marks()
    across, up = before["mth1"]["page"]
    assert (across > 0) == (side == "left")  # the big toes lie side by side
    desk.done(desk.ask("PUT", f"{path}/landmarks", {"name": "mth1", "page": [across + 4, up - 6]}))
    after = marks()["mth1"]
    assert after["by_hand"]
    assert not after["felt"]
    assert after["sd"] == before["mth1"]["sd"]  # set by eye: no surer than where it was found
    assert after["page"] == pytest.approx([across + 4, up - 6], abs=0.5)
    assert after["automatic"] == before["mth1"]["at"]
    shown = desk.client.get(path).json()
    assert shown["medial"] == (1 if side == "right" else -1)
    desk.done(desk.ask("PUT", f"{path}/landmarks", {}))
    assert marks() == before
    for bad in ({"name": "mth1", "page": [1]}, {"name": "mth1", "page": "x"}, {"page": [1, 2]}):
        assert desk.ask("PUT", f"{path}/landmarks", bad).status_code == 422


def test_a_landmark_felt_stays_where_it_is_and_loses_its_tick_when_moved(desk, larch):
    path = f"/api/cases/{larch}/feet/left/landmarks"
    kept = lambda: json.loads(  # noqa: E731
        (desk.home / "cases" / larch / "desk.json").read_text("utf-8")
    )["scans"]["left"]
    marks = {m["name"]: m for m in desk.client.get(path[:-10]).json()["landmarks"]}
    desk.done(desk.ask("PUT", path, {"name": "mth5", "felt": True}))
    assert (list(kept()["landmarks"]), kept()["felt"]) == (["mth5"], ["mth5"])
    felt = {m["name"]: m for m in desk.client.get(path[:-10]).json()["landmarks"]}["mth5"]
    assert felt["at"] == pytest.approx(marks["mth5"]["at"], abs=0.05)
    assert (felt["felt"], felt["by_hand"], felt["sd"] < marks["mth5"]["sd"]) == (True, True, True)
    at = [felt["at"][0] - 3, *felt["at"][1:]]
    one = desk.ask("PUT", path, {"name": "mth5", "at": at}).json()  # two at once: none is lost
    two = desk.ask("PUT", path, {"name": "mth1", "at": marks["mth1"]["at"], "felt": True}).json()
    assert [desk.wait(job)["state"] for job in (one, two)] == ["done", "done"]
    assert (sorted(kept()["landmarks"]), kept()["felt"]) == (["mth1", "mth5"], ["mth1"])
    assert desk.ask("PUT", path, {"name": "mth1", "felt": False}).json()["state"] == "done"
    assert (sorted(kept()["landmarks"]), kept()["felt"]) == (["mth1", "mth5"], [])
    desk.done(desk.ask("PUT", path, {}))
    assert kept()["landmarks"] == {}


@pytest.mark.parametrize(("felt", "how"), [(True, ""), (False, ",eye")])
def test_landmarks_by_hand_are_the_command_lines(desk, larch, tmp_path, capsys, felt, how):
    """What the desk keeps is what `--landmark` takes: the same measures come out."""
    path = f"/api/cases/{larch}/feet/right"
    mark = next(m for m in desk.client.get(path).json()["landmarks"] if m["name"] == "arch_apex")
    wanted = [mark["at"][0] - 8, *mark["at"][1:]]
    desk.done(
        desk.ask("PUT", f"{path}/landmarks", {"name": "arch_apex", "at": wanted, "felt": felt})
    )
    draft = json.loads((desk.home / "cases" / larch / "desk.json").read_text("utf-8"))
    xyz = ",".join(str(v) for v in draft["scans"]["right"]["landmarks"]["arch_apex"])
    mine = {m["name"]: m["value"] for m in desk.client.get(path).json()["measures"]}
    desk.done(desk.ask("PUT", f"{path}/landmarks", {}))
    capsys.readouterr()
    assert (
        main(
            [
                "measure",
                str(SAMPLES / "larch_right.ply"),
                "--load",
                "half",
                "--json",
                "--landmark",
                f"arch_apex={xyz}{how}",
                "--quiet",
            ]
        )
        == 0
    )
    told = capsys.readouterr().out
    height = json.loads(told)
    height = height[0] if isinstance(height, list) else height
    theirs = height["measures"]["arch_apex_height"]
    assert mine["arch_apex_height"] == f"{theirs['value']:.1f} ± {theirs['sd']:.1f} mm"


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_scan_as_it_came_lies_where_the_cleaned_foot_lies(desk, larch, side):
    import numpy as np

    def read(data):
        n, m = np.frombuffer(data[:8], "<u4")
        places = np.frombuffer(data[8 : 8 + 12 * n], "<f4").reshape(n, 3)
        gone = np.frombuffer(data[8 + 12 * n : 8 + 16 * n], np.int8).reshape(n, 4)[:, 3] > 0
        faces = np.frombuffer(data[8 + 16 * n :], "<u4").reshape(m, 3)
        return places, gone, faces

    path = f"/api/cases/{larch}/feet/{side}"
    raw, gone, faces = read(desk.client.get(f"{path}/raw").content)
    clean, none, _ = read(desk.client.get(f"{path}/mesh").content)
    assert not none.any()
    assert len(faces) > 1000
    assert np.abs(raw[~gone].max(axis=0) - clean.max(axis=0)).max() < 3
    assert np.abs(raw[~gone].min(axis=0) - clean.min(axis=0)).max() < 3
    a, b, c = (raw[faces[:, k]].astype(float) for k in range(3))
    assert np.einsum("ij,ij->", a, np.cross(b, c)) > 0  # not turned inside out


def test_a_length_by_hand_verifies_the_scale(desk, larch):
    path = f"/api/cases/{larch}/feet/left"
    desk.done(desk.ask("PUT", f"{path}/stated", {"length": 268}))
    assert desk.client.get(path).json()["scale_verified"] is True
    desk.done(desk.ask("PUT", f"{path}/stated", {"length": None}))
    assert desk.client.get(path).json()["scale_verified"] is False
    assert desk.ask("PUT", f"{path}/stated", {"length": 20}).status_code == 422


def test_a_checked_scan_is_not_kept(desk):
    before = set((desk.home / "incoming").glob("*"))
    answer = desk.ask(
        "POST",
        "/api/check/scans",
        params={"name": "r.ply", "load": "half"},
        content=(SAMPLES / "larch_right_to_send_back.ply").read_bytes(),
    )
    (foot,) = desk.done(answer)["feet"]
    assert (foot["side"], foot["verdict"]) == ("right", "scan again")
    assert any("hole" in f["text"] for f in foot["findings"])
    exact = {f["code"]: f["at"] for f in foot["findings"] if f["exact"]}
    assert exact["sole-hole"] == pytest.approx([116, 2, 2.6], abs=4)  # where it was cut out
    assert exact["toes-cut"][0] > 0.93 * 267
    assert "noise" not in exact  # it is all over the sole
    assert "--" not in "".join(f["advice"] for f in foot["findings"])
    assert set((desk.home / "incoming").glob("*")) <= before
    assert not list(desk.home.rglob("r.ply"))


def test_of_a_file_with_both_feet_each_foot_stays_its_own(desk, tmp_path):
    """Also when it is measured anew: after a restart, and when a length by hand is stated."""
    feet = [trimesh.load(SAMPLES / f"larch_{side}.ply") for side in ("left", "right")]
    feet[1].apply_translation([0.0, 150.0 + np.ptp(feet[0].vertices[:, 1]), 0.0])
    both = tmp_path / "both.ply"
    trimesh.util.concatenate(feet).export(both)
    assert desk.ask("POST", "/api/cases", {"name": "bothfeet"}).status_code == 201
    assert sorted(desk.upload("bothfeet", both)["result"]["sides"]) == ["left", "right"]

    def shown() -> dict[str, dict]:
        path = "/api/cases/bothfeet/feet"
        return {side: desk.client.get(f"{path}/{side}").json() for side in ("left", "right")}

    first = shown()
    for side in first:
        assert (first[side]["side"], first[side]["medial"]) == (side, 1 if side == "right" else -1)
    service = desk.client.app.app.state.service
    service._feet.clear()  # as after a restart
    assert shown() == first
    length = float(
        next(m["value"] for m in first["right"]["measures"] if m["name"] == "foot_length").split()[
            0
        ]
    )
    path = "/api/cases/bothfeet/feet/right/stated"
    desk.done(desk.ask("PUT", path, {"length": length}))
    anew = shown()
    assert anew["left"] == first["left"]
    assert anew["right"]["medial"] == 1
    assert anew["right"]["measures"] == first["right"]["measures"]
