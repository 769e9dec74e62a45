"""`andante` as a process of its own against a server, and a plain client's look at what it left there."""

import json
import os
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
from lanternmoor import ZONE, patient_of
from servers.loading import delete_all
from servers.recording import Porter, recorded

from andante.sandbox import Seen

Json = dict[str, Any]

OURS = "https://andante.example/fhir"
STORIES = frozenset(
    {
        "below-detection",
        "clinician-flag",
        "falling-but-normal-phosphate",
        "haemolysed-potassium",
        "lost-in-the-laboratory",
        "plain-course",
        "refractory-phosphate",
        "severe-fall",
        "staged-order-under-hold",
        "unordered-phosphate-night",
    }
)
FHIR = {"Content-Type": "application/fhir+json"}
_PATIENCE_SECONDS = 120


@dataclass(frozen=True)
class Ran:
    """What a command said: its exit status, one object per line, and its standard error."""

    status: int
    told: tuple[Json, ...]
    err: str

    @property
    def patients(self) -> dict[str, Json]:
        """What was said of each patient, by `Patient/id`."""
        return {body["patient"]: body for body in self.told if "patient" in body}

    @property
    def bundles(self) -> list[Json]:
        return [body for body in self.told if body.get("resourceType") == "Bundle"]


@dataclass(frozen=True)
class Round(Ran):
    """A round, and every request it made."""

    seen: tuple[Seen, ...]

    @property
    def writes(self) -> list[Seen]:
        return [seen for seen in self.seen if seen.method != "GET"]


def start(*arguments: str) -> subprocess.Popen[str]:
    """Start the command line, with the settings' defaults whatever the environment says."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("ANDANTE_")}
    return subprocess.Popen(
        [sys.executable, "-m", "andante", *arguments],
        env=environment | {"ANDANTE_ZONE": ZONE},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )


def end(process: subprocess.Popen[str]) -> Ran:
    """Wait for it. Raises TimeoutExpired for one that hangs, which is then killed."""
    try:
        out, err = process.communicate(timeout=_PATIENCE_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise
    return Ran(process.returncode, tuple(json.loads(line) for line in out.splitlines()), err)


def start_round(base: str, now: datetime, *options: str) -> subprocess.Popen[str]:
    return start("round", "--fhir", base, "--now", now.isoformat(), "--format", "json", *options)


def run_round(server: str, now: datetime, *options: str, porter: Porter | None = None) -> Round:
    """One round through a recording proxy. Whether it ended well is for the test to say."""
    with recorded(server, porter) as (base, seen):
        ran = end(start_round(base, now, *options))
    return Round(ran.status, ran.told, ran.err, tuple(seen))


def start_advise(charts: Json, now: datetime, folder: Path, output: str = "json") -> subprocess.Popen[str]:
    """`andante advise` over a Bundle of charts."""
    file = folder / f"{now:%d-%H%M}-{output}.json"
    file.write_text(json.dumps(charts), encoding="utf-8")
    return start("advise", str(file), "--now", now.isoformat(), "--format", output)


@dataclass(frozen=True)
class Left:
    """What stood in the inboxes at one moment, by `Type/id`, and the Provenances of it all."""

    tasks: dict[str, Json]
    notices: dict[str, Json]
    provenances: dict[str, Json] = field(repr=False)

    @property
    def items(self) -> dict[str, Json]:
        return self.tasks | self.notices

    def open_tasks(self) -> dict[str, list[Json]]:
        """By patient."""
        found: dict[str, list[Json]] = {}
        for task in self.tasks.values():
            if task["status"] == "requested":
                found.setdefault(str(patient_of(task)), []).append(task)
        return found

    def open_notices(self) -> dict[str, list[Json]]:
        """By patient and decision: the identifier's first half."""
        found: dict[str, list[Json]] = {}
        for notice in self.notices.values():
            if notice["status"] in ("active", "draft"):
                found.setdefault(f"{patient_of(notice)} {decision_of(notice)}", []).append(notice)
        return found


def look(client: httpx.Client) -> Left:
    tasks, notices, provenances = (
        {f"{kind}/{body['id']}": body for body in everything(client, kind)}
        for kind in ("Task", "CommunicationRequest", "Provenance")
    )
    return Left(tasks, notices, provenances)


def everything(client: httpx.Client, kind: str) -> list[Json]:
    """Every resource of a type; sure to be every one, since the server's own total is compared."""
    parameters = {"_count": "1000", "_total": "accurate"}
    page = client.get(kind, params=parameters, headers={"Cache-Control": "no-cache"}).raise_for_status().json()
    total, found = page["total"], [entry["resource"] for entry in page.get("entry", ())]
    while following := [link["url"] for link in page.get("link", ()) if link["relation"] == "next"]:
        page = client.get(following[0]).raise_for_status().json()
        found += [entry["resource"] for entry in page.get("entry", ())]
    assert len(found) == total, f"{len(found)} of {total} {kind}"
    return found


def empty_the_inboxes(client: httpx.Client) -> None:
    """As if the service had never been there."""
    kinds = ("Provenance", "Task", "CommunicationRequest")
    delete_all(client, [f"{kind}/{body['id']}" for kind in kinds for body in everything(client, kind)])


def served(client: httpx.Client, addresses: Iterable[str]) -> Json:
    """The charts as the server tells them now, resource by resource, as one Bundle."""
    bodies = [client.get(address).raise_for_status().json() for address in addresses]
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": body} for body in bodies]}


def coded(concept: Json | None, system: str) -> str | None:
    """The code of one of our systems in a CodeableConcept."""
    codings = (concept or {}).get("coding", ())
    return next((coding["code"] for coding in codings if coding["system"] == f"{OURS}/CodeSystem/{system}"), None)


def decision_of(item: Json) -> str:
    """The half of our identifier that names the decision."""
    [value] = [part["value"] for part in item["identifier"] if part["system"].startswith(f"{OURS}/identifier/")]
    return str(value).split(".")[0]


def gist(body: Json) -> tuple[object, ...]:
    """What a round or `advise` says of one patient: the decision, its amounts, and each notice."""
    advice = body["advice"]
    notices = sorted(
        (
            notice["code"],
            notice["stage"] or "",
            "+".join(sorted(notice["analytes"])),
            notice["tell"],
            notice["priority"],
        )
        for notice in body["notices"]
    )
    amounts = tuple(advice[name] for name in ("kcal", "rate_ml_h", "bolus_ml", "dextrose_g"))
    return advice["code"], advice["rule"], amounts, notices


def answer(client: httpx.Client, item: dict[str, Any], status: str) -> str:
    """What a person does to one item of the inbox, as an EHR does it: read, change, put back. Its address."""
    address = f"{item['resourceType']}/{item['id']}"
    current = client.get(address)
    body = current.json() | {"status": status}
    body["note"] = [*body.get("note", ()), {"text": "Seen at the bedside."}]
    headers = FHIR | {"If-Match": current.headers["ETag"]}
    client.put(address, content=json.dumps(body), headers=headers).raise_for_status()
    return address
