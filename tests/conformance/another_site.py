"""A site that uses all that a site may decide: its own canonical base, zone, routing, drafts, escalation."""

from datetime import timedelta
from zoneinfo import ZoneInfo

from andante.domain.advice import NoticeCode, Priority, Tell
from andante.writeback.site import Escalation, Site

BASE = "https://hospital.example/fhir/andante"

SITE = Site(
    base=BASE,
    zone=ZoneInfo("Asia/Kathmandu"),  # no whole hour from UTC
    recipients={
        Tell.PRESCRIBER: "PractitionerRole/ward-doctor",
        Tell.NURSE: "CareTeam/ward-nurses",
        Tell.LABORATORY: "Organization/laboratory",
        Tell.DIETITIAN: "HealthcareService/dietetics",
    },
    ward_recipients={"Dunlin Ward": {Tell.DIETITIAN: "Practitioner/dunlin-dietitian"}},
    escalation={
        priority: Escalation(after=timedelta(hours=4), to="PractitionerRole/consultant-on-call")
        for priority in Priority
    },
    drafts=frozenset({NoticeCode.MICRONUTRIENT, NoticeCode.DATA_QUALITY}),
)

STORIES = (
    "lost-in-the-laboratory",
    "moved-ward",
    "oral-to-tube",
    "parenteral",
    "severe-fall",
    "starved-in-hospital",
)
"""Between them they tell everybody of the routing."""
