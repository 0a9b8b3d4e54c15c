"""A real browser, driven by Playwright: `pip install "lampwalk[browser]"`, and Chromium on this machine."""

from __future__ import annotations

import os
import shutil
import threading
import time

import pytest

from lampwalk.review import Server, Session

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
"""The browser: from the environment, else the system's own."""

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip

PATIENCE_S = 60.0
"""Seconds after which a wait counts as failed: a slow machine is no fault."""


@pytest.fixture(scope="session")
def browser():
    """One browser for all tests, with an empty profile."""
    driver = pytest.importorskip(
        "playwright.sync_api",
        reason='BROWSER TESTS SKIPPED: install the extra, pip install "lampwalk[browser]"',
    )
    if not CHROMIUM:
        pytest.skip("BROWSER TESTS SKIPPED: no chromium found; install it, or set CHROMIUM to its path")
    with driver.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def run(small_run, tmp_path_factory):
    """A copy of the merged small scene, at the same depth, so that it finds its frames."""
    folder = tmp_path_factory.mktemp("runs") / "run"
    shutil.copytree(small_run.folder, folder)
    return folder


class Page:
    """The review page in the browser; waits for what it shows."""

    def __init__(self, page, address):
        self.page = page
        self.trouble, self.asked = [], []
        page.on("console", lambda m: self.trouble.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda e: self.trouble.append(str(e)))
        page.on("request", lambda r: self.asked.append(r.url))
        page.goto(address)
        self.until("document.body.dataset.shown !== undefined")

    def until(self, expression):
        """Wait until an expression of JavaScript is true."""
        end = time.monotonic() + PATIENCE_S
        while not self.page.evaluate(expression):
            assert time.monotonic() < end, f"never came true: {expression}"
            self.page.wait_for_timeout(40)

    def get(self, expression):
        """Evaluate an expression; `app` is the page's own object."""
        return self.page.evaluate(expression.replace("app.", "globalThis.lampwalkReview."))

    def ready(self):
        """Wait until all frames are prepared and everything is shown."""
        self.until("globalThis.lampwalkReview.state.settled")
        self.idle()

    def idle(self):
        """Wait until nothing is under way."""
        self.page.wait_for_timeout(60)
        self.until("globalThis.lampwalkReview.link.underway === 0")
        self.page.evaluate("globalThis.lampwalkReview.drawn")

    def saved(self):
        """Wait until everything is on the disk."""
        self.idle()
        self.until("globalThis.lampwalkReview.state.saved")

    def at(self, x, y):
        """Place on the screen of a pixel of the result."""
        box = self.page.locator("#picture").bounding_box()
        vx, vy, scale, ratio = self.get("(v => [v.x, v.y, v.scale, v.ratio])(app.viewer)")
        return box["x"] + (vx + x * scale) / ratio, box["y"] + (vy + y * scale) / ratio

    def drag(self, *points):
        """Press at the first point (pixels of the result), move, release at the last."""
        mouse = self.page.mouse
        mouse.move(*self.at(*points[0]))
        mouse.down()
        for point in points[1:]:
            mouse.move(*self.at(*point), steps=6)
        mouse.up()
        self.idle()

    def brightness(self):
        """Mean of what the canvas shows."""
        self.page.wait_for_timeout(100)  # it is drawn with the screen's next picture
        return self.page.evaluate(
            """() => { const c = document.getElementById("picture");
            const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
            let s = 0; for (let i = 0; i < d.length; i += 4) s += d[i] + d[i + 1] + d[i + 2];
            return s / d.length; }"""
        )


@pytest.fixture
def open_run_page(browser):
    """Opens pages of run folders; in the end none may have complained, or asked elsewhere."""
    servers, contexts, pages = {}, [], []

    def open_page(folder, **given):
        if folder not in servers:
            server = Server(Session(folder))
            thread = threading.Thread(target=server.serve)
            thread.start()
            servers[folder] = (server, thread)
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 800}, **given})
        contexts.append(context)
        page = Page(context.new_page(), servers[folder][0].address)
        pages.append((page, servers[folder][0].address))
        return page

    yield open_page
    for context in contexts:
        context.close()
    for server, thread in servers.values():
        server.stop()
        thread.join(60)
    for page, address in pages:
        assert page.trouble == []
        assert [url for url in page.asked if not url.startswith((address, "blob:", "data:"))] == []


@pytest.fixture
def opened(open_run_page, run):
    """Opens the page of the small scene's run."""
    return lambda **given: open_run_page(run, **given)
