"""Walks through the page, as people take them."""

import io
import re
from collections.abc import Callable

import pypdf
import pytest
from playwright.sync_api import Browser, Page, expect

from page_ward import Ward, launched_ward

People = Callable[..., Page]
PHONE = {"width": 360, "height": 740}
PANEL = {"width": 400, "height": 800}
NARROWEST = {"width": 320, "height": 640}  # WCAG 2.2, 1.4.10: nothing to scroll sideways for


def open_sheet(page: Page, bed: str = "Heron 4") -> None:
    page.get_by_role("link", name=bed, exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text(bed)


def test_read(people: People) -> None:
    page = people()
    first = page.locator(".lines li").first
    expect(first).to_contain_text("waits for an answer")
    open_sheet(page)
    for heading in ("Why", "What would change this advice", "Your answer", "The course", "The argument, step by step"):
        expect(page.get_by_role("heading", name=heading, exact=True)).to_be_visible()
    drawing = page.get_by_role("img", name="Levels, doses and energy over time")
    expect(drawing).to_be_visible()
    page.get_by_text("The drawing as tables").click()
    expect(page.get_by_role("table", name="Levels", exact=True)).to_be_visible()


def test_filters_by_ward_and_by_who_must_act(people: People) -> None:
    page = people()
    page.get_by_label("Ward", exact=True).select_option(label="Plover Ward")
    expect(page.get_by_role("status")).to_contain_text("by your choice")
    for place in page.locator(".lines .place").all_text_contents():
        assert "Plover" in place
    page.get_by_label("Who must act").select_option(label="Prescriber")
    expect(page).to_have_url(re.compile("who=prescriber"))
    lines = page.locator(".lines li .stand")
    expect(lines).to_have_count(1)
    expect(lines.first).to_contain_text("prescriber")
    page.get_by_label("Who must act").select_option(label="Laboratory")
    expect(page.get_by_role("status")).to_contain_text("0 of")


def test_agree(people: People, ward: Ward) -> None:
    page = people()
    open_sheet(page)
    expect(page.get_by_text("Nothing has been ordered.", exact=True)).to_be_visible()
    page.get_by_role("button", name="Agree").click()
    expect(page.get_by_role("status")).to_contain_text("Your answer was written")
    expect(page.get_by_role("status")).to_contain_text("Nothing has been ordered by this answer. Order in")
    page.get_by_role("link", name="The list").click()
    taken = page.locator("section", has=page.get_by_role("heading", name="With a person"))
    expect(taken).to_contain_text("agreed by Ada Quill")
    assert ward.tasks("Patient/mossop")[-1]["status"] == "accepted"


def test_decline_asks_for_a_reason(people: People, ward: Ward) -> None:
    page = people()
    open_sheet(page)
    page.get_by_role("button", name="Decline").click()
    assert page.get_by_label("Because").evaluate("field => field.validity.valueMissing")
    assert ward.tasks("Patient/mossop")[-1]["status"] == "requested"
    page.get_by_label("Because").select_option(label="another energy goal has been agreed")
    page.get_by_label("In your words").fill("Goal set to 1500 on the round.")
    page.get_by_role("button", name="Decline").click()
    expect(page.locator(".said")).to_contain_text("Goal set to 1500 on the round")
    assert ward.tasks("Patient/mossop")[-1]["status"] == "rejected"


def test_remind(people: People, ward: Ward) -> None:
    page = people()
    open_sheet(page)
    page.get_by_label("In", exact=True).select_option(label="2 h")
    page.get_by_role("button", name="Remind me").click()
    expect(page.locator(".kind")).to_contain_text("put off until 27 Mar 08:30")
    assert ward.tasks("Patient/mossop")[-1]["status"] == "received"


def test_done_after_agreeing(people: People, ward: Ward) -> None:
    page = people()
    open_sheet(page)
    page.get_by_role("button", name="Agree").click()
    page.get_by_role("button", name="Done").click()
    expect(page.locator(".kind")).to_contain_text("done by Ada Quill")
    assert ward.tasks("Patient/mossop")[-1]["status"] == "completed"


def test_conflict(people: People, ward: Ward) -> None:
    people.watch.allowed = ("409",)  # type: ignore[attr-defined] # the browser notes the status of the answer
    ada, otto = people("Ada Quill"), people("Otto Bell")
    open_sheet(ada)
    open_sheet(otto)
    ada.get_by_role("button", name="Agree").click()
    expect(ada.get_by_role("status")).to_contain_text("Your answer was written")
    otto.get_by_role("button", name="Agree").click()
    expect(otto.get_by_role("alert").first).to_contain_text("Somebody was faster")
    expect(otto.locator(".said")).to_contain_text("Ada Quill")
    assert len(ward.tasks("Patient/mossop")[-1]["note"]) == 2


def test_live(people: People) -> None:
    """What one answers, the other's page shows without being loaded again; an open sheet says that it is old."""
    ada, otto, eve = people("Ada Quill"), people("Otto Bell"), people("Eve Marsh")
    open_sheet(otto)
    open_sheet(eve)
    ada.evaluate("window.neverLoadedAgain = true")
    otto.get_by_role("button", name="Agree").click()
    expect(ada.locator("#lines")).to_contain_text("agreed by Otto Bell", timeout=15_000)
    assert ada.evaluate("window.neverLoadedAgain")
    expect(eve.locator("#news")).to_contain_text("not the newest any more", timeout=15_000)


def test_service_gone(people: People, ward: Ward) -> None:
    people.watch.allowed = ("ERR_", "Failed to load")  # type: ignore[attr-defined]
    page = people()
    expect(page.locator("#heard")).to_contain_text("Service heard")
    expect(page.locator("#stale")).to_be_hidden()
    ward.stop()
    expect(page.locator("#stale")).to_be_visible(timeout=30_000)
    expect(page.locator("#stale")).to_contain_text("Nothing was heard from the service since 27 Mar 06:30")
    expect(page.locator(".lines").first).to_be_visible()  # what was known stays in sight


def test_server_gone(people: People, ward: Ward) -> None:
    people.watch.allowed = ("502",)  # type: ignore[attr-defined]
    page = people()
    open_sheet(page)
    ward.server_is_gone = True
    page.get_by_role("button", name="Agree").click()
    expect(page.get_by_role("alert").first).to_contain_text("Nothing was written", timeout=20_000)
    assert ward.tasks("Patient/mossop")[-1]["status"] == "requested"


def test_night_board(people: People) -> None:
    page = people()
    page.get_by_role("link", name="Stuck draws").click()
    stages = page.locator(".way > li")
    assert [text.partition("(")[0].strip() for text in stages.locator("h2").all_text_contents()] == [
        "Not ordered",
        "Ordered, not collected",
        "Collected, no result",
        "Resulted but unusable",
    ]
    one = page.locator(".way .plain li").first
    expect(one).to_contain_text("Tell:")
    one.get_by_role("link").click()
    expect(page.get_by_role("heading", name="The course")).to_be_visible()


@pytest.mark.parametrize("size", [PHONE, PANEL, NARROWEST], ids=["phone", "side panel", "narrowest"])
def test_narrow(people: People, size: dict[str, int]) -> None:
    page = people(role="administer", viewport=size)
    for name in ("The list", "Stuck draws", "Handover", "The service"):
        go_to(page, name)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], name
    go_to(page, "The list")
    open_sheet(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.get_by_role("button", name="Agree").click()
    expect(page.get_by_role("status")).to_contain_text("Your answer was written")


def test_keyboard_only(people: People, ward: Ward) -> None:
    page = people()
    page.reload()
    page.keyboard.press("Tab")
    assert focused(page) == "To the content"
    page.keyboard.press("Enter")
    tab_to(page, "Heron 4")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Your answer").wait_for()
    tab_to(page, "Agree")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"  # one sees where one is
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Your answer was written")
    assert ward.tasks("Patient/mossop")[-1]["status"] == "accepted"


def go_to(page: Page, name: str) -> None:
    """What is asked of a page right after a click may still be asked of the page before."""
    with page.expect_navigation():
        page.get_by_role("link", name=name).click()


def focused(page: Page) -> str:
    return str(page.evaluate("document.activeElement.textContent.trim()"))


def tab_to(page: Page, text: str) -> None:
    for _ in range(60):
        page.keyboard.press("Tab")
        if focused(page) == text:
            return
    pytest.fail(f"{text} cannot be reached with the keyboard")


def test_without_scripts_everything_but_liveness_works(people: People, ward: Ward) -> None:
    page = people(java_script_enabled=False)
    expect(page.get_by_text("This page does not renew itself")).to_be_visible()
    page.get_by_label("Ward", exact=True).select_option(label="Heron Ward")
    page.get_by_role("button", name="Show").click()
    open_sheet(page)
    page.get_by_role("button", name="Agree").click()
    expect(page.get_by_role("status")).to_contain_text("Your answer was written")
    assert ward.tasks("Patient/mossop")[-1]["status"] == "accepted"


def test_print(people: People) -> None:
    page = people()
    page.get_by_role("link", name="Handover").click()
    page.get_by_label("Ward", exact=True).select_option(label="Heron Ward")
    expect(page.get_by_role("heading", name="Heron Ward")).to_be_visible()
    paper = page.pdf(format="A4", landscape=True)
    assert paper.startswith(b"%PDF-")
    page.emulate_media(media="print")
    for gone in ("nav", ".account", ".choose"):
        expect(page.locator(gone).first).to_be_hidden()
    row = page.locator(".hand tbody tr", has_text="Heron 4")
    expect(row).to_contain_text("27 Mar 17:00")
    for name in page.locator(".hand tbody .who").all():
        expect(name).to_be_visible()  # a bed alone is no way to know a patient by
    expect(row.locator(".who")).to_contain_text("Everard Mossop, born 1961-05-17")
    expect(page.locator("footer")).to_contain_text("Nothing has been ordered")


@pytest.mark.parametrize("of", ["The list", "Stuck draws"])
def test_printed_lists_name_their_patients(people: People, of: str) -> None:
    page = people()
    page.get_by_role("link", name=of).click()
    page.emulate_media(media="print")
    names = page.locator("main .who").all()
    assert names
    for name in names:
        if name.evaluate("element => !element.closest('details:not([open])')"):
            expect(name).to_be_visible()


def test_a_printed_sheet_says_whose_it_is(people: People) -> None:
    page = people()
    open_sheet(page)
    page.emulate_media(media="print")
    expect(page.locator("main .who")).to_be_visible()
    expect(page.locator("main .who")).to_contain_text("born 1961-05-17")


def test_the_handover_is_there_as_pdf(people: People) -> None:
    page = people()
    page.get_by_role("link", name="Handover").click()
    page.get_by_label("Ward", exact=True).select_option(label="Heron Ward")
    expect(page.get_by_role("heading", name="Heron Ward")).to_be_visible()
    link = page.get_by_role("link", name="As PDF")
    answer = page.request.get(f"{page.url.partition('/page')[0]}{link.get_attribute('href')}")
    assert answer.headers["content-type"] == "application/pdf"
    text = "".join(sheet.extract_text() for sheet in pypdf.PdfReader(io.BytesIO(answer.body())).pages)
    assert "Everard Mossop" in text
    assert "Plover Ward" not in text


def test_launch(browser: Browser) -> None:
    with launched_ward(("refractory-phosphate", "plain-course")) as (ward, launcher):
        page = browser.new_page()
        page.goto(f"{ward.address}/page")
        page.get_by_role("link", name="Sign in with the record").click()
        page.get_by_role("heading", name="Who waits").wait_for()
        page.goto(f"{ward.address}/page/launch?iss={launcher.base}&launch={launcher.launch('mossop')}")
        expect(page.get_by_role("heading", level=1)).to_contain_text("Heron 4")
        page.get_by_role("button", name="Agree").click()
        expect(page.locator(".said")).to_contain_text("Ada Quill")
        page.get_by_role("button", name="Sign out").click()
        page.get_by_role("link", name="Sign in with the record").wait_for()
        page.close()
