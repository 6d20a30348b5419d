"""The screens in a real browser, at the width of a desk and of a phone, for every browser test."""

import os
import re
import socket
import subprocess
import sys
import time
import urllib.request

import pytest

from ui import words

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
]  # fmt: skip
START_S = 60.0
WIDTHS = (1280, 390)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture(scope="module")
def address(root, tmp_path_factory):
    """Start the screens as the command line does; ends the process that was started."""
    port = _free_port()
    env = os.environ | {"XDG_CONFIG_HOME": str(tmp_path_factory.mktemp("config")),
                        "PYTHONPATH": str(root)}  # fmt: skip
    command = [sys.executable, "-m", "eo_risk", "ui", "--no-browser", "--port", str(port)]
    server = subprocess.Popen(command, cwd=root, env=env)
    url = f"http://127.0.0.1:{port}"
    try:
        end = time.monotonic() + START_S
        while time.monotonic() < end:
            try:
                with urllib.request.urlopen(f"{url}/_stcore/health", timeout=2) as answer:
                    if answer.read() == b"ok":
                        break
            except OSError:
                time.sleep(0.3)
        else:
            pytest.fail("the screens did not start")
        yield url
    finally:
        server.terminate()
        server.wait(20)


@pytest.fixture(scope="module")
def browser(chromium):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as session:
        opened = session.chromium.launch(executable_path=chromium, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture(params=WIDTHS)
def page(request, browser, address):
    """A page of one width; a request to anywhere but the server fails the test."""
    found = browser.new_page(viewport={"width": request.param, "height": 900})
    asked = []
    found.on("request", lambda r: asked.append(r.url))
    found.set_default_timeout(60_000)
    found.goto(address)
    found.get_by_role("heading", name=words.LOAD, exact=True).wait_for()
    yield found
    found.close()
    outside = [url for url in asked if not re.match(rf"(data:|blob:|wss?:|{address})", url)]
    assert outside == []


@pytest.fixture
def go():
    """Go to a page by its name in the menu."""
    return _go


def _go(page, name):
    """Go to a page by the menu, which a narrow screen hides behind a button."""
    narrow = page.viewport_size["width"] < 700
    if narrow:
        page.get_by_test_id("stExpandSidebarButton").click()
    page.get_by_role("link", name=name, exact=True).click()
    page.get_by_role("heading", name=name, exact=True).wait_for()
    if narrow and page.get_by_test_id("stSidebar").get_attribute("data-collapsed") == "false":
        page.get_by_test_id("stSidebarCollapseButton").click()
        page.get_by_test_id("stExpandSidebarButton").wait_for()
