"""A browser with the desk open in it, for the tests that drive one."""

from __future__ import annotations

import json
import os
import time

import pytest

from tests.desk.conftest import SAMPLES

By = pytest.importorskip("selenium.webdriver.common.by", reason="selenium is not installed").By

WAIT = float(os.environ.get("SOLEWRIGHT_BROWSER_WAIT", "120"))


class Page:
    """A browser with a desk open in it."""

    def __init__(self, driver, address, home):
        self.driver, self.address, self.home = driver, address, home

    def go(self, path):
        self.driver.get(self.address + path)

    def one(self, css):
        return self.driver.find_element(By.CSS_SELECTOR, css)

    def all(self, css):
        return self.driver.find_elements(By.CSS_SELECTOR, css)

    def run(self, script, *args):
        return self.driver.execute_script(script, *args)

    def click(self, css):
        element = self.one(css)
        self.run("arguments[0].scrollIntoView({block: 'center'})", element)
        element.click()

    def until(self, test, what, seconds=WAIT):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                if found := test():
                    return found
            except Exception as error:
                if "stale" not in str(error) and "no such element" not in str(error):
                    raise
            time.sleep(0.05)
        raise AssertionError(
            f"waited {seconds:g} s for {what}; the page says: {self.one('main').text[:500]}"
        )

    def drop(self, *names):
        """Choose files as a drop does."""
        self.one("#files").send_keys("\n".join(str(SAMPLES / name) for name in names))

    def planned(self, side):
        return int(self.one(f".planfoot[data-side={side}]").get_attribute("data-planned") or 0)

    def draft(self, case):
        return json.loads((self.home / "cases" / case / "desk.json").read_text("utf-8"))

    def wish(self, case, side):
        return self.draft(case)["wishes"].get(side, {})

    def open_case(self, name):
        self.go("/")
        self.one("#name").send_keys(name)
        self.click("#new button")
        self.until(lambda: self.driver.current_url.endswith(f"/case/{name}/questions"), "the case")
        self.until(lambda: self.run("return document.readyState") == "complete", "its scripts")
