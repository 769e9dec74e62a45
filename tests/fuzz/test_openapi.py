"""Every address of ours asked in every right and wrong way (schemathesis): documented answers, and never a crash.

What is asked is small and always the same; `deploy/run fuzz` asks much more, and otherwise each time.
"""

import json
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase
from offers import (
    BASE,
    PATIENT,
    SECRET,
    FromLoopback,
    Page,
    document_of_the_page,
    document_of_the_sandbox,
    page_application,
    service_with_everything,
    the_page,
    the_sandbox,
)
from schemathesis import GenerationMode
from schemathesis.python import asgi
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from andante.triggers.api_document import ANSWERS

EXAMPLES = int(os.environ.get("ANDANTE_TEST_EXAMPLES", "20"))
DEEP = os.environ.get("ANDANTE_TEST_DEEP") == "1"
KNOWN = {"patient_id": PATIENT, "service_id": "andante-patient-view", "hook": "laboratory", "kind": "CodeSystem"}
"""Names that exist, put into every other address: else all would end at the door."""
COUNTED: Counter[str] = Counter()
HELD = [
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    response_headers_conformance,
]


@pytest.fixture(scope="module", autouse=True)
def ended() -> Iterator[None]:
    yield
    asgi.shutdown_lifespans()
    if counted := os.environ.get("ANDANTE_TEST_COUNT"):
        Path(counted).write_text(json.dumps(COUNTED))


def asked(
    schema: Any, path: str, method: str, mode: GenerationMode, *, known: dict[str, str], checks: list[Any] = HELD
) -> int:
    """Ask one address many times; how many answers were held against the document."""
    operation = next(o.ok() for o in schema.get_all_operations() if (o.ok().path, o.ok().method) == (path, method))
    count = 0

    @hypothesis.settings(
        max_examples=EXAMPLES,
        derandomize=not DEEP,
        database=None,
        deadline=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @hypothesis.given(case=operation.as_strategy(generation_mode=mode))
    def ask(case: Any) -> None:
        nonlocal count
        count += 1
        COUNTED[f"{method} {path}"] += 1
        if count % 2 and case.path_parameters:
            case.path_parameters |= {name: known[name] for name in case.path_parameters if name in known}
        answer = case.call(base_url=BASE)
        case.validate_response(answer, checks=checks)
        # What is documented above 500 is told on purpose; a defect is not.
        assert answer.status_code != 500, "a defect of ours"

    try:
        ask()
    except hypothesis.errors.Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE
        pytest.skip("there is nothing to get wrong")
    return count


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> FastAPI:
    return service_with_everything(tmp_path_factory.mktemp("keys"))


@pytest.fixture(scope="module")
def documented(service: FastAPI) -> Any:
    return over(service.openapi(), FromLoopback(service, ((b"authorization", f"Bearer {SECRET}".encode()),)))


def over(document: dict[str, Any], application: FromLoopback) -> Any:
    schema = schemathesis.openapi.from_dict(document)
    schema.app = application
    return schema


def test_the_document_names_every_address_that_is_offered_and_no_other(service: FastAPI) -> None:
    offered = {(method, path) for path, methods in service.openapi()["paths"].items() for method in methods}
    assert offered == set(ANSWERS)


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
@pytest.mark.parametrize(("method", "path"), ANSWERS, ids=lambda part: str(part))
def test_every_answer_is_documented_and_none_is_a_crash(
    documented: Any, method: str, path: str, mode: GenerationMode
) -> None:
    if mode is GenerationMode.NEGATIVE and method == "get":
        pytest.skip("there is nothing to get wrong")
    assert asked(documented, path, method, mode, known=KNOWN)


# --------------------------------------------------------------------------- what stands in no document of ours


PAGES = document_of_the_page(page_application())
SANDBOX = FromLoopback(the_sandbox())
INTERACTIONS = document_of_the_sandbox()


@pytest.fixture(scope="module")
def page() -> Page:
    return the_page()


def operations(document: dict[str, Any]) -> list[tuple[str, str]]:
    return [(method, path) for path, methods in document["paths"].items() for method in methods]


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
@pytest.mark.parametrize(("method", "path"), operations(PAGES), ids=lambda part: str(part))
@pytest.mark.parametrize("signed_in", [False, True], ids=["a stranger", "signed in"])
def test_no_address_of_the_page_crashes(
    page: Page, signed_in: bool, method: str, path: str, mode: GenerationMode
) -> None:
    page.application.headers = ((b"cookie", page.cookie),) if signed_in else ()
    known = {"token": page.sheet}
    assert asked(over(PAGES, page.application), path, method, mode, known=known, checks=[status_code_conformance])


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
@pytest.mark.parametrize(("method", "path"), operations(INTERACTIONS), ids=lambda part: str(part))
def test_no_interaction_crashes_the_sandbox(method: str, path: str, mode: GenerationMode) -> None:
    known = {"id": PATIENT, "kind": "Patient"}
    assert asked(over(INTERACTIONS, SANDBOX), path, method, mode, known=known, checks=[status_code_conformance])
