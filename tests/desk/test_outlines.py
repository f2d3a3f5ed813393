"""Photographed outlines at the desk: the command line's own files, sides, what is refused."""

from __future__ import annotations

import json

import pytest
from outlines import pixels, saved, sheet

pytest.importorskip("starlette", reason="the desk's packages are not installed: '.[desk]'")

from footscan.scan import Side
from footscan.specimen import drawn
from insole.cli import main

SET = "/api/outlines/00000000000000ab"


@pytest.fixture(scope="module")
def photo(right_specimen, tmp_path_factory):
    """A left foot, drawn and photographed."""
    path = tmp_path_factory.mktemp("photos") / "rook.jpg"
    shot = pixels(sheet(drawn.silhouette(right_specimen), Side.LEFT))
    return saved(path, shot, quality=90)


def _sent(desk, photo, **asked):
    params = {"name": photo.name} | asked
    return desk.ask("POST", f"{SET}/scans", params=params, content=photo.read_bytes())


@pytest.fixture(scope="module")
def traced(desk, photo):
    return desk.done(_sent(desk, photo, load="half", pen="8", side="left", sheet="a4"))


def test_record_and_picture_are_the_command_lines(desk, photo, traced, tmp_path):
    assert (traced["side"], traced["file"]) == ("left", "rook.jpg")
    assert traced["verdict"] == "fit for measuring only"
    length = dict(map(tuple, traced["rows"]))["length"]
    assert length.endswith("mm")
    assert 255 < float(length.partition(" ")[0]) < 280
    options = "--load half --pen 8 --side left --sheet a4 --quiet --out".split()
    assert main(["trace", str(photo), *options, str(tmp_path)]) == 0
    for name in (traced["record"], traced["picture"]):
        sent = desk.client.get(f"{SET}/files/{name}")
        assert sent.content == (tmp_path / name).read_bytes()
        assert sent.headers["content-disposition"].startswith("attachment")


def test_shoes_are_ranked_for_an_outline_and_a_first_trial_is_written(desk, traced):
    found = desk.done(desk.ask("POST", f"{SET}/fit"))
    assert {row["file"] for row in found["ranked"]} >= {"shoe.toml", "shoe_wide.toml"}
    assert [foot["side"] for foot in found["ranked"][0]["feet"]] == ["left"]
    page = desk.client.get(f"{SET}/files/{found['page']}?look=1")
    assert (page.headers["content-type"], page.content[:5]) == ("application/pdf", b"%PDF-")


def test_a_record_of_before_is_read_again_and_a_strange_one_is_not_kept(desk, traced):
    data = desk.client.get(f"{SET}/files/{traced['record']}").content
    other = SET.replace("ab", "cd")
    path, name = f"{other}/records/scans", {"name": "a.outline.json"}
    again = desk.ask("POST", path, params=name, content=data)
    assert again.json()["side"] == "left"
    assert [row[0] for row in again.json()["rows"]] == [row[0] for row in traced["rows"]]
    bad = json.dumps({**json.loads(data), "record": {"kind": "scan", "version": 1}}).encode()
    asked = {"params": {"name": "b.outline.json"}, "content": bad}
    assert desk.ask("POST", path, **asked).status_code == 422
    folder = desk.home / "incoming" / "outlines-00000000000000cd"
    assert [p.name for p in folder.iterdir()] == ["a.outline.json"]


def test_a_photo_taken_again_stands_for_the_one_before(desk, photo, traced):
    """Two left outlines in a pair's set could not be ranked, and nobody could take one out."""
    other = SET.replace("ab", "ef")
    sent = {}
    for name, side in (("first.jpg", "left"), ("again.jpg", "left")):
        params = {"name": name, "side": side, "sheet": "a4", "pen": "8"}
        asked = desk.ask("POST", f"{other}/scans", params=params, content=photo.read_bytes())
        sent[name] = desk.done(asked)
    assert sent["first.jpg"]["replaced"] == []
    assert sent["again.jpg"]["replaced"] == ["first.jpg"]
    folder = desk.home / "incoming" / "outlines-00000000000000ef"
    kept = {path.name for path in folder.iterdir() if path.is_file()}
    assert sent["again.jpg"]["record"] in kept
    assert not kept & {sent["first.jpg"][key] for key in ("record", "picture")}
    found = desk.done(desk.ask("POST", f"{other}/fit"))
    assert [foot["side"] for foot in found["ranked"][0]["feet"]] == ["left"]


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"name": "a.heic"}, "no photo by its name"),
        ({"sheet": "a3"}, "no such paper"),
        ({"pen": "200"}, "the pen's barrel is 0 to 20"),
        ({"of": "insole"}, "say which shoe"),
        ({"ball_girth": "24"}, "ball girth is 130 to 350"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(desk, photo, asked, words):
    answer = _sent(desk, photo, **asked)
    assert answer.status_code == 422
    assert words in answer.json()["error"].lower()


@pytest.mark.parametrize("path", ["files/..%2f..%2fdesk.json", "files/rook.jpg", "files/photo-1"])
def test_only_what_was_made_of_a_photo_is_sent(desk, traced, path):
    assert desk.client.get(f"{SET}/{path}").status_code in (404, 422)
    assert desk.client.get(f"/api/outlines/..%2f..%2fx/{path}").status_code in (404, 422)


def test_a_photo_without_a_sheet_is_refused_in_a_sentence(desk, tmp_path):
    import numpy as np

    blank = saved(tmp_path / "blank.png", np.full((900, 900, 3), 120, dtype=np.uint8))
    job = desk.wait(_sent(desk, blank).json())
    assert job["state"] == "failed"
    assert "blank.png" in job["words"]
    assert "/tmp/" not in job["words"]


def test_the_riders_page_is_to_be_had(desk):
    page = desk.client.get("/api/outlines/page/a4")
    assert (page.status_code, page.content[:5]) == (200, b"%PDF-")
    assert desk.client.get("/api/outlines/page/a3").status_code == 422
    assert "nothing is kept" in desk.client.get("/outlines").text.lower()
