"""A site that routes by ward, and a server that for once does not say where anybody lies."""

from pathlib import Path
from typing import Any

import httpx
import pytest

from state_places import Running, Ward

SITE = """
[routing]
dietitian = "PractitionerRole/dietitians"
nurse = "PractitionerRole/nurses"

[[ward]]
location = "Location/ward-heron"
name = "Heron Ward"
routing = { dietitian = "PractitionerRole/dietitian-heron", nurse = "PractitionerRole/nurse-heron" }
"""
PATIENT = "quillfeather"  # in Heron Ward


@pytest.fixture
def ward(tmp_path: Path) -> Ward:
    site = tmp_path / "site.toml"
    site.write_text(SITE)
    return Ward(given={"site": site})


def without_places(_number: int, request: httpx.Request) -> None:
    if request.url.path.endswith("/Location"):
        raise httpx.ReadError("gone")


def with_places(_number: int, _request: httpx.Request) -> None: ...


def standing(ward: Ward) -> dict[str, tuple[str, Any]]:
    """Version, and whom it is for, of all that is open."""
    return {
        f"{body['resourceType']}/{body['id']}": (body["meta"]["versionId"], body.get("owner") or body.get("recipient"))
        for body in ward.stage.inbox()
    }


async def whole(one: Running) -> None:
    assert (await one.round()).whole


async def test_nothing_open_is_sent_to_somebody_else_for_one_search_that_failed(ward: Ward) -> None:
    async with ward.process(None) as one:
        await one.first_round()
        await whole(one)
        before = standing(ward)
        assert "heron" in str(before)
        one.between.on_request = without_places
        report = await one.round()
        assert standing(ward) == before
        assert {outcome.incomplete for outcome in report.outcomes} == {("Location",)}
        one.between.on_request = with_places
        await whole(one)
        assert standing(ward) == before


async def test_a_danger_is_told_all_the_same(ward: Ward) -> None:
    async with ward.process(None) as one:
        await one.first_round()
        ward.low_potassium(patient=PATIENT)
        one.between.on_request = without_places
        report = await one.round()
        [outcome] = [one for one in report.outcomes if one.patient == f"Patient/{PATIENT}"]
        assert outcome.assessment is not None
        assert outcome.assessment.advice.code == "urgent-review"
        tasks = [body for body in ward.stage.inbox() if body["resourceType"] == "Task"]
        [task] = [body for body in tasks if body["for"]["reference"] == f"Patient/{PATIENT}"]
        assert task["code"]["coding"][0]["code"] == "urgent-review"


async def test_where_nobody_is_told_by_ward_no_suggestion_waits_for_places(ward: Ward) -> None:
    """There the ward is only part of the text: a server that never tells it must not keep anything back."""
    ward.given.clear()
    async with ward.process(None) as one:
        one.between.on_request = without_places
        await one.first_round()
        await whole(one)
        assert len(ward.open_advice()) == 4
