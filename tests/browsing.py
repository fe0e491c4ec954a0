"""Chromium for the tests of the pages, and what a person does in it."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from patience import PATIENCE_S

if TYPE_CHECKING:
    from playwright.sync_api import Page

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
NEEDED = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium is installed (Debian: apt-get install chromium)"),
]
OPTIONS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PHONE = {"width": 390, "height": 844}


def until(page: Page, holds: Callable[[], object]) -> None:
    """Until it does. Raises AssertionError with what stands on the page after a long time."""
    ends = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < ends, page.inner_text("body")
        page.wait_for_timeout(30)
