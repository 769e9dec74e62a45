"""Where a Chromium of the machine is. Playwright's own download is not used: Debian's package serves."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")


def installed() -> str | None:
    """The path of the first that is there; ANDANTE_TEST_CHROMIUM names another."""
    named = os.environ.get("ANDANTE_TEST_CHROMIUM")
    return named or next((path for name in NAMES if (path := shutil.which(name))), None)


@contextmanager
def opened() -> Iterator[Browser]:
    """Chromium without a window. As root it has no sandbox of its own, and meets pages of ours alone."""
    with sync_playwright() as playwright:
        arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(executable_path=installed(), args=arguments)
        try:
            yield browser
        finally:
            browser.close()
