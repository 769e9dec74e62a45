"""The argument on each fixture patient's sheet is what `andante explain` prints, word for word.

The two take different ways: the page from the FHIR server by a round, the command from the story's file.
"""

import json
from contextlib import closing
from datetime import datetime
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from andante.demo import read_script
from commands import PATIENTS, Shell
from page_ward import ward_of

STORIES = sorted(path.name for path in PATIENTS.iterdir() if (path / "chart.json").is_file())
# Nobody is in the hospital on all ten days: together these mornings see everybody.
MORNINGS = ("2031-03-24T06:30:00+00:00", "2031-03-27T06:30:00+00:00", "2031-03-31T06:30:00+00:00")
BULLETS = {"line", "doubt", "would-change", "overlay"}


class Words(HTMLParser):
    """What a sheet says in its argument, in order: the kind of each text, and the text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, str]] = []
        self._open: list[str | None] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        kind = given.get("data-words") or ("headline" if given.get("id") == "h-advice" else None)
        if kind == "would-change":
            kind = None  # its items follow
        if tag in {"meta", "link", "input", "use", "br"}:
            return
        if tag == "li" and self._open and self._open[-1] == "would-change-list":
            kind = "would-change"
        if given.get("data-words") == "would-change":
            self._open.append("would-change-list")
            return
        self._open.append(kind)
        if kind is not None:
            self.found.append((kind, ""))

    def handle_endtag(self, tag: str) -> None:
        if tag not in {"meta", "link", "input", "use", "br"} and self._open:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if any(kind not in (None, "would-change-list") for kind in self._open):
            kind, text = self.found[-1]
            self.found[-1] = (kind, text + data)

    def of(self, *kinds: str) -> list[tuple[str, str]]:
        return [one for one in self.found if one[0] in kinds]


def as_explained(page: str) -> str:
    """The words of the sheet in the order of the command, without white space, which the terminal breaks lines at."""
    words = Words(page)
    parts: list[tuple[str, str]] = [*words.of("headline"), *words.of("title", "sentence", "line")]
    for title, kind in (("Set aside or doubtful", "doubt"), ("What would change this advice", "would-change")):
        listed = words.of(kind)
        parts += [("", title), *listed] if listed else []
    parts += words.of("protocol")
    overlay = words.of("overlay")
    parts += [("", "Changed by this site"), *overlay] if overlay else []
    return "".join(("-" if kind in BULLETS else "") + "".join(text.split()) for kind, text in parts)


@pytest.fixture(scope="module")
def pages() -> dict[str, tuple[str, str]]:
    """By patient: an instant, and the sheet shown then. The earliest morning on which each is on the board."""
    found: dict[str, tuple[str, str]] = {}
    for morning in MORNINGS:
        with ward_of(at=datetime.fromisoformat(morning)) as ward, closing(ward.client(role="view")) as client:
            for patient, token in ward.board().items():
                if patient not in found:
                    answer = client.get(f"/page/p/{token}")
                    assert answer.status_code == 200
                    found[patient] = (morning, answer.text)
    return found


@pytest.fixture
def shell(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Shell:
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.setenv("ANDANTE_ZONE", read_script().zone.key)  # the command would take the zone of --now
    return Shell(capfdbinary, monkeypatch)


@pytest.mark.parametrize("story", STORIES)
def test_the_sheet_argues_word_for_word_as_explain_does(
    story: str, pages: dict[str, tuple[str, str]], shell: Shell
) -> None:
    chart = PATIENTS / story / "chart.json"
    patient = _patient_of(chart)
    assert patient in pages, "on no board of these mornings"
    morning, page = pages[patient]
    done = shell("explain", patient, "--chart", chart, "--now", morning)
    assert done.status == 0, done.err
    said = "".join(done.out.partition("\n")[2].split())  # without the title line
    caution = "Decisionsupportforlicensedclinicians"
    assert as_explained(page) == said.partition(caution)[0]


@pytest.mark.parametrize("story", STORIES)
def test_the_sheet_says_by_name_and_birth_date_whose_it_is(story: str, pages: dict[str, tuple[str, str]]) -> None:
    chart = PATIENTS / story / "chart.json"
    morning, page = pages[_patient_of(chart)]
    person = _person_of(chart, morning)
    name, born = person["name"][0], person.get("birthDate", "on a day not charted")
    shown = f"{' '.join(name['given'])} {name['family']}, born {born}"
    assert f'<p class="who">{escape(shown)}</p>' in page


def _patient_of(chart: Path) -> str:
    return f"Patient/{_person_of(chart)['id']}"


def _person_of(chart: Path, at: str = MORNINGS[-1]) -> dict[str, Any]:
    """The one whose story it is, as known at an instant; beds and wards of others stand in the same file."""
    entries = json.loads(chart.read_text(encoding="utf-8"))["entry"]
    versions = [e["resource"] for e in entries if e["resource"]["resourceType"] == "Patient"]
    assert len({version["id"] for version in versions}) == 1
    now = datetime.fromisoformat(at)
    known = [v for v in versions if datetime.fromisoformat(v["meta"]["lastUpdated"]) <= now]
    person: dict[str, Any] = known[-1]
    return person
