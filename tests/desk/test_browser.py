"""The desk in a real browser: three journeys, the keyboard, both themes, nothing from elsewhere."""

from __future__ import annotations

import io
import os
import time
import zipfile
from pathlib import Path

import pytest

from tests.desk.conftest import SAMPLES
from tests.desk.page import WAIT, By, Page

Keys = pytest.importorskip("selenium.webdriver.common.keys").Keys
ActionChains = pytest.importorskip("selenium.webdriver.common.action_chains").ActionChains

STEPS = ("questions", "scans", "landmarks", "shoe", "support", "parts", "trial")
ROOMS = ("/check", "/outlines", "/scanners", "/bench", "/workshop")


@pytest.fixture(scope="module")
def page(browser, served):
    return Page(browser, *served)


@pytest.fixture(scope="module")
def fitted(page):
    """A case with two scans and a shoe, brought there by clicks alone."""
    page.open_case("heron-12")
    page.click("#all-no")
    page.until(lambda: "All asked" in page.one("#standing").text, "the answers")
    page.go("/case/heron-12/scans")
    page.drop("larch_left.ply", "larch_right.ply")
    for side in ("left", "right"):
        page.until(lambda s=side: "Fit for making" in page.one(f".foot[data-side={s}]").text, side)
    page.go("/case/heron-12/shoe")
    page.click(".shoe[data-file='shoe.toml'] input")
    page.until(lambda: page.draft("heron-12")["shoe"] == "shoe.toml", "the shoe")
    return "heron-12"


@pytest.fixture(scope="module")
def checked(page):
    """A scanner with three checks, the second of which did not pass."""
    from datetime import date, timedelta

    from footscan.checking.log_file import append
    from tests.footscan.test_artefact_log import entry

    log, today = page.home / "scanner-log.csv", date.today()
    append(log, entry(1.0, today - timedelta(days=40), "north room"))
    append(log, entry(1.004, today - timedelta(days=20), "north room", not_passed="A stand."))
    append(log, entry(1.001, today, "north room"))
    return "north room"


def test_a_technician_sends_a_bad_scan_back(page):
    page.open_case("bad-scan")
    page.go("/case/bad-scan/scans")
    page.drop("larch_right_to_send_back.ply")
    foot = ".foot[data-side=right]"
    page.until(lambda: page.all(f"{foot} .verdict"), "the verdict")
    assert page.one(f"{foot} .verdict").text == "Scan again"
    assert "No scan of the left foot yet" in page.one(".foot[data-side=left]").text
    numbers = [pin.text for pin in page.all(f"{foot} .findings .pin.stop")]
    assert numbers
    assert page.one(f"{foot} .findings .hint").text  # what to do about it
    page.until(lambda: page.all(f"{foot} .solid[data-ready]"), "the foot in three dimensions")
    if page.one(f"{foot} .solid").get_attribute("data-ready") == "yes":
        page.until(lambda: page.all(f"{foot} .solid .pin"), "the pins")
        pinned = {pin.text for pin in page.all(f"{foot} .solid .pin:not(.about)")}
        assert pinned & set(numbers)  # at their own place, not only in a region
        raw = page.until(lambda: page.one(f"{foot} .solid.raw[data-ready] .caption"), "the scan")
        assert "4 % was taken away" in raw.text  # its strays
    page.go("/case/bad-scan/support")
    page.until(lambda: "must be taken again" in page.one(".refusal").text, "the refusal")


def test_a_fitter_goes_from_scans_to_a_plan_a_trial_and_its_step(page, fitted):
    page.go(f"/case/{fitted}/support")
    for side in ("left", "right"):
        page.until(lambda s=side: page.planned(s) >= 1, "the first plan")
    # by keys: 1 mm to the right of the page is medial on the left foot
    page.one("[data-side=left] .map").send_keys(Keys.ARROW_RIGHT)
    page.until(lambda: page.wish(fitted, "left").get("shift") == [0.0, 1.0], "the moved pad")
    page.one("[data-side=right] .map").send_keys(Keys.ARROW_RIGHT)
    page.until(lambda: page.wish(fitted, "right").get("shift") == [0.0, -1.0], "the moved pad")
    text = page.one("[data-side=right] .placed")
    page.until(lambda: "1.0 mm to the little-toe side" in text.text, "the words")
    # by drag: up the page is to the toes
    pad = page.one("[data-side=left] .pad path")
    page.run("arguments[0].scrollIntoView({block: 'center'})", pad)
    ActionChains(page.driver).move_to_element(pad).click_and_hold().move_by_offset(
        0, -12
    ).release().perform()
    forward = page.until(lambda: page.wish(fitted, "left")["shift"][0] > 1, "the dragged pad")
    assert forward
    assert page.wish(fitted, "left")["shift"][1] == pytest.approx(1.0, abs=0.6)
    page.click("#undo")
    page.until(lambda: page.wish(fitted, "left")["shift"] == [0.0, 1.0], "undo")
    page.run(
        "const s = document.querySelector('#level-right'); s.value = 85;"
        "s.dispatchEvent(new Event('input', {bubbles: true}))"
    )
    page.until(lambda: page.wish(fitted, "right").get("support_level") == 0.85, "the level")
    page.run(
        "const s = document.querySelector('#forefoot-right'); s.value = 2;"
        "s.dispatchEvent(new Event('change', {bubbles: true}))"
    )
    words = page.one("[data-side=right] .wedgewords")
    page.until(lambda: "1° varus, thick on the big-toe side" in words.text, "the wedge in words")
    edge = page.one("[data-side=right] .fill-edge").rect
    base = page.one("[data-side=right] .line-base").rect
    assert edge["x"] + edge["width"] / 2 < base["x"] + base["width"] / 2  # big toe: left of a right
    page.driver.refresh()  # nothing is lost
    for side in ("left", "right"):
        page.until(lambda s=side: page.planned(s) >= 1, "the plan again")
    assert page.one("#level-right").get_attribute("value") == "85"
    spots = page.run(
        "return await (await fetch(arguments[0])).json()", f"/api/cases/{fitted}/feet/left"
    )["landmarks"]
    apex = next(float(m["along"]) for m in spots if m["name"] == "arch_apex")
    cut = page.one("#cut-left")
    places = []
    for at in ("heel_centre", "arch_apex", "ball"):
        page.click(f"[data-side=left] [data-at={at}]")
        places.append(float(cut.get_attribute("value")))
    assert places == sorted(places)
    assert places[2] - places[0] > 100
    assert places[1] == pytest.approx(apex, abs=15)
    page.click("#keep")
    page.until(lambda: "Kept as version 1" in page.one("#jobs").text, "the kept plan")
    paper = page.until(lambda: page.all("#jobs a.button"), "the plan's page")[0]
    assert (paper.text, paper.get_attribute("target")) == ("Print the plan", "_blank")
    assert paper.get_attribute("href").endswith(f"/{fitted}/plans/1/page")
    page.go(f"/case/{fitted}/trial")
    assert page.one("#date").get_attribute("value")  # today's
    page.run("document.querySelector('#date').value = '2026-05-02'")
    page.click("#trial button[type=submit]")
    assert "better, same or worse" in page.one("#answer").text  # what is missing, beside the button
    first = "document.querySelector('[data-flag][value=%s]').click()"
    page.run(first % "yes")
    page.click("#none")
    assert len(page.all("[data-flag][value=no]:checked")) == 5  # a yes stays one
    assert len(page.all("[data-flag][value=yes]:checked")) == 1
    page.run(first % "no")
    assert len(page.all("[data-flag][value=no]:checked")) == 6
    page.run("document.querySelector('[name=felt][value=\"too high\"]').click()")
    page.run("document.querySelector('[name=side][value=right]').click()")
    page.run("document.querySelector('[name=answer][value=same]').click()")
    page.click("#trial button[type=submit]")
    page.until(lambda: "One step" in page.one("#answer").text, "the step")
    page.until(lambda: "right foot: same" in page.one("#log").text, "the list of trials")
    page.until(lambda: "1 logged" in page.one(".rail [data-step=trial]").text, "the step's word")
    assert "85 %" in page.one(".old-new").text
    page.click("#take-step")
    page.until(lambda: page.driver.current_url.endswith("/support?step=1"), "the support page")
    taken = page.one("#taken").text
    assert "Step of trial 1 taken, not kept yet: right: support one step down" in taken
    assert page.wish(fitted, "right")["support_level"] < 0.85
    assert page.wish(fitted, "left")["shift"] == [0.0, 1.0]


@pytest.mark.long
def test_a_maker_reads_the_thick_edges_and_takes_the_archive(page, fitted):
    page.go(f"/case/{fitted}/parts")
    assert "the shim is 1° varus, thick on the big-toe side" in page.one(".edges").text
    assert not page.one("#make").is_enabled()
    page.click("#edges")
    page.click("#make")
    link = page.until(lambda: page.all("a[href$='/archive']"), "the archive", 2 * WAIT)[0]
    data = page.run(
        "const done = await fetch(arguments[0]);"
        "const b = new Uint8Array(await done.arrayBuffer());"
        "let s = ''; for (const v of b) s += String.fromCharCode(v); return btoa(s);",
        link.get_attribute("href"),
    )
    import base64

    folder = page.home / "cases" / fitted / "made" / f"{fitted}-v1"
    with zipfile.ZipFile(io.BytesIO(base64.b64decode(data))) as packed:
        for name in packed.namelist():
            assert packed.read(name) == (folder.parent / name).read_bytes()
        assert len(packed.namelist()) == sum(p.is_file() for p in folder.rglob("*"))
    assert page.one(".pictures img").get_attribute("alt").startswith("Where the parts lie")
    page.go("/bench")
    group = "[data-group='print wedge-tpu']"
    assert page.one(f"{group} .left").text == "1 to do"
    row = page.one("[data-left='heron-12-v1']")
    before = int(row.text)
    page.click(f"{group} input")
    page.until(lambda: page.one(f"{group} .left").text == "nothing to do", "the tick")
    assert int(row.text) == before - 1
    page.driver.refresh()
    assert page.one(f"{group} input").is_selected()


def test_a_stop_answer_shows_on_every_step(page):
    page.open_case("halt-1")
    page.run("document.querySelector('[data-id=wound] [value=yes]').click()")
    page.until(lambda: "No parts can be made" in page.one("#standing").text, "the stop")
    assert page.one("#clinician").is_displayed()
    page.click("#all-no")
    page.until(lambda: len(page.all(".ask input[value=no]:checked")) > 5, "the rest")
    assert page.one("[data-id=wound] [value=yes]").is_selected()  # a yes stays one
    page.driver.refresh()
    assert page.one("[data-id=wound] [value=yes]").is_selected()
    for step in STEPS[1:]:
        page.go(f"/case/halt-1/{step}")
        assert "answered yes to wound" in page.one("#stopnote").text


@pytest.mark.long
def test_nothing_is_fetched_from_elsewhere_and_no_page_complains(page, fitted):
    page.driver.get_log("browser")
    for path in ("/", *ROOMS, *(f"/case/{fitted}/{step}" for step in STEPS)):
        page.go(path)
        time.sleep(1)
        names = page.run("return performance.getEntriesByType('resource').map((r) => r.name)")
        assert names
        assert [n for n in names if not n.startswith((page.address, "data:", "blob:"))] == []
        assert page.one(".cautions summary").is_displayed()
        assert "foot pain calls for clinical advice" in page.one(".cautions").text
    bad = [e for e in page.driver.get_log("browser") if e["level"] == "SEVERE"]
    assert bad == []


@pytest.mark.long
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_an_accessibility_checker_finds_nothing_serious(page, fitted, checked, theme):
    script = Path(os.environ.get("SOLEWRIGHT_AXE", "nowhere"))
    if not script.is_file():
        package = pytest.importorskip("axe_core_python", reason="no accessibility checker is here")
        script = Path(package.__file__).with_name("axe.min.js")
    checker = script.read_text(encoding="utf-8")
    page.go("/")
    page.run("localStorage.setItem('theme', arguments[0])", theme)
    found = []
    for path in ("/", *ROOMS, "/case/nobody", *(f"/case/{fitted}/{step}" for step in STEPS)):
        page.go(path)
        if path.endswith("support"):
            page.until(lambda: page.planned("left") and page.planned("right"), "the plans")
        elif path.endswith(("scans", "landmarks", "shoe")):
            time.sleep(3)
        page.run(checker)
        result = page.driver.execute_async_script(
            "const done = arguments[arguments.length - 1]; axe.run(document, {runOnly: "
            "['wcag2a', 'wcag2aa', 'wcag21aa', 'wcag22aa', 'best-practice']}).then(done)"
        )
        found += [
            (path, v["id"], v["impact"], v["nodes"][0]["html"][:120])
            for v in result["violations"]
            if v["impact"] in ("serious", "critical")
        ]
    assert found == []


def test_a_landmark_is_moved_by_drag_by_keys_and_in_plan(page, fitted):
    page.go(f"/case/{fitted}/landmarks")
    foot = ".foot[data-side=left]"
    ready = page.until(lambda: page.one(f"{foot} .solid").get_attribute("data-ready"), "the foot")
    if ready != "yes":
        pytest.skip("this browser draws no three-dimensional pictures")
    apex = f"{foot} .in3d button.pin[aria-label^='Arch apex']"
    page.until(lambda: page.all(apex), "the marks")
    hand = lambda: page.draft(fitted)["scans"]["left"]["landmarks"]  # noqa: E731
    sent = lambda: int(page.one(foot).get_attribute("data-sent") or 0)  # noqa: E731
    read = lambda: float(page.one(f"{foot} .where").text.partition(" ")[0])  # noqa: E731
    found = read()
    page.run("arguments[0].scrollIntoView({block: 'center'})", page.one(apex))
    ActionChains(page.driver).move_to_element(page.one(apex)).click_and_hold().move_by_offset(
        0, -14
    ).perform()  # on the sole the toes are up
    following = read()
    assert following > found + 3
    assert hand() == {}  # it still moves
    ActionChains(page.driver).release().perform()
    page.until(lambda: list(hand()) == ["arch_apex"], "the landmark by hand")
    page.until(lambda: sent() == 1, "the foot measured anew")
    assert read() == pytest.approx(following, abs=1.0)
    assert "Arch apex height" in page.one(f"{foot} .changed").text.replace("arch", "Arch")
    page.one(apex).send_keys(Keys.ARROW_DOWN, Keys.ARROW_DOWN, Keys.ENTER)
    page.until(lambda: sent() == 2, "the landmark moved by keys")
    assert read() == pytest.approx(following - 2, abs=1.0)
    page.click(f"{foot} .felt")
    page.until(lambda: page.draft(fitted)["scans"]["left"]["felt"] == ["arch_apex"], "the tick")
    page.click(f"{foot} .how input[value=plan]")
    head = f"{foot} .inplan button.pin[aria-label^='1st metatarsal head']"
    page.until(lambda: page.all(head), "the marks in plan")
    before = next(
        m["page"]
        for m in page.run(
            "return await (await fetch(arguments[0])).json()", f"/api/cases/{fitted}/feet/left"
        )["landmarks"]
        if m["name"] == "mth1"
    )
    page.one(head).send_keys(Keys.SHIFT, Keys.ARROW_LEFT, Keys.ENTER)
    page.until(lambda: "mth1" in hand(), "the head moved in plan")
    after = next(
        m
        for m in page.run(
            "return await (await fetch(arguments[0])).json()", f"/api/cases/{fitted}/feet/left"
        )["landmarks"]
        if m["name"] == "mth1"
    )
    assert after["page"][0] == pytest.approx(before[0] - 5, abs=0.7)  # left is lateral on a left
    assert after["page"][1] == pytest.approx(before[1], abs=0.7)
    assert page.draft(fitted)["scans"]["right"]["landmarks"] == {}
    page.until(lambda: page.one(f"{foot} [data-all]").is_enabled(), "the way back")
    page.click(f"{foot} [data-all]")
    page.until(lambda: hand() == {}, "automatic again")
    assert page.draft(fitted)["scans"]["left"]["felt"] == []


@pytest.mark.long
def test_the_drift_of_a_scanner_is_drawn_and_what_did_not_pass_is_crossed(page, checked):
    page.go("/scanners")
    page.until(lambda: page.all(".drift .trend"), "the plot")
    dots = [(dot.rect["x"], dot.rect["y"]) for dot in page.all(".drift .dot")]
    (cross,) = page.all(".drift .missed")
    assert len(dots) == 2
    assert dots[0][0] < cross.rect["x"] < dots[1][0]  # in the order of the days
    assert cross.rect["y"] < dots[1][1] < dots[0][1]  # what reads long stands higher
    assert "+0.4" in page.one(".card .scroll").text
    assert page.one("#spacing").is_displayed()
    page.run("document.querySelector('[name=kind][value=ball]').click()")
    assert not page.one("#spacing").is_displayed()
    assert page.one("#ball").is_displayed()
    page.go("/case/bad-scan/scans")  # the fitter may say with which scanner a foot was scanned
    assert checked in page.one("#scanner").text


@pytest.mark.long
def test_many_scans_are_checked_at_once(page):
    page.go("/check")
    page.drop("larch_left.ply", "larch_right_to_send_back.ply", "shoe.toml", "README.md")
    wanted = "1 fit for making, 0 for measuring only, 1 to scan again, 2 that cannot be used."
    page.until(lambda: page.one("#sum").text == wanted, "the sum")
    lines = page.all("#rows tbody tr")
    rows = {line.find_element(By.TAG_NAME, "th").text: line.text for line in lines}
    assert "left" in rows["larch_left.ply"]
    assert "Scan again" in rows["larch_right_to_send_back.ply"]
    assert "is no scan by its name" in rows["shoe.toml"]


@pytest.mark.long
@pytest.mark.parametrize("width", [1024, 1280, 1600])
def test_no_page_is_wider_than_the_window(page, fitted, width):
    page.driver.set_window_size(width, 900)
    try:
        for path in ("/", *ROOMS, *(f"/case/{fitted}/{step}" for step in STEPS)):
            page.go(path)
            if path.endswith("support"):
                page.until(lambda: page.planned("left") and page.planned("right"), "the plans")
            over = page.run("return document.documentElement.scrollWidth - window.innerWidth")
            assert over <= 0, path
    finally:
        page.driver.set_window_size(1280, 1000)


@pytest.mark.long
def test_the_whole_support_page_is_reached_by_the_keyboard(page, fitted):
    page.go(f"/case/{fitted}/support")
    page.until(lambda: page.planned("left") and page.planned("right"), "the plans")
    seen = set()
    for _ in range(140):
        ActionChains(page.driver).send_keys(Keys.TAB).perform()
        where = page.run(
            "const e = document.activeElement; return e.id || e.ariaLabel"
            " || e.textContent.trim().slice(0, 40) || e.tagName"
        )
        outline = page.run(
            "const e = document.activeElement; const s = (q) => getComputedStyle(q);"
            "return s(e).outlineStyle !== 'none' || (e.nextElementSibling &&"
            " s(e.nextElementSibling).outlineStyle !== 'none')"
        )
        assert outline, f"the focus on {where} cannot be seen"
        seen.add(where)
        if where == "against":
            break
    wanted = {
        "theme",
        "keep",
        "level-left",
        "level-right",
        "forefoot-left",
        "under-right",
        "cut-left",
        "Pad 1 mm to the toes",
        "against",
    }
    assert wanted <= seen


def _boxes(page, *found):
    """Return top and bottom of elements in the window, and the window's height without its foot."""
    return page.run(
        "const box = (css) => { const b = document.querySelector(css).getBoundingClientRect();"
        " return [b.top, b.bottom]; };"
        "return [arguments[0].map(box), box('.cautions')[0]]",
        list(found),
    )


def _sized(page, width, height):
    page.driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
    )


def test_map_figures_and_what_to_mind_stand_in_one_view(page, fitted):
    page.go(f"/case/{fitted}/support")
    for side in ("left", "right"):
        page.until(lambda s=side: page.planned(s) >= 1, "the plan")
    left = "[data-side=left]"
    try:
        _sized(page, 1280, 856)
        page.run("scrollTo(0, 0)")
        wanted = (f"{left} .headline", f"{left} .map", "#legend", "#keep")
        boxes, foot = _boxes(page, *wanted)
        assert all(top >= 0 and bottom <= foot + 2 for top, bottom in boxes)
        for _ in range(2):  # 10 mm to the toes
            page.one(f"{left} .map").send_keys(Keys.SHIFT, Keys.ARROW_UP)
        mind = page.until(lambda: page.one(f"{left} .mind").text, "what to mind")
        assert "ahead of the arch apex; within 5 mm behind and 3 mm ahead is usual" in mind
        assert page.one("[data-side=right] .mind").text == ""
        _sized(page, 1024, 769)
        page.one(f"{left} .map").send_keys(Keys.NULL)
        boxes, foot = _boxes(page, f"{left} .headline", f"{left} .map", f"{left} .mind .note")
        page.run("document.querySelector('.bar').scrollIntoView()")
        assert all(top >= 0 and bottom <= foot + 2 for top, bottom in boxes)
    finally:
        page.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    figures = dict(
        zip(
            (e.text for e in page.all(f"{left} .headline small")),
            (e.text for e in page.all(f"{left} .headline b")),
            strict=True,
        )
    )
    assert {"Crest", "Highest", "Remaining gap", "Midfoot load", "Contact"} == set(figures)
    highest = float(figures["Highest"].split(" ")[0])
    last = page.all("#legend .ticks span")[-1].text  # the scale covers what is there
    assert float(last.partition("+")[0]) >= highest >= float(figures["Crest"].split(" ")[0])
    versions = page.driver.execute_script(
        "return document.querySelectorAll('#versions [data-version]').length"
    )
    page.click("#keep")
    page.until(lambda: page.one("#keep").text.startswith("Kept as version"), "the kept plan")
    kept = page.one("#keep").text.rpartition(" ")[2]
    page.until(lambda: page.all(f"#versions [data-version='{kept}']"), "it in the list")
    assert len(page.all("#versions [data-version]")) > versions
    assert f"version {kept}" in page.one(".rail [data-step=support]").text
    assert "quiet" not in page.one("#on").get_attribute("class").split()
    page.click(f"{left} [data-home]")
    page.until(lambda: page.one("#keep").text == "Keep this plan", "work that is not kept")
    page.until(lambda: page.one(f"{left} .mind").text == "", "the pad as planned")


def test_a_length_by_hand_is_stated_of_the_foot_beside_it(page, fitted):
    page.go(f"/case/{fitted}/scans")
    right = ".foot[data-side=right] .byhand"
    page.until(lambda: page.all(f"{right} input"), "the right foot")
    page.one(f"{right} input").send_keys("271")
    page.click(f"{right} button")
    scans = lambda: page.draft(fitted)["scans"]  # noqa: E731
    page.until(lambda: scans()["right"]["foot_length"] == 271.0, "the length")
    assert scans()["left"]["foot_length"] is None


def test_the_same_for_the_other_foot_leaves_it_its_tender_spots(page, fitted):
    """And a kept version that is worked on from gives each foot its own wishes again."""
    own = {
        "left": {"support_level": 0.6, "tender": [[160.0, 10.0]]},
        "right": {"support_level": 0.8, "shift": [2.0, 0.0], "tender": [[180.0, -12.0]]},
    }

    def opened():
        page.go(f"/case/{fitted}/support")
        for side in ("left", "right"):
            page.until(lambda s=side: page.planned(s) >= 1, "the plan")

    page.go(f"/case/{fitted}/support")
    page.run(
        "return (await fetch(arguments[0], {method: 'PUT', headers: {'content-type': "
        "'application/json'}, body: JSON.stringify({wishes: arguments[1]})})).status",
        f"/api/cases/{fitted}/wishes",
        own,
    )
    opened()
    page.click("#keep")
    page.until(lambda: page.one("#keep").text.startswith("Kept as version"), "the kept plan")
    kept = page.one("#keep").text.rpartition(" ")[2]
    page.click("[data-side=left] [data-copy]")
    page.until(lambda: page.wish(fitted, "right").get("support_level") == 0.6, "the copy")
    assert "shift" not in page.wish(fitted, "right")
    for side, wish in own.items():
        assert page.wish(fitted, side)["tender"] == wish["tender"]
    page.click(f"#versions [data-version='{kept}']")
    page.until(lambda: page.one("#take").is_displayed(), "the version that is looked at")
    page.click("#take")
    page.until(lambda: page.wish(fitted, "right").get("support_level") == 0.8, "the version's")
    for side, wish in own.items():
        found = page.wish(fitted, side)
        assert {name: found[name] for name in wish} == wish
    assert "shift" not in page.wish(fitted, "left")


def test_a_foot_is_drawn_whole_where_its_box_goes_below_the_window(page, fitted):
    from PIL import Image

    try:
        _sized(page, 1024, 625)
        page.go(f"/case/{fitted}/landmarks")
        foot = ".foot[data-side=left]"
        page.until(lambda: page.one(f"{foot} .solid").get_attribute("data-ready"), "the foot")
        if page.one(f"{foot} .solid").get_attribute("data-ready") != "yes":
            pytest.skip("this browser draws no three-dimensional pictures")
        toe = f"{foot} .in3d button.pin[aria-label^='Foremost toe'], {foot} .in3d .pin"
        page.until(lambda: page.all(toe), "the marks")
        time.sleep(0.5)
        place = page.run(
            "const pin = [...document.querySelectorAll(arguments[0])].find((p) => p.textContent"
            " === 'T').getBoundingClientRect(), box = document.querySelector(arguments[1])"
            ".getBoundingClientRect(); return [pin.x + pin.width / 2, pin.bottom + 6, box.x + 8,"
            " box.y + 8, box.bottom > innerHeight]",
            f"{foot} .in3d .pin",
            f"{foot} .solid",
        )
        assert place[4]
        seen = Image.open(io.BytesIO(page.driver.get_screenshot_as_png())).convert("RGB")
        skin, bare = (seen.getpixel((int(place[k]), int(place[k + 1]))) for k in (0, 2))
        assert sum(abs(a - b) for a, b in zip(skin, bare, strict=True)) > 60
        assert "Seen from below: big toe on the left" in page.one(f"{foot} .in3d .caption").text
    finally:
        page.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_a_wrong_figure_of_a_shoe_is_marked_and_a_written_one_is_in_view(page, fitted):
    page.go(f"/case/{fitted}/shoe")
    keys = ("inside.length", "inside.ball_width", "bed.drop")
    fields = [page.one(f"[data-key='{key}']") for key in keys]
    for field, value in zip(
        (page.one("#shoe-name"), *fields), "Rook 28.4 100 9".split(), strict=True
    ):
        field.send_keys(value)
    page.click("#new button[type=submit]")
    told = page.until(lambda: page.one("#shoe-wrong").text, "what is wrong")
    assert told.startswith("Inside length is 28.4, but")
    assert "was it typed in cm?" in told
    assert ".toml" not in told
    wrong = [f.get_attribute("data-key") for f in page.all("#new [aria-invalid=true]")]
    assert wrong == ["inside.length"]
    fields[0].clear()
    fields[0].send_keys("284")
    page.click("#new button[type=submit]")
    page.until(lambda: page.draft(fitted)["shoe"] == "rook.toml", "the new shoe")
    page.until(lambda: "Rook is written and chosen" in page.one("main").text, "that it is said")
    page.until(lambda: "fits" in page.one(".shoe[data-file='rook.toml'] .stations").text, "its fit")
    (box,), foot = _boxes(page, ".shoe[data-file='rook.toml'] b")
    assert box[0] >= 0
    assert box[1] <= foot
    page.click(".shoe[data-file='shoe.toml'] input")
    page.until(lambda: page.draft(fitted)["shoe"] == "shoe.toml", "the first shoe again")


@pytest.mark.long
def test_two_scans_of_one_foot_are_asked_about(page, tmp_path):
    page.open_case("both-left")
    page.go("/case/both-left/scans")
    data = (SAMPLES / "larch_left.ply").read_bytes()
    other = tmp_path / "again.ply"
    other.write_bytes(data.replace(b"\nend", b"\ncomment two\nend", 1))
    page.one("#files").send_keys(f"{SAMPLES / 'larch_left.ply'}\n{other}")
    box = page.until(lambda: page.all("#jobs .note.warn"), "the question")[0]
    assert "both show the left foot. Which one is it?" in box.text
    standing = page.draft("both-left")["scans"]["left"]["file"]
    names = {button.text: button for button in box.find_elements(By.CSS_SELECTOR, "button")}
    assert set(names) == {"larch_left.ply", "again.ply"}
    chosen = next(name for name in names if name != standing)
    page.run("arguments[0].click()", names[chosen])
    page.until(lambda: page.draft("both-left")["scans"]["left"]["file"] == chosen, "the other")
    spare = ".foot[data-side=left] .body .row"
    wanted = f"{standing} shows this foot too"
    page.until(lambda: page.one(spare).text.startswith(wanted), "the spare one")
    page.until(lambda: page.one(".rail [data-step=scans]").text.endswith("left"), "the step")


def test_a_photo_that_cannot_be_used_is_named_once(page, tmp_path):
    import numpy as np
    from PIL import Image

    blank = tmp_path / "blank.png"
    Image.fromarray(np.full((900, 900, 3), 120, dtype=np.uint8)).save(blank)
    page.go("/outlines")
    page.one("#files").send_keys(str(blank))
    said = page.until(lambda: page.one("#jobs .past").text, "the refusal")
    assert said.startswith("blank.png: no sheet of paper is seen")
    assert said.count("blank.png") == 1
