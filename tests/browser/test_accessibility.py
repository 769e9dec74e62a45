"""No page breaks a rule of WCAG 2.2, levels A and AA, that a machine can check: axe-core in a real browser.

What a machine cannot check was looked at: see shared/docs/page.md.
"""

from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from page_ward import Ward

TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
DESKTOP, PHONE = {"width": 1280, "height": 900}, {"width": 360, "height": 740}
LOOKS = [
    pytest.param({"color_scheme": scheme, "viewport": size}, id=f"{scheme} {name}")
    for scheme in ("light", "dark")
    for name, size in (("desktop", DESKTOP), ("phone", PHONE))
]


def violations(page: Page) -> list[str]:
    """Rule, and the first place it is broken at."""
    found: dict[str, Any] = Axe().run(page, options={"runOnly": {"type": "tag", "values": list(TAGS)}}).response
    assert found["passes"], "axe looked at nothing"
    return [f"{one['id']}: {one['nodes'][0]['html'][:200]}" for one in found["violations"]]


@pytest.mark.parametrize("look", LOOKS)
def test_axe_finds_nothing_on_any_page(people: Callable[..., Page], ward: Ward, look: dict[str, Any]) -> None:
    people.watch.allowed = ("403", "404", "409", "422")  # type: ignore[attr-defined]
    page = people("Otto Bell", role="administer", **look)
    found = {"the list": violations(page)}
    for name in ("Stuck draws", "Handover", "The service"):
        page.get_by_role("link", name=name).click()
        found[name] = violations(page)
    for patient, token in ward.board().items():
        page.goto(f"{ward.address}/page/p/{token}")
        page.get_by_text("The drawing as tables").click()
        found[patient] = violations(page)
    page.get_by_role("button", name="Agree").click()
    found["taken"] = violations(page)
    page.locator("#reason").evaluate("field => field.required = false")
    page.get_by_role("button", name="Decline").click()
    page.get_by_role("alert").wait_for()
    found["not taken"] = violations(page)
    page.goto(f"{ward.address}/page/p/none")
    found["gone"] = violations(page)
    page.get_by_role("button", name="Sign out").click()
    found["the door"] = violations(page)
    assert {name: wrong for name, wrong in found.items() if wrong} == {}


def test_axe_would_find_something(people: Callable[..., Page]) -> None:
    """The test above can fail: a picture without words is found."""
    people.watch.allowed = ("404",)  # type: ignore[attr-defined]
    page = people()
    page.evaluate("document.querySelector('h1').insertAdjacentHTML('afterend', '<img src=\"/page/none\">')")
    assert any(one.startswith("image-alt") for one in violations(page))
