"""The resources that leave: R4 as the library knows it, and every element where the design says it stands."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from fhir.resources.R4B import get_fhir_model_class

from andante.domain.advice import AdviceCode, GapStage, NoticeCode, Priority, Tell
from andante.domain.quantities import Analyte
from andante.errors import InputError
from andante.wording import CAUTION, advice_text
from andante.writeback.site import Site
from andante.writeback.writer import transaction_bundle
from builders import NOW, a_fact, a_notice, an_advice, an_assessment

SITE = Site()
BASE = SITE.base


def bundle_of(*args: Any, site: Site = SITE, **more: Any) -> dict[str, dict[str, Any]]:
    """The resources of the transaction by type; the assessment leaves one of each at most."""
    bundle = transaction_bundle(an_assessment(*args, **more), site)
    return {entry["resource"]["resourceType"]: entry["resource"] for entry in bundle["entry"]}


def coded(concepts: Any) -> list[tuple[str, str]]:
    concepts = concepts if isinstance(concepts, list) else [concepts]
    return [(c["system"].removeprefix(BASE), c["code"]) for concept in concepts for c in concept["coding"]]


def test_a_task_is_a_proposal_and_never_an_order() -> None:
    task = bundle_of()["Task"]
    assert (task["status"], task["intent"]) == ("requested", "proposal")
    assert "basedOn" not in task
    assert "partOf" not in task
    assert coded(task["code"]) == [("/CodeSystem/advice", "hold"), ("/CodeSystem/rule", "low-while-feeding")]


def test_a_task_says_about_whom_about_what_from_when_until_when() -> None:
    task = bundle_of(an_advice(priority=Priority.URGENT))["Task"]
    assert task["for"] == {"reference": "Patient/p1"}
    assert task["encounter"] == {"reference": "Encounter/e1"}
    assert task["focus"]["reference"] == "NutritionOrder/feed/_history/2"
    assert task["priority"] == "urgent"
    assert datetime.fromisoformat(task["authoredOn"]) == NOW
    assert datetime.fromisoformat(task["lastModified"]) == NOW
    assert datetime.fromisoformat(task["restriction"]["period"]["end"]) == datetime(2026, 11, 25, 18, 30, tzinfo=UTC)


def test_a_task_has_no_focus_or_limit_where_there_is_none() -> None:
    task = bundle_of(an_advice(AdviceCode.DRAW_FIRST, focus="", valid_until=None), encounter="")["Task"]
    assert not {"focus", "restriction", "encounter"} & task.keys()


def test_a_task_carries_its_evidence_as_versioned_references_and_in_words() -> None:
    task = bundle_of(evidence=(a_fact(), a_fact("goal", "1800 kcal/day", when=None, source="")))["Task"]
    inputs = [(coded(i["type"])[0][1], i["type"].get("text"), i) for i in task["input"] if "coding" in i["type"]]
    assert [(kind, text) for kind, text, _ in inputs] == [
        ("evidence", "phosphate"),
        ("evidence-value", "phosphate"),
        ("evidence-value", "goal"),
        ("evidence-fingerprint", None),
        ("seal", None),
    ]
    assert inputs[0][2]["valueReference"]["reference"] == "Observation/po4-1/_history/1"
    assert inputs[1][2]["valueString"] == "phosphate: 0.62 mmol/L, Wed 25 Nov 2026 05:10"


def test_a_task_holds_the_first_line_and_the_whole_text_with_the_caution() -> None:
    assessment = an_assessment()
    task = bundle_of()["Task"]
    assert task["description"] == "Ward 3, bed 12: hold at 40 mL/h"
    assert task["note"][0]["text"] == advice_text(assessment, UTC)
    assert task["note"][0]["text"].endswith(CAUTION)


def test_the_service_is_a_logical_reference() -> None:
    task = bundle_of()["Task"]
    assert "reference" not in task["requester"]
    assert task["requester"]["type"] == "Device"
    assert task["requester"]["identifier"]["value"] == "andante"


def test_without_routing_a_task_names_the_role_only() -> None:
    task = bundle_of()["Task"]
    assert coded(task["performerType"]) == [("/CodeSystem/tell", "dietitian")]
    assert "owner" not in task


def test_with_routing_a_task_has_an_owner_and_a_notice_a_recipient() -> None:
    site = Site(recipients={Tell.DIETITIAN: "CareTeam/nst", Tell.PRESCRIBER: "PractitionerRole/duty"})
    found = bundle_of(site=site, notices=(a_notice(),))
    assert found["Task"]["owner"] == {"reference": "CareTeam/nst"}
    assert found["CommunicationRequest"]["recipient"] == [{"reference": "PractitionerRole/duty"}]


@pytest.mark.parametrize(
    "reference", ["Patient/p1", "Medication/x", "dr-who", "PractitionerRole/a b", "https://x/Organization/1"]
)
def test_routing_to_what_cannot_own_a_task_is_refused(reference: str) -> None:
    with pytest.raises(InputError, match="routing of dietitian"):
        Site(recipients={Tell.DIETITIAN: reference})


@pytest.mark.parametrize(
    "base", ["", "ftp://x", "https://x/fhir/", "https://x/fhir?a=b", "https://x/fhir|1", "https://x y"]
)
def test_a_base_that_would_break_searches_is_refused(base: str) -> None:
    with pytest.raises(InputError, match="canonical base"):
        Site(base=base)


def test_a_notice_reaches_the_inbox_and_says_what_about() -> None:
    notice = a_notice(
        stage=GapStage.NOT_ORDERED,
        evidence=(a_fact(), a_fact("feed", "active", source="NutritionOrder/feed/_history/2")),
    )
    request = bundle_of(notices=(notice,))["CommunicationRequest"]
    assert request["status"] == "active"
    assert coded(request["category"]) == [("/CodeSystem/notice", "lab-gap"), ("/CodeSystem/gap-stage", "not-ordered")]
    assert request["subject"] == {"reference": "Patient/p1"}
    assert [a["reference"] for a in request["about"]] == [
        "Observation/po4-1/_history/1",
        "NutritionOrder/feed/_history/2",
    ]
    assert [r["reference"] for r in request["reasonReference"]] == ["Observation/po4-1/_history/1"]
    assert "orders nothing" in request["payload"][0]["contentString"]
    assert len(request["payload"]) == 3
    assert "reference" not in request["recipient"][0]


def test_a_provenance_explains_everything_written_at_once() -> None:
    bundle = transaction_bundle(an_assessment(notices=(a_notice(), a_notice(analytes=(Analyte.POTASSIUM,)))), SITE)
    *written, last = bundle["entry"]
    provenance = last["resource"]
    assert provenance["resourceType"] == "Provenance"
    assert [t["reference"] for t in provenance["target"]] == [entry["fullUrl"] for entry in written]


def test_a_provenance_lets_the_advice_be_worked_out_again() -> None:
    instant = datetime(2026, 11, 25, 6, 30, 12, 345678, tzinfo=UTC)
    provenance = bundle_of(now=instant)["Provenance"]
    assert [e["what"]["reference"] for e in provenance["entity"] if e["role"] == "source"] == [
        "Patient/p1/_history/1",
        "Encounter/e1/_history/3",
        "Observation/po4-1/_history/1",
    ]
    assert datetime.fromisoformat(provenance["occurredDateTime"]) == instant
    assert provenance["policy"] == [f"{BASE}/protocol/aspen-2020|1.0.0", f"{BASE}/protocol-hash/{'5f' * 32}"]
    assert provenance["agent"][0]["who"]["display"] == f"Andante {SITE.version}"


def test_versions_survive_servers_that_cut_them_off_references() -> None:
    found = bundle_of()
    assert all(e["what"]["display"] == e["what"]["reference"] for e in found["Provenance"]["entity"])
    assert found["Task"]["input"][0]["valueReference"]["display"] == "Observation/po4-1/_history/1"


def test_instants_are_written_in_the_hospitals_zone() -> None:
    task = bundle_of(site=Site(zone=ZoneInfo("Europe/Vienna")))["Task"]
    assert task["authoredOn"] == "2026-11-25T07:30:00+01:00"
    assert "Wed 25 Nov 2026 06:10" in task["note"][0]["text"]


def test_the_same_assessment_gives_the_same_bytes() -> None:
    one, two = (json.dumps(transaction_bundle(an_assessment(notices=(a_notice(),)))) for _ in range(2))
    assert one == two


def test_a_silent_assessment_is_an_empty_transaction() -> None:
    bundle = transaction_bundle(an_assessment(an_advice(AdviceCode.NOT_AT_RISK)))
    assert bundle == {"resourceType": "Bundle", "type": "transaction"}


@pytest.mark.parametrize("code", [code for code in AdviceCode if not code.is_silent])
def test_every_advice_becomes_a_valid_task(code: AdviceCode) -> None:
    found = bundle_of(an_advice(code))
    assert found.keys() == {"Task", "Provenance"}
    for name, resource in found.items():
        get_fhir_model_class(name).model_validate(resource)


@pytest.mark.parametrize("code", list(NoticeCode))
def test_every_notice_becomes_a_valid_communication_request(code: NoticeCode) -> None:
    resource = bundle_of(notices=(a_notice(code),))["CommunicationRequest"]
    get_fhir_model_class("CommunicationRequest").model_validate(resource)
    assert ("/CodeSystem/notice", code.value) in coded(resource["category"])


def test_no_name_of_a_patient_is_needed() -> None:
    # The assessment has no field for one; what the inbox shows is ward and bed.
    assert "Ward 3, bed 12" in bundle_of()["Task"]["description"]
    assert "display" not in bundle_of()["Task"]["for"]


def test_another_base_moves_all_our_names() -> None:
    site = Site(base="https://fhir.hospital.example/andante")
    text = json.dumps(transaction_bundle(replace(an_assessment(), notices=(a_notice(),)), site))
    assert BASE not in text
    assert site.system("advice") in text
