"""What each search is for, and what it means for people to be without it."""

from collections.abc import Mapping

from andante.server_check.finding import Requirement

SLOWER = "slower, since more comes each time; safe, since each is checked"
READ_FOR: Mapping[str, tuple[str, str]] = {
    "Patient": ("age and sex", "nobody can be assessed"),
    "Encounter": ("who is in the hospital, since when and where", "nobody is found"),
    "Observation": ("levels, weights, heights, intakes", "every advice would ask for a draw"),
    "NutritionOrder": ("what is being fed", "nobody is seen to be fed"),
    "ServiceRequest": (
        "whether a missing result was ordered",
        "every missing result is told to the prescriber as not ordered",
    ),
    "Specimen": ("whether a sample was taken", "a lost sample looks like one that was not taken"),
    "MedicationRequest": (
        "vitamins, replacements and energy prescribed",
        "vitamins, replacements and energy from infusions are not seen",
    ),
    "MedicationAdministration": (
        "doses given and feed delivered",
        "what was given is not seen: replacements and delivered energy are reckoned from orders or not at all",
    ),
    "Condition": ("criteria of risk, and who is not covered", "criteria that rest on diagnoses stay unknown"),
    "Flag": ("a clinician's own entry of the risk", "a clinician's own flag is not seen"),
    "RiskAssessment": ("a clinician's own entry of the risk", "a clinician's own assessment is not seen"),
    "Goal": ("the energy goal that the dietitian set", "the goal is reckoned from the weight"),
    "Location": ("the names of wards and beds", "wards and beds are not shown, and nobody is told by ward"),
    "Medication": (
        "what is in a drug that is a resource of its own",
        "what is in drugs that are resources of their own is not seen",
    ),
    "Task": ("what was suggested before, and what people answered", "a person's answer would not be seen"),
    "CommunicationRequest": ("what was told before, and what people answered", "a person's answer would not be seen"),
}

CENSUS = Requirement(
    title="Encounter by status, class",
    needed=True,
    purpose="who is in the hospital",
    without="nobody is found, and nobody is watched",
)
GROUPS = Requirement(
    title="Several patients in one search",
    needed=True,
    purpose="a round asks for twenty patients at a time",
    without="patients would be missing from a round without a word",
)
WHOLE = Requirement(
    title="No search finds less than there is",
    needed=True,
    purpose="a result that a search leaves out would count as missing",
    without="a search parameter is misread: results that are there would count as missing",
)


LEFT_OPEN = ("what was left open for somebody who is no longer there", "it is left open until people close it")
