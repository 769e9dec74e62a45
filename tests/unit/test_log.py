"""Logs tell what was done, and cannot tell about whom."""

import asyncio
import io
import json
import logging
from collections.abc import Iterator

import pytest

from andante import log


@pytest.fixture
def lines() -> Iterator[io.StringIO]:
    root = logging.getLogger()
    before, level = root.handlers[:], root.level
    stream = io.StringIO()
    log.start("INFO", stream)
    yield stream
    root.handlers[:] = before
    root.setLevel(level)


def read(stream: io.StringIO) -> list[dict[str, object]]:
    return [json.loads(line) for line in stream.getvalue().splitlines()]


def test_a_line_is_json_with_a_stable_action(lines: io.StringIO) -> None:
    log.say("round.finished", patients=3, seconds=1.23456, dry_run=False, status=None)
    (line,) = read(lines)
    assert line["action"] == "round.finished"
    assert (line["patients"], line["seconds"], line["dry_run"]) == (3, 1.235, False)
    assert "status" not in line


@pytest.mark.parametrize("fact", ["patient", "patient_id", "name", "value", "text", "reference", "url"])
def test_a_fact_that_could_name_a_patient_is_refused(lines: io.StringIO, fact: str) -> None:
    with pytest.raises(ValueError, match="not logged"):
        log.say("round.finished", **{fact: "x"})


def test_a_sentence_is_left_out_even_under_an_allowed_name(lines: io.StringIO) -> None:
    log.say("round.failed", error="Ada Quillfeather, 52")
    assert read(lines)[0]["error"] == "(left out)"


def test_of_an_error_only_its_kind_and_our_own_line_are_kept(lines: io.StringIO) -> None:
    from andante.domain.quantities import Analyte, mmol_per_l

    try:
        mmol_per_l(Analyte.PHOSPHATE, "secret", "Ada Quillfeather")  # type: ignore[arg-type]
    except ValueError as error:
        log.warn("patient.failed", error=error)
    assert "Quillfeather" not in lines.getvalue()
    (line,) = read(lines)
    assert line["error"] == "UnknownUnit"
    assert str(line["where"]).startswith("domain/quantities.py:")


def test_what_other_libraries_say_is_cut_to_their_name(lines: io.StringIO) -> None:
    logging.getLogger("httpx").warning("GET https://x/fhir/Patient/%s", "ada-quillfeather")
    try:
        raise RuntimeError("Ada Quillfeather")
    except RuntimeError:
        logging.getLogger("asyncio").exception("Task of %s", "Ada Quillfeather")
    assert "uillfeather" not in lines.getvalue()
    first, second = read(lines)
    assert (first["action"], first["kind"]) == ("library.message", "httpx")
    assert (second["kind"], second["error"]) == ("asyncio", "RuntimeError")


async def test_lines_that_belong_together_carry_one_id_in_tasks_begun_inside_too(lines: io.StringIO) -> None:
    async def work() -> None:
        log.say("patient.failed")

    with log.correlated("request", "a" * 16):
        with log.correlated("round", "b" * 16):
            await asyncio.gather(asyncio.create_task(work()), work())
            logging.getLogger("httpx").warning("GET /Patient/ada-quillfeather")
        log.say("request.answered")
    log.say("round.started")
    told = [(line.get("request"), line.get("round")) for line in read(lines)]
    assert told == [("a" * 16, "b" * 16)] * 3 + [("a" * 16, None), (None, None)]


def test_the_text_says_the_same_as_the_json() -> None:
    root, stream = logging.getLogger(), io.StringIO()
    before, level = root.handlers[:], root.level
    try:
        log.start("INFO", stream, form="text")
        with log.correlated("round", "c" * 16):
            log.warn("round.failed", error=RuntimeError("Ada Quillfeather"), trigger="round", patients=3)
        logging.getLogger("httpx").warning("GET /Patient/ada-quillfeather")
    finally:
        root.handlers[:] = before
        root.setLevel(level)
    first, second = (line.partition(" ")[2] for line in stream.getvalue().splitlines())
    assert first == f"warning round.failed trigger=round patients=3 error=RuntimeError round={'c' * 16}"
    assert second == "warning library.message kind=httpx"
