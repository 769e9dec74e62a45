"""Signing in by SMART App Launch: from the EHR with a patient open, on its own, and each way in which it must not be.

https://hl7.org/fhir/smart-app-launch/app-launch.html; identity tokens: OpenID Connect Core 1.0, 3.1.3.7.
"""

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from joserfc.jwk import ECKey

from andante.fhir_http import smart_launch
from launcher import Launcher
from page_ward import Ward, launched_ward, token_in

STORIES = ("refractory-phosphate", "plain-course")


@pytest.fixture
def house() -> Iterator[tuple[Ward, Launcher]]:
    roles = {"Practitioner/ada": "decide", "Practitioner/otto": "administer"}
    with launched_ward(STORIES, roles=roles) as house:
        yield house


def browser(ward: Ward) -> httpx.Client:
    return httpx.Client(base_url=ward.address, follow_redirects=True)


def launch(client: httpx.Client, launcher: Launcher, patient: str = "mossop") -> httpx.Response:
    return client.get("/page/launch", params={"iss": launcher.base, "launch": launcher.launch(patient)})


def test_a_launch_from_the_record_opens_the_patient_it_came_from(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    with browser(ward) as client:
        answer = launch(client, launcher)
    assert answer.status_code == 200, answer.text
    assert answer.url.path == f"/page/p/{ward.board()['Patient/mossop']}"
    assert "Ada Quill, may decide" in answer.text
    assert launcher.refused == []


def test_a_launch_for_somebody_who_is_not_watched_opens_the_list(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    with browser(ward) as client:
        answer = launch(client, launcher, "nobody-here")
    assert answer.url.path == "/page"
    assert "not among those watched" in answer.text


def test_on_its_own_it_opens_the_list(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    with browser(ward) as client:
        answer = client.get("/page/launch-alone")
    assert answer.url.path == "/page"
    assert "launch" not in launcher.seen[-1]["scope"].split()


def test_no_address_of_ours_holds_what_the_server_handed_over(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    with browser(ward) as client:
        answer = launch(client, launcher)
    ours = [step.url for step in (*answer.history, answer) if str(step.url).startswith(ward.address)]
    assert len(ours) == 3  # launch, back, sheet
    assert not any("mossop" in str(url) for url in ours)


ROLES = [("Practitioner/ada", "decide"), ("Practitioner/otto", "administer"), ("PractitionerRole/ward", "view")]


@pytest.mark.parametrize(("user", "role"), ROLES, ids=[role for _, role in ROLES])
def test_the_settings_say_who_may_do_what(house: tuple[Ward, Launcher], user: str, role: str) -> None:
    ward, launcher = house
    launcher.user = user
    with browser(ward) as client:
        page = launch(client, launcher).text
        assert f"may {role}" in page
        assert ("Agree" in page) is (role != "view")
        assert client.get("/page/house").status_code == (200 if role == "administer" else 403)


def test_the_answer_names_the_person_by_reference(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    with browser(ward) as client:
        page = launch(client, launcher)
        seen = ward.tasks("Patient/mossop")[-1]["meta"]["versionId"]
        form = {"token": token_in(page.text), "seen": seen, "answer": "agree"}
        assert client.post(page.url.path, data=form).status_code == 200
    note = ward.tasks("Patient/mossop")[-1]["note"][-1]
    assert note["authorReference"] == {"reference": "Practitioner/ada", "display": "Ada Quill"}


WRONG: list[Any] = [
    pytest.param({"claims": {"nonce": "another"}}, id="of another sign-in"),
    pytest.param({"claims": {"aud": "another-client"}}, id="for another client"),
    pytest.param({"claims": {"iss": "https://elsewhere.example"}}, id="by another issuer"),
    pytest.param({"claims": {"exp": 1}}, id="expired"),
    pytest.param({"claims": {"exp": None}}, id="without an end"),
    pytest.param({"claims": {"fhirUser": None}}, id="of nobody"),
    pytest.param({"claims": {"fhirUser": "https://elsewhere.example/fhir/Practitioner/ada"}}, id="of another server"),
    pytest.param({"claims": {"fhirUser": "Patient/mossop"}}, id="of a patient"),
    pytest.param({"claims": {"fhirUser": "Practitioner/../x"}}, id="of no reference"),
    pytest.param({"signer": ECKey.generate_key("P-256", {"kid": "launcher"})}, id="signed by another key"),
    pytest.param({"granted": {"id_token": None}}, id="left out"),
    pytest.param({"granted": {"id_token": "eyJhbGciOiJub25lIn0.e30."}}, id="unsigned"),
    pytest.param({"granted": {"error": "access_denied"}}, id="refused"),
]


@pytest.mark.parametrize("changes", WRONG)
def test_an_identity_is_not_believed(house: tuple[Ward, Launcher], changes: dict[str, Any]) -> None:
    ward, launcher = house
    for name, value in changes.items():
        setattr(launcher, name, value)
    with browser(ward) as client:
        answer = launch(client, launcher)
        assert answer.status_code == 403
        assert "Nobody is signed in" in answer.text
        assert client.get("/page", follow_redirects=False).status_code == 303


UNFIT: list[Any] = [
    pytest.param({"code_challenge_methods_supported": ["plain"]}, id="no PKCE by hash"),
    pytest.param({"token_endpoint": None}, id="no token endpoint"),
    pytest.param({"authorization_endpoint": "http://elsewhere.example/a"}, id="an endpoint in the clear"),
    pytest.param({"jwks_uri": "http://elsewhere.example/keys"}, id="keys in the clear"),
]


@pytest.mark.parametrize("configured", UNFIT)
def test_a_server_that_cannot_do_it_safely_is_not_asked(
    house: tuple[Ward, Launcher], configured: dict[str, Any]
) -> None:
    ward, launcher = house
    launcher.configured = configured
    with browser(ward) as client:
        assert launch(client, launcher).status_code == 502
    assert launcher.seen == []


def test_what_smart_leaves_out_is_read_from_openid_connect(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    launcher.configured = {"jwks_uri": None}
    with browser(ward) as client:
        assert launch(client, launcher).status_code == 200


def test_a_launch_of_another_server_is_not_followed(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    with browser(ward) as client:
        for iss in ("https://elsewhere.example/fhir", "", f"{launcher.base}/x"):
            assert client.get("/page/launch", params={"iss": iss, "launch": "x"}).status_code == 400
        assert client.get("/page/launch", params={"iss": launcher.base}).status_code == 400
    assert launcher.seen == []


def test_a_way_back_that_was_begun_in_another_browser_signs_nobody_in(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    with httpx.Client(base_url=ward.address) as attacker:
        begun = attacker.get("/page/launch", params={"iss": launcher.base, "launch": launcher.launch("mossop")})
        back = attacker.get(begun.headers["location"]).headers["location"]
    with browser(ward) as victim:
        assert victim.get(back).status_code == 400
        assert victim.get("/page", follow_redirects=False).status_code == 303


def test_a_way_back_is_good_once(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    with httpx.Client(base_url=ward.address) as client:
        begun = client.get("/page/launch", params={"iss": launcher.base, "launch": launcher.launch("mossop")})
        back = client.get(begun.headers["location"]).headers["location"]
        first = client.get(back)
        assert first.status_code == 303
        name, value = begun.headers["set-cookie"].partition(";")[0].split("=", 1)
        again = client.get(back, headers={"Cookie": f"{name}={value}"})
        assert again.status_code == 403


@pytest.mark.parametrize(
    "changed",
    [
        pytest.param({"iss": "https://elsewhere.example"}, id="of another server"),
        pytest.param({"iss": None}, id="that does not say from whom"),
        pytest.param({"code": ["one", "two"]}, id="with two codes"),
        pytest.param({"code": None}, id="without a code"),
    ],
)
def test_a_way_back_signs_nobody_in(house: tuple[Ward, Launcher], changed: dict[str, Any]) -> None:
    """In the browser where it was begun; and it is spent then (RFC 9207, 2.4; RFC 6749, 3.1)."""
    ward, launcher = house
    with httpx.Client(base_url=ward.address) as client:
        begun = client.get("/page/launch", params={"iss": launcher.base, "launch": launcher.launch("mossop")})
        back = httpx.URL(client.get(begun.headers["location"]).headers["location"])
        honest = dict(back.params)
        said = {name: value for name, value in (honest | changed).items() if value is not None}
        assert client.get(back.copy_with(params=said)).status_code == 403
        assert client.get(back).status_code == 403
        assert client.get("/page", follow_redirects=False).status_code == 303
    assert launcher.refused == []


def test_who_is_not_let_in_by_the_server_is_told(house: tuple[Ward, Launcher]) -> None:
    ward, launcher = house
    launcher.says_no = True
    with browser(ward) as client:
        answer = launch(client, launcher)
    assert answer.status_code == 403
    assert "did not sign you in" in answer.text


def test_nobody_signs_in_by_saying_a_name(house: tuple[Ward, Launcher]) -> None:
    ward, _ = house
    with browser(ward) as client:
        assert client.post("/page/sign-in", data={"name": "Ada", "role": "administer"}).status_code == 405
        assert "Development login" not in client.get("/page/sign-in").text


def test_with_too_many_signing_in_the_next_is_told_to_come_later(
    house: tuple[Ward, Launcher], monkeypatch: pytest.MonkeyPatch
) -> None:
    ward, _ = house
    monkeypatch.setattr(smart_launch, "_MOST_PENDING", 0)
    answer = httpx.get(f"{ward.address}/page/launch-alone")
    assert answer.status_code == 503
    assert "Too many people are signing in" in answer.text
