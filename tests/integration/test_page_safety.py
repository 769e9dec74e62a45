"""What the page never does: name a patient in an address, run what is not its own, take a form that is not its own.

Content Security Policy: https://www.w3.org/TR/CSP3/. Cookies: RFC 6265bis. Both read by their plain meaning here.
"""

import hashlib
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from importlib import resources

import httpx
import pytest
from fastapi import Response
from pydantic import ValidationError

from andante.page.guard import Guard
from andante.page.sessions import IDLE, LONGEST
from andante.settings import Settings, defaults
from page_ward import Ward, token_in, ward_of

STORIES = ("refractory-phosphate", "plain-course", "weekend-nobody")


@pytest.fixture(scope="module")
def ward() -> Iterator[Ward]:
    with ward_of(STORIES) as ward:
        yield ward


@pytest.fixture
def boss(ward: Ward) -> Iterator[httpx.Client]:
    with closing(ward.client(role="administer", name="Otto Bell")) as client:
        yield client


def addresses(ward: Ward) -> list[str]:
    sheets = [f"/page/p/{token}" for token in ward.board().values()]
    return ["/page", "/page/lines", "/page/night", "/page/handover", "/page/house", "/page/sign-in", *sheets]


def every_page(ward: Ward, client: httpx.Client) -> list[httpx.Response]:
    found = [client.get(address) for address in addresses(ward)]
    assert {answer.status_code for answer in found} == {200}
    return found


def test_every_page_says_what_the_browser_may_do(ward: Ward, boss: httpx.Client) -> None:
    for answer in every_page(ward, boss):
        policy = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert not any("unsafe" in value or "*" in value or "http" in value for value in policy.values())
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] == "same-origin"


def test_no_page_holds_script_or_style_of_its_own_or_asks_another_host(ward: Ward, boss: httpx.Client) -> None:
    for answer in every_page(ward, boss):
        text = answer.text
        assert "<style" not in text
        assert not re.search(r"<script(?![^>]*\bsrc=)", text)
        assert not re.search(r"<[^>]*\s(style|on[a-z]+|hx-on[^=]*)=", text)
        for address in re.findall(r'(?:href|src|action|hx-get|hx-post)="([^"]*)"', text):
            assert not re.match(r"[a-z]+:|//", address), address


def test_no_address_names_a_patient(ward: Ward, boss: httpx.Client) -> None:
    names = {patient.partition("/")[2] for patient in ward.board()}
    for answer in every_page(ward, boss):
        for address in re.findall(r'(?:href|src|action|hx-get|hx-post)="([^"]*)"', answer.text):
            assert not any(name in address.lower() for name in names)
            assert not re.search(r"Patient|Encounter|Observation", address)


def test_names_in_addresses_are_of_this_process_alone(ward: Ward) -> None:
    with ward_of(STORIES) as other:
        assert ward.board().keys() == other.board().keys()
        assert not set(ward.board().values()) & set(other.board().values())


def test_who_is_not_signed_in_sees_the_door_and_no_more(ward: Ward) -> None:
    with httpx.Client(base_url=ward.address) as nobody:
        for address in addresses(ward):
            answer = nobody.get(address)
            if address == "/page/sign-in":
                assert "Heron" not in answer.text
            else:
                assert (answer.status_code, answer.headers["location"]) == (303, "/page/sign-in")
        part = nobody.get("/page/lines", headers={"HX-Request": "true"})
        assert (part.status_code, part.headers["hx-redirect"]) == (401, "/page/sign-in")
        assert nobody.get("/page/live", headers={"Accept": "text/event-stream"}).status_code == 401


FORMS = [
    # headers, fields
    pytest.param({}, {}, id="without the form's token"),
    pytest.param({}, {"token": "0" * 128}, id="with a made-up token"),
    pytest.param({}, {"token": "not hex"}, id="with no token at all"),
    pytest.param({"Origin": "https://elsewhere.example"}, {"token": "right"}, id="from another origin"),
    pytest.param({"Origin": "null"}, {"token": "right"}, id="from an origin that hides"),
    pytest.param({"Origin": "http://[::1"}, {"token": "right"}, id="from an origin that is no address"),
    pytest.param({"Sec-Fetch-Site": "cross-site"}, {"token": "right"}, id="from another site by the browser's word"),
    pytest.param(
        {"Content-Type": "text/plain"}, {"token": "right"}, id="as what a form of another page may be sent as"
    ),
]


@pytest.mark.parametrize(("headers", "fields"), FORMS)
def test_a_form_of_somebody_else_writes_nothing(
    ward: Ward, boss: httpx.Client, headers: dict[str, str], fields: dict[str, str]
) -> None:
    (patient, token), *_ = ward.board().items()
    right = token_in(boss.get(f"/page/p/{token}").text)
    before = ward.tasks(patient)
    form = {"answer": "agree", "seen": "1"} | {k: right if v == "right" else v for k, v in fields.items()}
    answer = boss.post(f"/page/p/{token}", data=form, headers=headers)
    assert answer.status_code == 403
    assert ward.tasks(patient) == before


def test_one_persons_token_is_not_anothers(ward: Ward, boss: httpx.Client) -> None:
    with closing(ward.client()) as ada:
        (_, token), *_ = ward.board().items()
        hers = token_in(ada.get(f"/page/p/{token}").text)
        assert boss.post("/page/house", data={"token": hers}).status_code == 403
    pages = [token_in(boss.get("/page/house").text) for _ in range(2)]
    assert pages[0] != pages[1]  # another text each time, the same secret


def test_a_form_is_small(ward: Ward, boss: httpx.Client) -> None:
    form = {"token": token_in(boss.get("/page/house").text), "words": "x" * 20_000}
    assert boss.post("/page/house", data=form).status_code == 403


def test_the_cookie_is_for_the_server_alone(ward: Ward) -> None:
    with httpx.Client(base_url=ward.address) as client:
        answer = client.post("/page/sign-in", data={"name": "Ada", "role": "view"})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "max-age" not in cookie  # gone with the browser


def test_over_https_the_cookie_says_so_and_in_a_frame_it_is_partitioned() -> None:
    response = Response()
    given = defaults(public_url="https://andante.example", page_frames=("https://ehr.example",))
    guard = Guard(given)
    guard.set_cookie(response, "x")
    cookie = response.headers["set-cookie"].lower()
    assert cookie.startswith("__host-andante=")
    for part in ("secure", "httponly", "samesite=none", "partitioned", "path=/"):
        assert part in cookie
    assert "frame-ancestors https://ehr.example" in guard.headers["Content-Security-Policy"]
    assert "X-Frame-Options" not in guard.headers


@pytest.mark.parametrize(("passed", "is_in"), [(IDLE, True), (IDLE + timedelta(seconds=1), False)])
def test_an_idle_page_signs_its_person_out(passed: timedelta, is_in: bool) -> None:
    with ward_of(("plain-course",)) as ward, closing(ward.client()) as client:
        ward.clock.at += passed
        assert (client.get("/page/lines", headers={"HX-Request": "true"}).status_code == 200) is is_in
        if is_in:
            # Only what a person does counts: a page that renews itself must not keep them signed in.
            ward.clock.at += timedelta(seconds=1)
            assert client.get("/page", follow_redirects=False).status_code == 303


def test_nobody_stays_signed_in_for_good() -> None:
    with ward_of(("plain-course",)) as ward, closing(ward.client()) as client:
        stop = ward.clock.at + LONGEST
        while ward.clock.at + IDLE <= stop:
            ward.clock.at += IDLE
            assert client.get("/page", follow_redirects=False).status_code == 200
        ward.clock.at = stop + timedelta(seconds=1)
        assert client.get("/page", follow_redirects=False).status_code == 303


def test_signing_out_ends_it(ward: Ward) -> None:
    with closing(ward.client()) as client:
        token = token_in(client.get("/page").text)
        kept = dict(client.cookies)
        client.post("/page/sign-out", data={"token": token})
        again = httpx.get(f"{ward.address}/page", cookies=kept)
        assert again.status_code == 303


def test_a_link_of_another_page_signs_nobody_out(ward: Ward) -> None:
    with closing(ward.client()) as client:
        client.post("/page/sign-out", data={"token": ""})
        assert client.get("/page", follow_redirects=False).status_code == 200


def test_what_others_wrote_is_what_its_note_says() -> None:
    folder = resources.files("andante.page") / "static"
    note = (folder / "THIRD-PARTY.md").read_text(encoding="utf-8")
    (name,) = set(re.findall(r"`(htmx-[0-9.]+min\.js)`", note))
    (noted,) = re.findall(r"`([0-9a-f]{96})`", note)
    assert hashlib.sha384((folder / name).read_bytes()).hexdigest() == noted


def test_files_of_ours_are_kept_by_name_and_nothing_else_is(ward: Ward, boss: httpx.Client) -> None:
    names = re.findall(r'"(/page/static/[^"]+)"', boss.get("/page").text)
    assert len(names) == 4
    for name in names:
        answer = boss.get(name)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
    assert boss.get("/page/static/../routes.py").status_code == 404
    assert boss.get("/page/static/page.css").status_code == 404


MOST_KIB = 100


def test_the_first_view_of_five_hundred_patients_is_small(ward: Ward, boss: httpx.Client) -> None:
    """Every patient's line is another one's with another bed, so that little can be saved by likeness alone."""
    house = ward.application.state.house
    kept = dict(house.board.entries)
    try:
        for number in range(500 - len(kept)):
            entry = list(kept.values())[number % len(kept)]
            name = f"Patient/x{number}"
            found = replace(entry.assessment, bed=f"Bay {number}")
            house.board.entries[name] = replace(entry, token=house.board.token_of(name), assessment=found)
        page = boss.get("/page")
        assert len(re.findall('<li class="line[ "]', page.text)) == 500
        sent = int(page.headers["content-length"])
        for name in re.findall(r'"(/page/static/[^"]+)"', page.text):
            sent += int(boss.get(name).headers["content-length"])
    finally:
        house.board.entries = kept
    assert 5 * 1024 < sent < MOST_KIB * 1024


REFUSED = [
    pytest.param({"page_login": "development", "host": "0.0.0.0"}, "loopback", id="development login for everybody"),
    pytest.param({"page_login": "smart"}, "PAGE_CLIENT_ID", id="smart without a client"),
    pytest.param(
        {
            "page_login": "smart",
            "page_client_id": "x",
            "fhir_base": "http://h.example/f",
            "public_url": "https://a.example",
        },
        "https",
        id="smart over http",
    ),
    pytest.param({"page_client_secret": "0123456789abcdef"}, "PAGE_LOGIN=smart", id="a secret for nobody"),
    pytest.param({"page_client_secret": "short"}, "16 to 500", id="a secret that can be guessed"),
    pytest.param({"page_client_secret": "0123456789abcdef+"}, "16 to 500", id="a secret that servers read differently"),
    pytest.param({"page_roles": {"*": "own"}}, "role", id="a role that is none"),
    pytest.param({"page_frames": "https://ehr.example"}, "https", id="a frame without https"),
    pytest.param({"page_login": "anybody"}, "pattern", id="a login that is none"),
]


@pytest.mark.parametrize(("given", "said"), REFUSED)
def test_settings_that_would_let_strangers_in_stop_the_start(given: dict[str, object], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        Settings(**given)


def test_without_the_setting_there_is_no_page() -> None:
    with ward_of(("plain-course",), rounds=False, page_login=None) as ward:
        assert httpx.get(f"{ward.address}/page").status_code == 404
        assert httpx.get(f"{ward.address}/page/sign-in").status_code == 404
