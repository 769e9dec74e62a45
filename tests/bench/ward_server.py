"""A FHIR server that has as many patients as are asked for and costs next to nothing: what is timed is the client.

Every patient is one of the fictional hospital's, copied under an id of its own (`mossop--17`); a copy is made when it
is asked for, so a hundred thousand need no memory. It answers the searches of a round by patient, category, code and
status (dates are left to the client, which checks them anyway), pages by `_count`, and carries out transactions. Each
answer waits `delay` first. Run as a script it prints its base address; `PUT /-/…` changes it between measurements.
"""

import argparse
import asyncio
import itertools
import json
import sys
import zlib
from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Any

from aiohttp import web

sys.path[:0] = [str(Path(__file__).parents[1] / "contract"), str(Path(__file__).parents[2] / "service")]

from lanternmoor import known_at, patient_of  # noqa: E402 - only importable from here on

Json = dict[str, Any]
MARK = "--0"
"""Stands at the end of every id of a patient's own resources, where the number of the copy goes."""

_OPEN = {"Task": ("requested",), "CommunicationRequest": ("active", "draft")}
OURS = tuple(_OPEN)
KINDS = (
    "Patient Encounter Observation NutritionOrder ServiceRequest Specimen MedicationRequest Medication Location Flag "
    "MedicationAdministration Condition RiskAssessment Goal Task CommunicationRequest Provenance"
)


class Templates:
    """The charts of those in the hospital at an instant, by resource type and story, as text with MARK in its ids."""

    def __init__(self, now: datetime) -> None:
        known = known_at(now)
        owners = {address: owner for address, body in known.items() if (owner := _owner(body)) is not None}
        inside = sorted(
            owners[address]
            for address, body in known.items()
            if address.startswith("Encounter/") and body["status"] == "in-progress"
        )
        self.stories = [owner.removeprefix("Patient/") for owner in inside]
        self.shared = {address: json.dumps(body).encode() for address, body in known.items() if address not in owners}
        self._own: defaultdict[tuple[str, str], list[Json]] = defaultdict(list)
        for address, body in known.items():
            owner = owners.get(address)
            if owner in inside:
                copied = _marked(body, owners.keys())
                copied["meta"] = {"versionId": "1", "lastUpdated": now.isoformat(timespec="milliseconds")}
                self._own[body["resourceType"], owner.removeprefix("Patient/")].append(copied)
        self._texts: dict[tuple[str, str, str], list[bytes]] = {}

    def of(self, kind: str, patient: str, query: Json) -> list[bytes]:
        """A patient's resources of a type, with the ids of the copy."""
        story, _, number = patient.partition("--")
        narrowed = "&".join(f"{name}={query[name]}" for name in ("category", "code", "status") if name in query)
        if (kind, story, narrowed) not in self._texts:
            wanted = [body for body in self._own[kind, story] if _fits(body, query)]
            self._texts[kind, story, narrowed] = [json.dumps(body).encode() for body in wanted]
        return [text.replace(MARK.encode(), f"--{number}".encode()) for text in self._texts[kind, story, narrowed]]

    def all_of(self, patient: str) -> list[bytes]:
        """Everything of a patient, what is pointed to first."""
        story = patient.partition("--")[0]
        return [text for kind, owner in self._own if owner == story for text in self.of(kind, patient, {})]

    def count(self, kind: str) -> dict[str, int]:
        """How many of a type each story has."""
        return {story: len(self._own[kind, story]) for story in self.stories}


class Ward:
    """The server. `patients` are copies of the stories in turn."""

    def __init__(self, templates: Templates) -> None:
        self.templates = templates
        self.patients: list[str] = []
        self.delay = 0.0
        self._left: dict[str, bytes] = {}  # what was written, by Type/id, packed
        self._by_patient: defaultdict[tuple[str, str], dict[str, None]] = defaultdict(dict)
        self._open: defaultdict[str, dict[str, None]] = defaultdict(dict)
        self._numbers = itertools.count(1)
        self._asked = 0

    def resize(self, count: int) -> None:
        stories = self.templates.stories
        self.patients = [f"{stories[i % len(stories)]}--{i}" for i in range(count)]
        self._left.clear()
        self._by_patient.clear()
        self._open.clear()

    def search(self, kind: str, query: Json, start: int, size: int) -> tuple[list[bytes], int]:
        """A page of what fits, and how many fit."""
        asked = query.get("_id") if kind == "Patient" else query.get("patient")
        if kind in ("Location", "Medication"):
            found = [text for one in query["_id"].split(",") if (text := self.templates.shared.get(f"{kind}/{one}"))]
        elif asked is None and kind == "Encounter":
            return self._census(kind, query, start, size)
        elif asked is None:
            own = self._open[kind]
            return [self._text(key) for key in itertools.islice(own, start, start + size)], len(own)
        else:
            patients = [one.removeprefix("Patient/") for one in asked.split(",")]
            if kind in OURS:
                found = [self._text(key) for patient in patients for key in self._by_patient[kind, patient]]
            else:
                found = [text for patient in patients for text in self.templates.of(kind, patient, query)]
        return found[start : start + size], len(found)

    def _census(self, kind: str, query: Json, start: int, size: int) -> tuple[list[bytes], int]:
        """The patients are the stories in turn, so where a page begins follows from one turn."""
        turn = [len(self.templates.of(kind, f"{story}--0", query)) for story in self.templates.stories]
        turns, rest = divmod(len(self.patients), len(turn))
        skipped, before = divmod(start, sum(turn))
        later = itertools.islice(self.patients, skipped * len(turn), None)
        texts = (text for patient in later for text in self.templates.of(kind, patient, query))
        return list(itertools.islice(texts, before, before + size)), turns * sum(turn) + sum(turn[:rest])

    def carry_out(self, bundle: Json) -> Json:
        return {
            "resourceType": "Bundle",
            "type": "transaction-response",
            "entry": [{"response": self._entry(entry)} for entry in bundle["entry"]],
        }

    def _entry(self, entry: Json) -> Json:
        body, request = entry["resource"], entry["request"]
        kind = body["resourceType"]
        if request["method"] == "PUT":
            key = request["url"]
            version = str(int(json.loads(self._text(key))["meta"]["versionId"]) + 1)
        else:
            key, version = f"{kind}/w{next(self._numbers)}", "1"
        body = {**body, "id": key.partition("/")[2], "meta": {**body.get("meta", {}), "versionId": version}}
        if kind in OURS:
            self._left[key] = zlib.compress(json.dumps(body).encode(), 1)
            if body["status"] in _OPEN[kind]:
                self._open[kind][key] = None
            else:
                self._open[kind].pop(key, None)
            subject = (body.get("for") or body["subject"])["reference"].removeprefix("Patient/")
            self._by_patient[kind, subject][key] = None
        status = "200 OK" if request["method"] == "PUT" else "201 Created"
        return {"status": status, "location": f"{key}/_history/{version}", "etag": f'W/"{version}"'}

    def _text(self, key: str) -> bytes:
        return zlib.decompress(self._left[key])


def application(ward: Ward) -> web.Application:
    async def metadata(request: web.Request) -> web.Response:
        kinds = (
            "Patient Encounter Observation NutritionOrder ServiceRequest Specimen MedicationRequest Medication Location"
        )
        kinds += " MedicationAdministration Condition Flag RiskAssessment Goal Task CommunicationRequest Provenance"
        rest = [{"mode": "server", "resource": [{"type": kind} for kind in kinds.split()]}]
        return _send({"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": rest})

    async def search(request: web.Request) -> web.Response:
        await asyncio.sleep(ward.delay)
        query = dict(request.query)
        size, start = int(query.get("_count", 500)), int(query.pop("_from", 0))
        page, total = ward.search(request.match_info["kind"], query, start, size)
        links = [{"relation": "self", "url": str(request.url)}]
        if start + size < total:
            links.append({"relation": "next", "url": str(request.url.update_query(_from=start + size))})
        base = str(request.url.origin()).encode() + b"/fhir/"
        kind = request.match_info["kind"].encode()
        entries = b",".join(
            b'{"fullUrl":"' + base + kind + b'","resource":' + text + b',"search":{"mode":"match"}}' for text in page
        )
        head = json.dumps({"resourceType": "Bundle", "type": "searchset", "total": total, "link": links})
        return _plain(head[:-1].encode() + b',"entry":[' + entries + b"]}")

    async def transaction(request: web.Request) -> web.Response:
        await asyncio.sleep(ward.delay)
        return _send(ward.carry_out(json.loads(await request.read())))

    async def settle(request: web.Request) -> web.Response:
        if "patients" in request.query:
            ward.resize(int(request.query["patients"]))
        if "delay_ms" in request.query:
            ward.delay = int(request.query["delay_ms"]) / 1000
        return _send({"observations": ward.templates.count("Observation"), "stories": ward.templates.stories})

    app = web.Application(client_max_size=2**26)
    app.router.add_get("/fhir/metadata", metadata)
    app.router.add_get("/fhir/{kind}", search)
    app.router.add_post("/fhir", transaction)
    app.router.add_put("/-/", settle)
    return app


def _send(body: Json) -> web.Response:
    return _plain(json.dumps(body).encode())


def _plain(body: bytes) -> web.Response:
    return web.Response(body=body, content_type="application/fhir+json")


def _owner(body: Json) -> str | None:
    return patient_of(body) if body["resourceType"] not in ("Location", "Medication") else None


def _marked(node: Any, own: Iterable[str]) -> Any:
    """A copy with MARK at the end of the resource's id and of every reference to what is a patient's own."""
    if isinstance(node, list):
        return [_marked(item, own) for item in node]
    if not isinstance(node, dict):
        return node
    copied = {name: _marked(value, own) for name, value in node.items()}
    if "resourceType" in copied:
        copied["id"] += MARK
    if isinstance(copied.get("reference"), str) and copied["reference"] in own:
        copied["reference"] += MARK
    return copied


def _fits(body: Json, query: Json) -> bool:
    if "status" in query and body.get("status") not in query["status"].split(","):
        return False
    codings = [f"{c.get('system')}|{c.get('code')}" for c in body.get("code", {}).get("coding", ())]
    if "code" in query and not set(codings) & set(query["code"].split(",")):
        return False
    categories = [c.get("code") for concept in body.get("category", ()) for c in concept.get("coding", ())]
    return "category" not in query or query["category"] in categories


async def _listen(ward: Ward) -> None:
    runner = web.AppRunner(application(ward), access_log=None)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    sys.stdout.write(f"http://127.0.0.1:{runner.addresses[0][1]}/fhir\n")
    sys.stdout.flush()
    await asyncio.Event().wait()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("now", help="an instant of the fictional hospital's ten days")
    asyncio.run(_listen(Ward(Templates(datetime.fromisoformat(parser.parse_args().now)))))
