"""The first view of the page over many patients, in Chromium with nothing kept: bytes on the wire, and seconds."""

import sys
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import httpx
from playwright.sync_api import Browser
from wards import NOW, ZONE, ward_server

sys.path[:0] = [str(Path(__file__).parents[1] / "browser"), str(Path(__file__).parents[1])]

from chromium import opened  # noqa: E402 - only importable from here on

from andante import app, settings  # noqa: E402
from andante.sandbox import running  # noqa: E402
from andante.triggers.web import create_app  # noqa: E402
from page_ward import token_in  # noqa: E402


@dataclass(frozen=True)
class View:
    """`kib` is all that came over the wire, headers included. Seconds from asking: to the first answer's end, to the
    first paint with content, and to everything loaded and laid out. The middle of the repeats, and the worst."""

    what: str
    kib: float
    answered_s: float
    painted_s: float
    loaded_s: float
    worst_s: float


def measure(patients: int, *, repeats: int) -> list[View]:
    with ward_server() as server:
        server.settle(patients=patients)
        service = app.build(settings.defaults(page_login="development", zone=ZONE, fhir_base=server.base))
        page = create_app(service, now=lambda: NOW, connection=service.connect(server.base), schedule=False)
        with running(page, path="", lifespan=True) as address, opened() as browser:
            cookies = _signed_in_after_a_round(address)
            sheet = next(iter(page.state.house.board.entries.values())).token
            assert len(page.state.house.board.entries) == patients
            places = {"the list": "/page", "a sheet": f"/page/p/{sheet}", "stuck draws": "/page/night"}
            return [_view(browser, what, address + at, cookies, repeats) for what, at in places.items()]


def _signed_in_after_a_round(address: str) -> dict[str, str]:
    with closing(httpx.Client(base_url=address, follow_redirects=True, timeout=600)) as client:
        client.post("/page/sign-in", data={"name": "Otto Bell", "role": "administer"})
        client.post("/page/house", data={"token": token_in(client.get("/page/house").text)}).raise_for_status()
        return dict(client.cookies)


def _view(browser: Browser, what: str, address: str, cookies: dict[str, str], repeats: int) -> View:
    seen = [_once(browser, address, cookies) for _ in range(repeats)]
    middle = [median(column) for column in zip(*seen, strict=True)]
    return View(what, *middle, worst_s=max(one[3] for one in seen))


def _once(browser: Browser, address: str, cookies: dict[str, str]) -> tuple[float, float, float, float]:
    """KiB, and the seconds to answered, painted, loaded."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.add_cookies([{"name": name, "value": value, "url": address} for name, value in cookies.items()])
    page = context.new_page()
    wire = context.new_cdp_session(page)
    received: list[float] = []
    wire.on("Network.loadingFinished", lambda told: received.append(told["encodedDataLength"]))
    wire.send("Network.enable")
    page.goto(address, wait_until="load")
    answered, loaded, painted = page.evaluate(
        """() => new Promise(done => {
            const look = () => {
                const paint = performance.getEntriesByName('first-contentful-paint')[0];
                const all = performance.getEntriesByType('navigation')[0];
                if (!paint || !all.loadEventEnd) { setTimeout(look, 20); return; }
                done([all.responseEnd, all.loadEventEnd, paint.startTime]);
            };
            look();
        })"""
    )
    context.close()
    return sum(received) / 1024, answered / 1000, painted / 1000, loaded / 1000
