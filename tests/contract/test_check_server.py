"""`check-server` on our sandbox and on servers written by others; what it prints stands in the documents."""

import json
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass

import httpx
import pytest
from documented import check_column, check_part
from lanternmoor import EVENING, known_at
from servers.launch import Server
from servers.loading import put_all
from ward_round import end, everything, start

STORIES = frozenset({"plain-course", "severe-fall", "refractory-phosphate"})
_PATIENCE_SECONDS = 120


@dataclass(frozen=True)
class Checked:
    status: int
    out: str
    err: str


def check(base: str, *options: str, output: str = "markdown") -> Checked:
    process = start("check-server", "--fhir", base, "--format", output, *options)
    try:
        out, err = process.communicate(timeout=_PATIENCE_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise
    return Checked(process.returncode, out, err)


@pytest.fixture(scope="module")
def client(own_server: Server) -> Iterator[httpx.Client]:
    """A client of the server, with three patients of the fictional hospital on it."""
    with httpx.Client(base_url=own_server.base, timeout=60) as client:
        put_all(client, known_at(EVENING, stories=STORIES).values())
        yield client


def test_what_it_prints_stands_in_the_documents(own_server: Server, client: httpx.Client) -> None:
    checked = check(own_server.base, "--write-probe")
    assert checked.status in (0, 1), checked.err
    text = checked.out.replace(own_server.base, "https://ehr.example/fhir")
    text = re.sub(r"Task/[A-Za-z0-9\-]+", "Task/«id»", text)
    # The caution stands once, at the head of the page.
    text = "\n".join(text.splitlines()[:-2]).rstrip()
    check_part("check-server.md", own_server.name, f"{text}\n")


def test_the_matrix_in_the_documents_says_what_was_found(own_server: Server, client: httpx.Client) -> None:
    told = json.loads(check(own_server.base, "--write-probe", output="json").out)
    # Our own version is not a fact about servers; the others' are.
    software = "" if own_server.name == "sandbox" else told["software"] or "nothing"
    cells = {"calls itself": software} | {one["what"]: one["found"] for one in told["findings"]}
    check_column("fhir-servers.md", "matrix", own_server.name, cells)


def test_without_the_probe_nothing_is_written(own_server: Server, client: httpx.Client) -> None:
    before = {kind: len(everything(client, kind)) for kind in ("Task", "Provenance")}
    assert check(own_server.base).status in (0, 1)
    assert {kind: len(everything(client, kind)) for kind in before} == before


def test_what_the_probe_wrote_is_about_nobody_and_cancelled(own_server: Server, client: httpx.Client) -> None:
    check(own_server.base, "--write-probe")
    probes = [task for task in everything(client, "Task") if "for" not in task]
    assert probes
    assert {task["status"] for task in probes} == {"cancelled"}
    assert {tag["code"] for task in probes for tag in task["meta"]["tag"]} == {"HTEST"}


def test_a_round_on_a_server_called_usable_serves_everybody(own_server: Server, client: httpx.Client) -> None:
    ran = end(start("round", "--fhir", own_server.base, "--now", EVENING.isoformat(), "--format", "json"))
    assert (ran.status, ran.err) == (0, "")
    assert len(ran.patients) == len(STORIES)
