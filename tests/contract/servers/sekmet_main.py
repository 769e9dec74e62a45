"""Start the sekmet FHIR server on a free loopback port. Runs inside the servers' own environment.

Arguments: a fresh folder for its data, and `full` or `bare`. As published (`bare`) it stores NutritionOrder,
RiskAssessment and Goal but cannot search them: it ignores the parameters, says so and returns everything.
`full` declares those parameters to it. The only thing printed is the base address. It ends when its standard
input closes, so that no server outlives the tests.
"""

import importlib
import json
import os
import socket
import sys
import threading
from pathlib import Path

import uvicorn

_MISSING_PARAMETERS = {
    "NutritionOrder": """
        identifier:token:identifier
        status:token:status
        patient:reference:patient
        encounter:reference:encounter
        datetime:date:dateTime
        provider:reference:orderer
        formula:token:enteralFormula.baseFormulaType
        oraldiet:token:oralDiet.type
        supplement:token:supplement.type
    """,
    "CommunicationRequest": """
        category:token:category
        priority:token:priority
        based-on:reference:basedOn
        replaces:reference:replaces
    """,
    "RiskAssessment": """
        identifier:token:identifier
        patient:reference:subject:Patient
        subject:reference:subject
        encounter:reference:encounter
        date:date:occurrenceDateTime|occurrencePeriod
    """,
    "Goal": """
        identifier:token:identifier
        patient:reference:subject:Patient
        subject:reference:subject
        category:token:category
        lifecycle-status:token:lifecycleStatus
        start-date:date:startDate
    """,
}


def main(data: Path, variant: str) -> None:
    listening = socket.create_server(("127.0.0.1", 0))
    base = f"http://127.0.0.1:{listening.getsockname()[1]}/fhir"
    settings = {
        "base_url": base,
        "data_dir": str(data),
        "log_inbound": False,
        "simulator": {"enabled": False},  # it would answer orders by itself
    }
    config = data / "settings.yaml"
    config.write_text(json.dumps(settings))  # JSON is YAML
    os.environ["SEKMET_CONFIG"] = str(config)
    os.chdir(data)
    if variant == "full":
        table = importlib.import_module("sekmet.fhir.search_params")
        for kind, lines in _MISSING_PARAMETERS.items():
            table._DEFS[kind] = table._DEFS.get(kind, "").rstrip() + lines
        table.PARAMS.clear()
        table.PARAMS.update(table._parse())
    threading.Thread(target=_end_with_parent, daemon=True).start()
    sys.stdout.write(base + "\n")
    sys.stdout.flush()
    server = uvicorn.Server(
        uvicorn.Config("sekmet.main:app_factory", factory=True, access_log=False, log_level="warning")
    )
    server.run(sockets=[listening])


def _end_with_parent() -> None:
    sys.stdin.read()
    os._exit(0)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
