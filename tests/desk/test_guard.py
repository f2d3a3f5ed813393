"""Who may ask the desk, and how much: host, origin, token, sizes, headers."""

from __future__ import annotations

import pytest

from insole.desk.app import create
from insole.desk.guard import COOKIE, Rules
from tests.desk.conftest import TestClient

ORIGIN = "http://127.0.0.1"


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1", 200),
        ("127.0.0.1:8714", 200),
        ("localhost", 200),
        ("[::1]:8714", 200),
        ("rebound.example", 400),
        ("127.0.0.1.example", 400),
        ("", 400),
    ],
)
def test_only_its_own_names_are_answered(desk, host, status):
    assert desk.client.get("/", headers={"host": host}).status_code == status


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": ORIGIN}, 201),
        ({}, 403),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://127.0.0.1:9"}, 403),
        ({"origin": ORIGIN, "sec-fetch-site": "cross-site"}, 403),
    ],
)
def test_a_change_wants_the_pages_own_origin(desk, headers, status):
    name = f"origin-{abs(hash(str(headers))) % 10**8}"
    answer = desk.client.post("/api/cases", json={"name": name}, headers=headers)
    assert answer.status_code == status
    assert (desk.home / "cases" / name).exists() == (status == 201)


def test_another_site_may_not_even_read(desk):
    assert desk.client.get("/", headers={"origin": "http://evil.example"}).status_code == 403
    assert desk.client.get("/", headers={"sec-fetch-site": "cross-site"}).status_code == 403


def test_every_answer_carries_the_headers(desk):
    for path in ("/", "/static/desk.css", "/api/jobs/none", "/nothing"):
        headers = desk.client.get(path).headers
        assert "script-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-frame-options"] == "DENY"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "access-control-allow-origin" not in headers


def test_pages_hold_no_inline_script_or_style(desk, larch):
    import re

    for step in ("questions", "scans", "landmarks", "shoe", "support", "parts", "trial"):
        page = desk.client.get(f"/case/{larch}/{step}").text
        inline = re.findall(r"<script(?![^>]*(?:src=|application/json))", page)
        assert not inline
        assert " style=" not in page
        assert " onclick=" not in page


def test_beyond_this_machine_the_token_is_asked_for(tmp_path):
    rules = Rules(hosts=("127.0.0.1", "bench.local"), token="a-token-of-sixteen-letters")
    with TestClient(
        create(tmp_path, rules, with_sample=False), base_url=ORIGIN, follow_redirects=False
    ) as client:
        assert client.get("/").status_code == 401
        assert client.get("/static/desk.css").status_code == 401
        assert client.get("/?token=wrong").status_code == 401
        assert client.get("/case/x/scans?token=a-token-of-sixteen-letters").status_code == 401
        answer = client.get("/?token=a-token-of-sixteen-letters")
        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        assert "HttpOnly; SameSite=Strict" in answer.headers["set-cookie"]
        assert client.cookies[COOKIE] == rules.token
        assert client.get("/", headers={"host": "bench.local"}).status_code in (200, 401)
        assert client.get("/").status_code == 200


def test_a_body_is_cut_off_while_it_streams(tmp_path):
    rules = Rules(scan_bytes=1_000_000, small_bytes=1_000)
    sent = 0

    def endless():
        nonlocal sent
        for _ in range(64):
            sent += 100_000
            yield b"x" * 100_000

    app = create(tmp_path, rules, with_sample=False)
    with TestClient(app, base_url=ORIGIN) as client:
        client.post("/api/cases", json={"name": "a"}, headers={"origin": ORIGIN})
        answer = client.post(
            "/api/cases/a/scans?name=a.ply", content=endless(), headers={"origin": ORIGIN}
        )
        assert answer.status_code == 413
        assert not list((tmp_path / "incoming").glob("*"))
        assert not list((tmp_path / "cases" / "a").rglob("*.ply"))
        told = client.post(
            "/api/cases", content=b"{}", headers={"origin": ORIGIN, "content-length": "2000"}
        )
        assert told.status_code == 413
        odd = client.post(
            "/api/cases", content=b"{}", headers={"origin": ORIGIN, "content-length": "two"}
        )
        assert (odd.status_code, odd.text) == (400, "the request's length is no number")
        long = client.post("/api/cases", json={"name": "b" * 2000}, headers={"origin": ORIGIN})
        assert long.status_code == 413
