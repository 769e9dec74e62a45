"""Takes the pictures of shared/docs/page/ anew: every page at desktop and phone (light and dark), side panel and print,
and the first sheet of the handover's PDF.

    python tests/browser/screenshots.py

The pages show the fictional hospital on the morning of day 4. Small PNGs, of what is seen without scrolling.
"""

import struct
import sys
import zlib
from contextlib import closing
from datetime import datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "service"), str(ROOT / "tests")]

import pypdfium2  # noqa: E402
from chromium import opened  # noqa: E402 - only importable from here on
from playwright.sync_api import Page  # noqa: E402

from page_ward import Ward, ward_of  # noqa: E402

TO = ROOT / "shared" / "docs" / "page"
EVENING = datetime.fromisoformat("2031-03-27T20:00:00+00:00")
SIZES = {"desktop": (1180, 860), "panel": (400, 860), "phone": (360, 740)}
PAPER = {"width": 1040, "height": 720}  # A4 across, at 96 dots an inch, less its margins


def main() -> None:
    TO.mkdir(parents=True, exist_ok=True)
    with opened() as browser, ward_of(at=EVENING) as ward:
        dark = {name: size for name, size in SIZES.items() if name != "panel"}
        for scheme, sizes in (("light", SIZES), ("dark", dark)):
            for name, (width, height) in sizes.items():
                context = browser.new_context(color_scheme=scheme, viewport={"width": width, "height": height})
                page = context.new_page()
                page.goto(f"{ward.address}/page/sign-in")
                page.screenshot(path=TO / f"door-{name}-{scheme}.png")
                _sign_in(page, ward, role="administer")
                page.goto(f"{ward.address}/page/house")
                page.screenshot(path=TO / f"house-{name}-{scheme}.png")
                page.get_by_role("button", name="Sign out").click()
                _sign_in(page, ward)
                for what, at in _pages(ward).items():
                    page.goto(f"{ward.address}{at}")
                    page.locator("#heard", has_text="Service heard").wait_for()
                    if what == "course":
                        page.locator(".drawn").scroll_into_view_if_needed()
                        page.locator(".drawn").evaluate("drawn => drawn.scrollIntoView()")
                    page.screenshot(path=TO / f"{what}-{name}-{scheme}.png")
                context.close()
        context = browser.new_context(viewport=PAPER)
        page = context.new_page()
        _sign_in(page, ward)
        page.emulate_media(media="print")
        for what in ("list", "night", "handover", "sheet"):
            page.goto(f"{ward.address}{_pages(ward)[what]}")
            page.screenshot(path=TO / f"{what}-print.png")
        _keep_pdf(page.request.get(f"{ward.address}/page/handover.pdf").body())
        context.close()


def _keep_pdf(body: bytes) -> None:
    """The first sheet, as a printer would draw it."""
    with closing(pypdfium2.PdfDocument(body)) as document:
        drawn = document[0].render(scale=96 / 72, grayscale=True)
        rows = [
            bytes(drawn.buffer)[at : at + drawn.width] for at in range(0, drawn.stride * drawn.height, drawn.stride)
        ]
        (TO / "handover-pdf.png").write_bytes(_grey_png(rows, drawn.width))


def _grey_png(rows: list[bytes], width: int) -> bytes:
    """https://www.w3.org/TR/png-3/"""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", width, len(rows), 8, 0, 0, 0, 0)
    data = zlib.compress(b"".join(b"\0" + row for row in rows), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def _pages(ward: Ward) -> dict[str, str]:
    sheet = f"/page/p/{ward.board()['Patient/mossop']}"
    return {"list": "/page", "night": "/page/night", "sheet": sheet, "course": sheet, "handover": "/page/handover"}


def _sign_in(page: Page, ward: Ward, *, role: str = "decide") -> None:
    page.goto(f"{ward.address}/page")
    page.get_by_label("Your name").fill("Ada Quill")
    page.get_by_label("What you may do").select_option(role)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("heading", name="Who waits").wait_for()


if __name__ == "__main__":
    main()
