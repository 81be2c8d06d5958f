"""A real browser for the pages: headless Chromium, with all that it asks for and says on its console."""

from __future__ import annotations

import base64
import io
import json
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from tests.support.volumes import need_tools, unavailable

_ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)
_WAIT_S = 20.0
_SERIOUS = ("serious", "critical")


def axe_source() -> str:
    """Return axe-core's script; skip, or in CI fail, where it is not installed."""
    home = Path(os.environ.get("NIGHTFERRY_AXE", Path(tempfile.gettempdir()) / "nightferry-axe"))
    script = home / "node_modules" / "axe-core" / "axe.min.js"
    if not script.is_file():
        unavailable(f"needs axe-core: npm install --prefix {home} axe-core")
    return script.read_text(encoding="utf-8")


@contextmanager
def chromium(profile: Path) -> Iterator[Browser]:
    """Start a browser with an empty profile; skip, or in CI fail, where there is none."""
    need_tools("chromium", "chromedriver")
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for argument in (*_ARGUMENTS, f"--user-data-dir={profile}"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options, webdriver.ChromeService("/usr/bin/chromedriver"))
    try:
        yield Browser(driver)
    finally:
        driver.quit()


class Browser:
    """A browser with one window."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver
        self.size(1280, 900)

    def size(self, width: int, height: int) -> None:
        """Make the window so large."""
        wanted = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", wanted)

    def open(self, page: Path) -> None:
        """Open a page from the disk, in the day view."""
        self.driver.get(page.as_uri())
        self.driver.execute_script("localStorage.clear()")
        self.driver.get(page.as_uri())

    def script(self, text: str, *arguments: Any) -> Any:
        """Return what a script gives."""
        return self.driver.execute_script(text, *arguments)

    def one(self, selector: str) -> WebElement:
        """Return the first element of a selector."""
        return self.driver.find_element(By.CSS_SELECTOR, selector)

    def all(self, selector: str) -> list[WebElement]:
        """Return the elements of a selector that are to be seen."""
        return [one for one in self.driver.find_elements(By.CSS_SELECTOR, selector) if one.is_displayed()]

    def texts(self, selector: str) -> list[str]:
        """Return the texts of the elements that are to be seen."""
        return [one.text for one in self.all(selector)]

    def press(self, *keys: str) -> None:
        """Press keys one after another, wherever the focus is."""
        for key in keys:
            ActionChains(self.driver).send_keys(key).perform()

    def focus_by_tab(self, selector: str, key: str, most: int = 200) -> None:
        """Go to an element with the keyboard alone."""
        for _ in range(most):
            if self.script("return document.activeElement.matches(arguments[0])", selector):
                return
            self.press(key)
        raise AssertionError(f"the keyboard does not reach {selector}")

    def until(self, holds: Callable[[], bool]) -> None:
        """Wait until something holds: a script or a picture is loaded by and by."""
        ends = time.monotonic() + _WAIT_S
        while not holds():
            assert time.monotonic() < ends, "it never came"
            time.sleep(0.02)

    def picture(self) -> NDArray[np.uint8]:
        """Return what is to be seen in the window, height × width × 3."""
        return _decoded(self.driver.get_screenshot_as_png())

    def drawn_until(self, holds: Callable[[], bool]) -> list[NDArray[np.uint8]]:
        """Return every picture that the window showed from now until something held, and the one after."""
        self.driver.execute_cdp_cmd("Page.startScreencast", {"format": "png", "everyNthFrame": 1})
        drawn: list[NDArray[np.uint8]] = []

        def is_over() -> bool:
            did_hold, before = holds(), len(drawn)
            for params in self._events("Page.screencastFrame"):
                self.driver.execute_cdp_cmd("Page.screencastFrameAck", {"sessionId": params["sessionId"]})
                drawn.append(_decoded(base64.b64decode(params["data"])))
            return did_hold and len(drawn) > before

        try:
            self.until(is_over)
        finally:
            self.driver.execute_cdp_cmd("Page.stopScreencast", {})
        return drawn

    @contextmanager
    def that_keeps_nothing(self) -> Iterator[None]:
        """Have pages find no storage, as in browsers that give a file on a disk none of its own."""
        text = "Object.defineProperty(window, 'localStorage', { get() { throw new Error('none'); } })"
        script = self.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": text})
        try:
            yield
        finally:
            self.driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", script)

    def console(self) -> list[str]:
        """Return what was said on the console since the last call."""
        return [str(entry["message"]) for entry in self.driver.get_log("browser")]

    def asked_for(self) -> set[str]:
        """Return the addresses of all that pages have asked for since the last call."""
        return {str(one["request"]["url"]) for one in self._events("Network.requestWillBeSent")}

    def _events(self, method: str) -> list[dict[str, Any]]:
        """Return what has happened of one kind since the last call; the rest of it is forgotten."""
        events = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        return [one["params"] for one in events if one["method"] == method]

    def violations(self, axe: str) -> list[str]:
        """Return what axe-core finds that is serious or worse."""
        self.driver.execute_script(axe)
        found = self.driver.execute_async_script("axe.run().then(arguments[arguments.length - 1])")
        return [
            f"{one['id']}: {node['html'][:120]} {node['failureSummary']}"
            for one in found["violations"]
            if one["impact"] in _SERIOUS
            for node in one["nodes"][:3]
        ]


def _decoded(png: bytes) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))
