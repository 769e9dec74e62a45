"""Cards: short enough, as urgent as the advice, plain in any Markdown, without anything that could place an order."""

import json
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from markdown_it import MarkdownIt

from andante.domain.advice import AdviceCode, NoticeCode, Priority
from andante.drafts import Verdict
from andante.present.as_card import REASONS, Frame, OverrideReason, draft_card, patient_card
from andante.rules.draft import Bound, Limit, Weighed
from andante.shared_files import shared
from andante.wording import CAUTION
from andante.writeback.site import DEFAULT_BASE, Site
from builders import a_notice, an_advice, an_assessment

FRAME = Frame(site=Site())
UUID = "f5f5a1b0-7d5e-4d54-9a55-9a1c3a1d2e01"
HOLD = Bound(limit=Limit.EVIDENCE, kcal=Decimal("959.4"))
WEIGHED = Weighed(
    brings=Decimal("1200.2"),
    runs=Decimal(960),
    beside=Decimal("2160.2"),
    instead=Decimal("1200.2"),
    replaces=True,
    bounds=(HOLD,),
    passed=(HOLD,),
    passed_anyway=(HOLD,),
    rises_later="",
    problems=(),
)


def stands(**advice: Any) -> dict[str, Any]:
    card = patient_card(an_assessment(an_advice(**advice)), FRAME, uuid=UUID)
    assert card is not None
    return card


def weighed(code: AdviceCode = AdviceCode.HOLD, **changes: Any) -> dict[str, Any]:
    verdict = Verdict(assessment=an_assessment(an_advice(code)), weighed=replace(WEIGHED, **changes))
    card = draft_card(verdict, FRAME, uuid=UUID)
    assert card is not None
    return card


@pytest.mark.parametrize("length", [1, 100, 139, 140, 141, 5000])
def test_a_summary_is_always_under_140_signs(length: int) -> None:
    summary = stands(headline="x" * length)["summary"]
    assert len(summary) < 140
    assert summary.startswith("Hold: no more energy than now: x")


@pytest.mark.parametrize(
    ("advice", "notice", "indicator"),
    [
        (Priority.ROUTINE, None, "info"),
        (Priority.URGENT, None, "warning"),
        (Priority.ASAP, None, "warning"),
        (Priority.STAT, None, "critical"),
        (Priority.ROUTINE, Priority.ROUTINE, "info"),
        (Priority.ROUTINE, Priority.URGENT, "warning"),
        (Priority.URGENT, Priority.STAT, "critical"),
    ],
)
def test_a_card_is_as_urgent_as_the_most_urgent_thing_it_tells(
    advice: Priority, notice: Priority | None, indicator: str
) -> None:
    notices = (a_notice(NoticeCode.LAB_GAP, priority=notice),) if notice else ()
    card = patient_card(an_assessment(an_advice(priority=advice), notices=notices), FRAME, uuid=UUID)
    assert card is not None
    assert card["indicator"] == indicator
    assert ("To be seen to" in card["detail"]) is bool(notices)


@pytest.mark.parametrize("code", [code for code in AdviceCode if code.is_silent])
def test_nobody_is_shown_that_nothing_is_to_be_done(code: AdviceCode) -> None:
    assert patient_card(an_assessment(an_advice(code)), FRAME, uuid=UUID) is None


def test_every_card_says_why_what_would_change_it_by_which_protocol_and_the_caution() -> None:
    for card in (stands(), weighed()):
        for part in ("**Why**", "Phosphate 0.62 mmol/L is low.", "**What would change this**", "aspen-2020 1.0.0"):
            assert part in card["detail"]
        assert CAUTION in card["detail"]
        assert card["uuid"] == UUID


@pytest.mark.parametrize(
    "evil",
    [
        "<script>alert(1)</script>",
        "![x](https://evil.example/x.png)",
        "[a](javascript:alert(1))",
        "https://evil.example",
        "www.evil.example",
        "a@evil.example",
        "| a | b |",
        "# a title",
        "- a bullet",
        "1. a number",
        "```code```",
        "&lt;b&gt;",
        "first\n\n# second",
    ],
)
def test_nothing_of_a_chart_comes_alive_as_markdown(evil: str) -> None:

    shown = stands(because=(evil,), headline=evil, would_change=(evil,))["detail"]
    html = MarkdownIt("gfm-like", {"linkify": False, "html": True}).render(shown)
    assert not [tag for tag in ("<script", "<img", "<a ", "<table", "<h1", "<code", "<ol") if tag in html]
    assert html.count("<ul>") == shown.count("**\n\n- ")
    assert not [link for link in ("://", "www.", "a@") if link in shown]  # what GitHub's flavour links by itself


def test_nothing_in_a_card_could_place_an_order() -> None:
    for card in (stands(), weighed(), weighed(passed_anyway=())):
        assert not {"suggestions", "systemActions", "selectionBehavior"} & card.keys()
        assert '"actions"' not in json.dumps(card)


# --------------------------------------------------------------------------- drafts


@pytest.mark.parametrize(
    ("changes", "summary", "indicator"),
    [
        ({}, "With this draft 1201 kcal/day: more than what the evidence allows, 959 kcal/day", "warning"),
        (
            {"passed_anyway": ()},
            "Only if the running feed stops: 1201 kcal/day; with both 2161 kcal/day, more than what the evidence",
            "warning",
        ),
        ({"beside": None, "problems": ("no density",)}, "This draft cannot be checked: its energy, or what", "warning"),
        ({"bounds": (), "passed": (), "passed_anyway": ()}, "This draft cannot be checked", "warning"),
        (
            {"passed": (), "passed_anyway": (), "rises_later": "to 1440 kcal/day Sat 8 Mar 08:00"},
            "This draft rises by itself to 1440 kcal/day Sat 8 Mar 08:00: the draws before then decide",
            "info",
        ),
    ],
)
def test_a_draft_is_told_in_one_line(changes: dict[str, Any], summary: str, indicator: str) -> None:
    card = weighed(**changes)
    assert card["summary"].startswith(summary)
    assert card["indicator"] == indicator


def test_while_an_urgent_review_is_advised_a_draft_beyond_it_is_critical() -> None:
    assert weighed(AdviceCode.URGENT_REVIEW)["indicator"] == "critical"


def test_a_draft_within_everything_is_not_told() -> None:
    within = replace(WEIGHED, passed=(), passed_anyway=())
    assert draft_card(Verdict(assessment=an_assessment(), weighed=within), FRAME, uuid=UUID) is None


def test_a_sum_never_looks_smaller_and_a_limit_never_larger_than_it_is() -> None:
    detail = weighed()["detail"]
    assert "what the evidence allows: 959 kcal/day" in detail
    assert "the draft brings 1201 kcal/day" in detail


# --------------------------------------------------------------------------- why somebody goes on


def test_the_published_reasons_are_the_ones_that_are_offered() -> None:
    system = json.loads(shared("fhir", "CodeSystem-override-reason.json").read_text(encoding="utf-8"))
    assert {c["code"]: c["display"] for c in system["concept"]} == {r.value: REASONS[r] for r in OverrideReason}
    offered = weighed()["overrideReasons"]
    assert {reason["code"] for reason in offered} == {r.value for r in OverrideReason}
    assert {reason["system"] for reason in offered} == {f"{DEFAULT_BASE}/CodeSystem/override-reason"}
    assert system["url"] == offered[0]["system"]


def test_that_the_running_feed_stops_is_a_reason_only_where_one_runs() -> None:
    codes = {reason["code"] for reason in weighed(replaces=False)["overrideReasons"]}
    assert OverrideReason.RUNNING_FEED_STOPS.value not in codes
