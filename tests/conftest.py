"""Which tests run: slow and browser ones with EO_RISK_FULL=1, timing ones with -m bench."""

import os
import shutil
from pathlib import Path

import pytest

from eo_risk.cli import ONE_THREAD

os.environ.setdefault(*ONE_THREAD)  # before anything imports numpy
ROOT = Path(__file__).resolve().parent.parent
FULL = os.environ.get("EO_RISK_FULL") == "1"


def pytest_collection_modifyitems(config, items):
    chosen = config.getoption("-m") or ""
    for item in items:
        if "bench" in item.keywords and "bench" not in chosen:
            item.add_marker(pytest.mark.skip(reason="timing: run with -m bench"))
        for marker in ("slow", "browser"):
            if marker in item.keywords and not FULL and marker not in chosen:
                item.add_marker(pytest.mark.skip(reason=f"{marker}: run with EO_RISK_FULL=1"))


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of the system's Chromium; its absence fails the full run and skips the others."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name)
        if found:
            return found
    if FULL:
        pytest.fail("no Chromium on this machine; the full run needs one")
    pytest.skip("no Chromium on this machine")


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def demo(root) -> Path:
    """The folder of invented demo plans."""
    return root / "demo"
