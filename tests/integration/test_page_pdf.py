"""The handover as a PDF says what the page says, patient by patient. Other libraries than its writer read it back.

PDF/UA-1 (ISO 14289-1): title, language, tags. What it looks like: shared/docs/page/handover-pdf.png.
"""

import io
import json
import re
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import pypdf
import pypdfium2
import pytest
import typst

from andante.audit import AuditLog
from andante.errors import AuditFailed
from andante.page.handover import COLUMNS, NO_DRAWS, NOTHING_TO_WATCH, Line, handover_of
from andante.page.handover_pdf import handover_pdf
from andante.page.press import CANNOT_BE_PRINTED, NotPrinted, Press
from andante.page.routes import House
from andante.page.worklist import Filter
from andante.wording import CAUTION
from page_ward import Ward, ward_of

EVENING = datetime.fromisoformat("2031-03-27T20:00:00+00:00")
PATH = "/page/handover.pdf"
Rows = list[tuple[str, ...]]


@pytest.fixture(scope="module")
def ward() -> Iterator[Ward]:
    """Everybody of the fictional hospital."""
    with ward_of(at=EVENING) as ward:
        yield ward


@pytest.fixture
def ada(ward: Ward) -> Iterator[httpx.Client]:
    with closing(ward.client()) as client:
        yield client


class Tables(HTMLParser):
    """The wards of the page's handover, and the cells of their rows, as text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.wards: dict[str, Rows] = {}
        self._in: list[str] = []
        self._text, self._row = "", []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in.append(tag)
        if tag in ("h2", "td", "th"):
            self._text = ""

    def handle_endtag(self, tag: str) -> None:
        if tag == "h2":
            self.wards[self._text] = []
        elif tag in ("td", "th") and "tbody" in self._in:
            self._row.append(self._text)
        elif tag == "tr" and self._row:
            self.wards[list(self.wards)[-1]].append(tuple(self._row))
            self._row = []
        while self._in and self._in.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        self._text += data


def squeezed(text: str) -> str:
    """Without what layout may add: spaces, breaks, and the marks of lists."""
    return re.sub(r"[\s\u200b–•]+", "", text)


def read(pdf: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(pdf), strict=True)


def pages_of(pdf: bytes) -> list[str]:
    return [squeezed(page.extract_text()) for page in read(pdf).pages]


def test_it_says_what_the_page_says_patient_by_patient_and_nothing_else(ward: Ward, ada: httpx.Client) -> None:
    wards = Tables(ada.get("/page/handover").text).wards
    rows = {squeezed("".join(row)): squeezed(name) for name, found in wards.items() for row in found}
    assert len(rows) > 40, "the page was not read"
    assert all("born" in said for said in rows), "nobody without a birth date"
    pages, told = pages_of(ada.get(PATH).content), []
    for number, page in enumerate(pages, start=1):
        here = [said for said in rows if said in page]
        for said in here:
            page = page.replace(said, "§", 1)
        told += here
        found = re.fullmatch(_sheet(list(wards), number, len(pages)), page)
        assert found, page
        assert {rows[said].partition("(")[0] for said in here} == {found["ward"]}, "on the sheet of another ward"
    assert sorted(told) == sorted(rows), "each patient once"


def _sheet(headings: list[str], number: int, pages: int) -> str:
    """All that may stand on a sheet, § for a patient: which ward, when printed, the caution, which page of how many."""

    def exactly(*texts: str) -> str:
        return "|".join(re.escape(squeezed(text)) for text in texts)

    lead = f"Handover as of 27 Mar 20:00{CAUTION} Order in the hospital's own ordering system."
    return "".join(
        (
            f"{exactly('Handover as of 27 Mar 20:00,')}(?P<ward>{exactly(*(h.partition(' (')[0] for h in headings))})",
            exactly("Printed 27 Mar 20:00 (2031) by Ada Quill (development login)"),
            exactly(lead + "Development login. Not for use with patients.") if number == 1 else "",
            f"({exactly(*headings)})?",
            exactly("".join(COLUMNS)),
            "§+",
            exactly(f"{CAUTION} Page {number} of {pages}"),
        )
    )


def test_a_ward_alone_is_a_sheet_of_its_own(ward: Ward, ada: httpx.Client) -> None:
    (key,) = re.findall(r'<option value="([0-9a-f]+)">Plover Ward', ada.get("/page/handover").text)
    chosen = ada.get("/page/handover", params={"ward": key})
    pdf = ada.get(PATH, params={"ward": key}).content
    (rows,) = Tables(chosen.text).wards.values()
    text = "".join(pages_of(pdf))
    assert all(squeezed("".join(row)) in text for row in rows)
    assert "DunlinWard" not in text
    assert f'href="/page/handover.pdf?ward={key}"' in chosen.text


def test_who_is_not_signed_in_gets_none_and_who_may_view_gets_it(ward: Ward) -> None:
    answer = httpx.get(f"{ward.address}{PATH}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/page/sign-in")
    assert b"%PDF" not in answer.content
    with closing(ward.client(role="view")) as eve:
        assert eve.get(PATH).content.startswith(b"%PDF-")


def test_nobody_on_the_way_keeps_it_and_no_name_stands_outside_of_it(ward: Ward, ada: httpx.Client) -> None:
    answer = ada.get(PATH)
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-disposition"] == 'inline; filename="handover.pdf"'
    assert answer.headers["x-content-type-options"] == "nosniff"
    outside = f"{answer.url} {answer.headers} {read(answer.content).metadata} {read(answer.content).xmp_metadata}"
    assert not re.search("mossop|quillfeather|heron|dunlin", outside, re.IGNORECASE)


def test_whose_lines_are_on_it_is_recorded_or_there_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = tmp_path / "audit.jsonl"
    with (
        ward_of(("plain-course", "refractory-phosphate"), audit_file=log) as ward,
        closing(ward.client()) as ada,
    ):
        before = log.read_text() if log.exists() else ""
        assert ada.get(PATH).status_code == 200
        added = log.read_text().removeprefix(before).splitlines()
        assert sorted(patient for line in added for patient in json.loads(line)["patients"]) == [
            "Patient/mossop",
            "Patient/quillfeather",
        ]
        assert {json.loads(line)["action"] for line in added} == {"look"}

        def fail(*_: object, **__: object) -> None:
            raise AuditFailed("the audit log could not be written (No space left on device)")

        monkeypatch.setattr(AuditLog, "record", fail)
        refused = ada.get(PATH)
        assert (refused.status_code, b"%PDF" in refused.content) == (503, False)


def test_what_is_older_or_missing_is_said_on_both(
    ward: Ward, ada: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Paper cannot be loaded again: what it does not know must stand on it."""
    board = ward.application.state.house.board
    entry = replace(board.entries["Patient/mossop"], behind="the chart could not be read")
    monkeypatch.setitem(board.entries, "Patient/mossop", entry)
    monkeypatch.setattr(board, "trouble", "the FHIR server did not answer.")
    page, pdf = ada.get("/page/handover").text, "".join(pages_of(ada.get(PATH).content))
    (row,) = [row for rows in Tables(page).wards.values() for row in rows if "Mossop" in row[0]]
    assert row[1].endswith("Older than the last round: the chart could not be read")
    assert squeezed("".join(row)) in pdf
    trouble = "Mind. The last round failed: the FHIR server did not answer. What stands here is older."
    assert squeezed(trouble) in squeezed(re.sub("<[^>]+>", "", page))
    assert squeezed(trouble) in pdf


def test_it_can_be_read_aloud(ada: httpx.Client) -> None:
    """PDF/UA-1: a title, a language, and tags that say which cell is a heading."""
    root = read(ada.get(PATH).content).trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"].value is True
    assert root["/ViewerPreferences"]["/DisplayDocTitle"].value is True
    assert b"pdfuaid:part" in root["/Metadata"].get_object().get_data()
    tags = list(_tags(root["/StructTreeRoot"]))
    assert {"/H1", "/H2", "/Table", "/TH", "/TD"} <= set(tags)
    assert tags.count("/TH") >= len(COLUMNS)


def _tags(node: Any) -> Iterator[str]:
    node = node.get_object()
    if isinstance(node, list):
        for one in node:
            yield from _tags(one)
    elif isinstance(node, dict):
        if "/S" in node:
            yield str(node["/S"])
        if "/K" in node:
            yield from _tags(node["/K"])


# What a name may do to it.

HOSTILE = [
    pytest.param('#panic("x") #read("/etc/hostname") #sys.inputs', id="calls of the typesetter"),
    pytest.param("*bold* _slanted_ $x^2$ @ref <label> `raw` #[ ] { } \\ // /* = - + ~ '\"", id="its signs"),
    pytest.param('"}], "wards": [], "x": [{"', id="a way out of the data"),
    pytest.param(']] #import "@preview/elsewhere:1.0.0": *', id="a package of another host"),
    pytest.param("\\u{202e} \\n %PDF-1.7 endobj <</S/JavaScript>>", id="signs of a PDF"),
    pytest.param("<script>alert(1)</script> &amp; {{ base }}", id="signs of a page"),
    pytest.param("שלום בן־דוד", id="right to left"),
    pytest.param("عمر المختار", id="right to left, joined"),
    pytest.param("Zoë Ångström-Łódź Ưng Ђорђе Ωμέγα", id="letters of Europe"),
    pytest.param("Wolfeschlegelsteinhausen" * 20, id="a very long word"),
    pytest.param("Anna Maria " * 40, id="very many words"),
    pytest.param("a\u0301\u0323" * 40, id="marks upon marks"),
]


@pytest.fixture(scope="module")
def sheets(ward: Ward) -> list[tuple[str, list[Line]]]:
    house: House = ward.application.state.house
    zone = house.desk.service.basis.zone
    return handover_of(house.board, Filter(), now=ward.clock(), zone=zone)[:1]


def printed(ward: Ward, sheets: list[tuple[str, list[Line]]]) -> bytes:
    zone = ward.service.basis.zone
    return handover_pdf(sheets, as_of="now", order_in="there", notes=[], by="Ada", now=ward.clock(), zone=zone)


def named(sheets: list[tuple[str, list[Line]]], name: str) -> list[tuple[str, list[Line]]]:
    """The second of the first ward has another name."""
    (ward, (first, second, *others)) = sheets[0]
    return [(ward, [first, replace(second, row=replace(second.row, who=f"{name}, born 1950-01-31")), *others])]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_is_printed_as_it_is_and_changes_nothing_else(
    ward: Ward, sheets: list[tuple[str, list[Line]]], name: str
) -> None:
    made = printed(ward, named(sheets, name))
    text = "".join(pages_of(made))
    others = [squeezed("".join(_words(line))) for line in sheets[0][1]]
    assert [said in text for said in others] == [number != 1 for number in range(len(others))]
    for word in name.split():  # a reader may bring words that run from right to left in another order
        assert squeezed(word) in text
    assert squeezed(", born 1950-01-31") in text or "born1950-01-31" in text
    assert CANNOT_BE_PRINTED not in text
    assert not {"/JavaScript", "/EmbeddedFiles"} & set(read(made).trailer["/Root"].get("/Names", {}))


def test_a_row_that_fills_more_than_a_sheet_goes_on_on_the_next(
    ward: Ward, sheets: list[tuple[str, list[Line]]]
) -> None:
    name = "Quixote" * 280  # 1960 letters: as much as the page shows of a text
    pages, before = (pages_of(printed(ward, named(sheets, given))) for given in (name, "Ada Example"))
    held = [page.count("Q") for page in pages]
    assert sum(held) - sum(page.count("Q") for page in before) == 280
    assert sum(1 for count in held if count > 10) >= 2


def _words(line: Line) -> tuple[str, ...]:
    row = line.row
    watch, draws = line.watch or (NOTHING_TO_WATCH,), line.draws or (NO_DRAWS,)
    return row.bed, row.who, row.says, line.stands, line.behind, line.energy, *watch, *draws, line.change


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_stays_in_its_column_and_on_its_page(
    ward: Ward, sheets: list[tuple[str, list[Line]]], name: str
) -> None:
    """Else it would run over the next column, where the suggestion stands: what is between two columns stays empty."""
    looked_at = 0
    with closing(pypdfium2.PdfDocument(printed(ward, named(sheets, name)))) as document:
        for page in document:
            width, height = page.get_size()
            with closing(page.get_textpage()) as text:
                boxes = [text.get_charbox(at) for at in range(text.count_chars())]
                signs = [box for at, box in enumerate(boxes) if text.get_text_range(at, 1).strip()]
                starts = [_box_of(text, column) for column in COLUMNS]
            page.close()
            assert all(0 < left <= right < width and 0 < low <= high < height for left, low, right, high in signs)
            table = [one for one in signs if one[1] > FOOT and one[3] < starts[0][1]]
            for start, *_ in starts[1:]:
                crossing = [one for one in table if one[2] > start - GUTTER and one[0] < start - 0.5]
                assert crossing == []
            looked_at += len(table)
    assert looked_at > 1000


FOOT = 54.0  # points: the margin at the foot, in which the caution stands
GUTTER = 5.0  # points, of the seven between two columns: a slanted letter leans


def _box_of(text: Any, words: str) -> tuple[float, float, float, float]:
    found = text.search(words.partition(",")[0], match_case=True)
    at, _ = found.get_next()
    box: tuple[float, float, float, float] = text.get_charbox(at)
    return box


LACKING = "山田 😀 Żółw"


def test_a_sign_that_no_font_has_is_said_to_be_missing(
    ward: Ward, sheets: list[tuple[str, list[Line]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An empty box, or nothing, would be no name. By the fonts of the typesetter alone, as on a bare machine."""
    bare = Press(system_fonts=False)
    monkeypatch.setattr("andante.page.handover_pdf._press", lambda: bare)
    pages = pages_of(printed(ward, named(sheets, LACKING)))
    text = "".join(pages)
    assert squeezed("[?] [?] Żółw, born 1950-01-31") in text
    assert all("[?]standsforasignthatnofonthere" in page for page in pages), "each sheet may be alone"
    assert squeezed("".join(sheets[0][1][0].draws)) in text
    assert CANNOT_BE_PRINTED not in "".join(pages_of(printed(ward, sheets)))


def test_an_error_of_the_typesetter_repeats_nothing_of_a_chart(
    ward: Ward, ada: httpx.Client, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It names the text that it could not set; we do not."""
    press = Press()
    monkeypatch.setattr("andante.page.handover_pdf._press", lambda: press)
    monkeypatch.setattr(Press, "_prints", lambda *_: True)

    def fail(*_: object) -> bytes:
        raise typst.TypstError("the text Everard Mossop could not be displayed", "Everard Mossop", [], [])

    monkeypatch.setattr(Press, "_made", fail)
    with pytest.raises(NotPrinted) as refused:
        press.pdf("handover.typ", {"a": "Everard Mossop"}, at=EVENING)
    assert refused.value.__context__ is None
    answer = ada.get(PATH)
    assert answer.status_code == 500
    assert "Print the handover from the page instead" in answer.text
    assert "Mossop" not in f"{answer.text}{caplog.text}{refused.value!r}"


def test_five_hundred_patients_are_printed_soon(ward: Ward) -> None:
    """A generous limit: what it was on the machine of the authors stands in shared/docs/page.md."""
    house: House = ward.application.state.house
    everybody = handover_of(house.board, Filter(), now=ward.clock(), zone=ward.service.basis.zone)
    many = [(f"{name} {number}", lines) for number in range(10) for name, lines in everybody]
    assert sum(len(lines) for _, lines in many) >= 500
    began = time.monotonic()
    printed(ward, many)
    assert time.monotonic() - began < 30
