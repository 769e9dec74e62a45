"""The searches the service asks, each tried as it is asked in a round, and looked over for what they leave out."""

from collections.abc import Mapping, Sequence
from contextlib import aclosing
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from andante.chart.changes import SHARED
from andante.chart.chart import reference_key
from andante.chart.decoding import decode_resource
from andante.chart.models import Patient, Resource, subject_of
from andante.chart.questions import Question, ReadPlan, census_question, chart_questions, inbox_questions
from andante.errors import Absent, AccessRefused, Refused, ServerError
from andante.fhir_http.read import FhirReader, Params
from andante.server_check.finding import Finding, Requirement, State, found, raise_if_away
from andante.server_check.purposes import CENSUS, GROUPS, LEFT_OPEN, READ_FOR, SLOWER, WHOLE

NOBODY = ("andante-check-1", "andante-check-2")
"""Whom to ask for on a server without patients."""
_MOST_PAGES = 3  # of a comparison: it may be a long chart
_INNER = timedelta(days=4)  # a comparison looks so much less far back: at the edge a search may rightly differ
_INBOX = frozenset({"Task", "CommunicationRequest"})


@dataclass
class Tried:
    """What came of a search: the matches the question accepts, by `Type/id`, and what was odd about it."""

    accepted: dict[str, Resource] = field(default_factory=dict)
    ignored: bool = False
    truncated: bool = False
    strangers: bool = False


async def check_searches(
    reader: FhirReader,
    plan: ReadPlan,
    offered: frozenset[str],
    *,
    open_items: Mapping[str, Params],
    now: datetime,
) -> tuple[list[Finding], tuple[str, ...]]:
    """A finding for each search, and the ids of up to two patients who are there. Raises Unreachable.

    `open_items` are the searches for what was left open, by resource type.
    """
    census, everybody = await _census(reader, plan)
    inside = list(dict.fromkeys(_patient_of(one) for one in everybody.values()))
    patients = tuple(one for one in inside if one)[:2] or await _any_patients(reader)
    group = patients or NOBODY
    findings, all_found = [census], dict[str, set[str]]()
    for question in (*chart_questions(plan, now), *inbox_questions(plan)):
        finding, keys = await _check(reader, question, group, plan, offered)
        findings.append(finding)
        all_found.setdefault(question.resource_type, set()).update(keys)
    for kind in sorted(SHARED):
        asked = (("_id", ",".join(NOBODY)), ("_count", str(len(NOBODY))))
        findings.append(await _check_other(reader, kind, asked, READ_FOR[kind], offered))
    for kind, params in open_items.items():
        findings.append(await _check_other(reader, kind, params, LEFT_OPEN, offered))
    findings.append(_groups(patients, all_found["Patient"]))
    findings.append(await _finds_everything(reader, plan, group, all_found, now=now))
    return findings, patients


async def _check(
    reader: FhirReader, question: Question, group: Sequence[str], plan: ReadPlan, offered: frozenset[str]
) -> tuple[Finding, frozenset[str]]:
    kind = question.resource_type
    purpose, without = READ_FOR[kind]
    params = question.params(tuple(group), plan.page_size)
    required = question.needed or kind in _INBOX
    requirement = Requirement(title=_title(kind, params), needed=required, purpose=purpose, without=without)
    return await _judge(reader, question, params, group, requirement, offered)


async def _check_other(
    reader: FhirReader, kind: str, params: Params, words: tuple[str, str], offered: frozenset[str]
) -> Finding:
    """A search that is not about patients known beforehand."""
    purpose, without = words
    requirement = Requirement(title=_title(kind, params), needed=False, purpose=purpose, without=without)
    finding, _ = await _judge(reader, Question(resource_type=kind), params, None, requirement, offered)
    if finding.state is State.MISSING and kind != "Medication":  # without which a drug might hide energy
        return found(requirement, State.FALLBACK, finding.seen)
    return finding


def _title(kind: str, params: Params) -> str:
    names = (name.lstrip("_") for name, _ in params if name not in ("_count", "_total"))
    return f"{kind} by {', '.join(names)}"


async def _judge(
    reader: FhirReader,
    question: Question,
    params: Params,
    group: Sequence[str] | None,
    requirement: Requirement,
    offered: frozenset[str],
) -> tuple[Finding, frozenset[str]]:
    kind, required = question.resource_type, requirement.needed
    try:
        tried = await _try(reader, question, params, group)
    except (Absent, Refused, AccessRefused) as error:
        lacking = bool(offered) and kind not in offered and not isinstance(error, AccessRefused)
        if lacking:
            return found(requirement, State.MISSING if required else State.FALLBACK, "not offered"), frozenset()
        return _fails(requirement, f"refused ({error.status})"), frozenset()
    except ServerError as error:
        raise_if_away(error)
        return _fails(requirement, str(error)), frozenset()
    state, seen = State.PRESENT, "answered as asked"
    if tried.ignored:
        state, seen = State.FALLBACK, "a parameter is not known, and the server says so: all that comes is checked"
    elif tried.strangers:
        state, seen = State.FALLBACK, "more comes than was asked for, without a word: all that comes is checked"
    elif tried.truncated:
        state, seen = State.FALLBACK, "cut short without a next page: smaller groups are asked, down to one patient"
    if state is State.FALLBACK:
        requirement = replace(requirement, without=SLOWER)
    return found(requirement, state, seen), frozenset(tried.accepted)


def _fails(requirement: Requirement, seen: str) -> Finding:
    """What is offered must work, even where it could be done without: a read that fails is no empty answer."""
    without = "a read that fails is not taken for an empty one: every chart counts as incomplete, and holds"
    return found(replace(requirement, without=without), State.MISSING, seen, needed=True)


async def _try(
    reader: FhirReader,
    question: Question,
    params: Params,
    group: Sequence[str] | None,
    *,
    most_pages: int | None = None,
) -> Tried:
    tried, pages = Tried(), 0
    async with aclosing(reader.pages(question.resource_type, params)) as answers:
        async for page in answers:
            pages += 1
            tried.ignored = tried.ignored or page.filters_ignored is not None
            tried.truncated = page.truncated
            for item in page.found:
                resource = decode_resource(question.resource_type, item.body)
                if not isinstance(resource, Resource):
                    continue
                if group is not None and _patient_of(resource) not in group:
                    tried.strangers = True
                elif question.accepts(resource):
                    tried.accepted[resource.key] = resource
            if pages == most_pages:
                break
    return tried


async def _census(reader: FhirReader, plan: ReadPlan) -> tuple[Finding, dict[str, Resource]]:
    question = census_question(plan)
    params = (*question.filters, ("_count", str(plan.page_size)), ("_total", "accurate"))
    try:
        tried = await _try(reader, question, params, None)
    except (Absent, Refused, AccessRefused) as error:
        return found(CENSUS, State.MISSING, f"refused ({error.status})"), {}
    except ServerError as error:
        raise_if_away(error)
        return found(CENSUS, State.MISSING, str(error)), {}
    if tried.truncated:
        return found(CENSUS, State.MISSING, "cut short without a next page: somebody may be missing"), tried.accepted
    if tried.ignored:
        seen = "a parameter is not known, and the server says so: all that comes is checked"
        return found(replace(CENSUS, without=SLOWER), State.FALLBACK, seen), tried.accepted
    seen = "answered as asked" if tried.accepted else "answered; nobody is in the hospital"
    return found(CENSUS, State.PRESENT, seen), tried.accepted


async def _any_patients(reader: FhirReader) -> tuple[str, ...]:
    """On a server with nobody in the hospital."""
    question = Question(resource_type="Patient")
    try:
        tried = await _try(reader, question, (("_count", "2"),), None, most_pages=1)
    except ServerError as error:
        raise_if_away(error)
        return ()
    return tuple(one.id for one in tried.accepted.values() if one.id)[:2]


def _groups(patients: Sequence[str], read: set[str]) -> Finding:
    if len(patients) < 2:
        return found(GROUPS, State.UNTRIED, "there are no two patients to try it with")
    if read >= {f"Patient/{one}" for one in patients}:
        return found(GROUPS, State.PRESENT, "both of two came")
    return found(GROUPS, State.MISSING, f"{len(read)} of two came")


async def _finds_everything(
    reader: FhirReader, plan: ReadPlan, group: Sequence[str], all_found: Mapping[str, set[str]], *, now: datetime
) -> Finding:
    """Compare with a search by patient alone: it uses one parameter, and that was tried above."""
    compared, left_out = 0, []
    inner = now + _INNER
    for kind in dict.fromkeys(question.resource_type for question in chart_questions(plan, now) if question.filters):
        alone = Question(resource_type=kind, accepts=_accepted_by_any(plan, kind, inner))
        try:
            tried = await _try(reader, alone, alone.params(tuple(group), plan.page_size), group, most_pages=_MOST_PAGES)
        except ServerError as error:
            raise_if_away(error)
            continue  # it has been told above
        compared += len(tried.accepted)
        if not tried.accepted.keys() <= all_found[kind]:
            left_out.append(kind)
    if left_out:
        return found(WHOLE, State.MISSING, f"left out by the search: {', '.join(left_out)}")
    if not compared:
        return found(WHOLE, State.UNTRIED, "there is nothing to compare")
    return found(WHOLE, State.PRESENT, "compared with searches by patient alone")


def _accepted_by_any(plan: ReadPlan, kind: str, now: datetime) -> "_Accepts":
    return _Accepts(tuple(q for q in chart_questions(plan, now) if q.resource_type == kind))


@dataclass(frozen=True)
class _Accepts:
    questions: tuple[Question, ...]

    def __call__(self, resource: Resource) -> bool:
        return any(question.accepts(resource) for question in self.questions)


def _patient_of(resource: Resource) -> str:
    if isinstance(resource, Patient):
        return resource.id or ""
    subject = subject_of(resource)
    key = reference_key((subject.reference if subject else None) or "") or ""
    return key.removeprefix("Patient/") if key.startswith("Patient/") else ""
