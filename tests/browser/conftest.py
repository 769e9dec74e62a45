"""The page in a real browser. Skipped where no Chromium is installed, unless ANDANTE_TEST_REQUIRE_SERVERS is set, as in
continuous integration: then a missing browser fails."""

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from chromium import installed, opened
from playwright.sync_api import Browser, BrowserContext, Page

from page_ward import Ward, ward_of

STORIES = ("refractory-phosphate", "plain-course", "severe-fall", "weekend-nobody", "prescriber-jump")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if installed() is None:
        reason = "no Chromium is installed: apt-get install chromium, or name one with ANDANTE_TEST_CHROMIUM"
        if os.environ.get("ANDANTE_TEST_REQUIRE_SERVERS"):
            pytest.fail(f"ANDANTE_TEST_REQUIRE_SERVERS is set, but {reason}")
        pytest.skip(reason)
    with opened() as browser:
        yield browser


@pytest.fixture
def ward(browser: Browser) -> Iterator[Ward]:
    """Five patients on the morning of day 4; the browser first, so that nothing is started in vain."""
    with ward_of(STORIES) as ward:
        yield ward


@dataclass
class Watch:
    """What a browser complained of, and where it asked for anything: a page must do neither."""

    address: str
    complaints: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    allowed: tuple[str, ...] = ()

    def over(self, context: BrowserContext) -> BrowserContext:
        context.on("request", lambda request: self.asked.append(request.url))
        context.on("console", self._heard)
        context.on("weberror", lambda error: self.complaints.append(str(error.error)))
        return context

    def _heard(self, message: Any) -> None:
        if message.type in ("error", "warning") and not any(part in message.text for part in self.allowed):
            self.complaints.append(message.text)

    def check(self) -> None:
        assert self.complaints == []
        assert [url for url in self.asked if not url.startswith((self.address, "data:"))] == []


@pytest.fixture
def people(ward: Ward, browser: Browser) -> Iterator[Callable[..., Page]]:
    """`people("Ada Quill")` is a browser of hers, signed in, on the list."""
    watch, contexts = Watch(ward.address), []

    def sign_in(name: str = "Ada Quill", *, role: str = "decide", **options: Any) -> Page:
        context = watch.over(browser.new_context(**options))
        contexts.append(context)
        page = context.new_page()
        page.goto(f"{ward.address}/page")
        page.get_by_label("Your name").fill(name)
        page.get_by_label("What you may do").select_option(role)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_role("heading", name="Who waits, and for what").wait_for()
        return page

    sign_in.watch = watch  # type: ignore[attr-defined]
    yield sign_in
    for context in contexts:
        context.close()
    watch.check()
