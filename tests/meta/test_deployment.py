"""The deployment files: looked over by tools of others, and by the promises that no such tool knows.

`deploy/run lint` installs the tools. Nothing is started here: there is no image to be had, no cluster and no init.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest
import yaml
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from andante.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
TOOLS = ROOT / ".servers" / "tools" / "bin"
MANIFESTS = sorted(path for path in (DEPLOY / "kubernetes").glob("*.yaml") if path.name != "kustomization.yaml")


def tool(name: str, *, ours: bool = True) -> str:
    """Its path. Skips where it is missing; fails instead where CI requires what deploy/run installs."""
    beside = TOOLS / name
    found = str(beside) if beside.exists() else shutil.which(name)
    if found is None and ours and os.environ.get("ANDANTE_TEST_REQUIRE_SERVERS"):
        pytest.fail(f"ANDANTE_TEST_REQUIRE_SERVERS is set, but {name} is not installed")
    if found is None:
        pytest.skip(f"{name} is not installed: deploy/run lint")
    return found


def run(*words: str | Path, status: int = 0) -> str:
    done = subprocess.run(list(map(str, words)), capture_output=True, text=True, timeout=120, cwd=ROOT, check=False)
    assert (done.returncode == 0) is (status == 0), done.stdout + done.stderr
    return done.stdout + done.stderr


def documents(path: Path) -> list[dict[str, Any]]:
    return [one for one in yaml.safe_load_all(path.read_text(encoding="utf-8")) if one]


def changed(path: Path, to: Path, before: str, after: str) -> Path:
    """A copy with a fault planted in it."""
    text = path.read_text(encoding="utf-8")
    assert before in text
    to.write_text(text.replace(before, after, 1), encoding="utf-8")
    return to


# --------------------------------------------------------------------------- the container image


def test_the_image_passes_its_linter_and_a_planted_fault_does_not(tmp_path: Path) -> None:
    hadolint = tool("hadolint")
    assert run(hadolint, DEPLOY / "Containerfile") == ""
    latest = changed(DEPLOY / "Containerfile", tmp_path / "Containerfile", "FROM ${PYTHON}\n", "FROM python:latest\n")
    assert "DL3007" in run(hadolint, latest, status=1)


def test_the_image_runs_as_nobody_installs_by_hash_and_is_looked_after() -> None:
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    last = text[text.rindex("\nFROM") :]
    assert re.search(r"^USER 10001:10001$", last, re.MULTILINE)
    assert "HEALTHCHECK" in last
    assert "/health" in last
    assert "RUN" not in last  # nothing is run as root in what is shipped
    installs = re.findall(r"pip install[^&]*", text)
    assert len(installs) == 1
    assert "--require-hashes" in installs[0]
    assert "--no-deps" in installs[0]


def test_what_the_image_takes_is_let_through_to_it() -> None:
    copied = re.findall(r"^COPY (?!--from)(\S+) ", (DEPLOY / "Containerfile").read_text(), re.MULTILINE)
    let = {line[1:] for line in (DEPLOY / "Containerfile.dockerignore").read_text().splitlines() if line[:1] == "!"}
    assert set(copied) == let
    assert all((ROOT / name).exists() for name in copied)


PINNED = re.compile(r"^([a-z0-9][a-z0-9._-]*)==(\S+?)(?: ;[^\\]*)? ?\\\n((?:    --hash=\S+(?: \\)?\n)+)", re.MULTILINE)


def test_the_image_holds_what_was_tested_and_nothing_else() -> None:
    """Each package of the image's lock is the very one of the lock that the tests run with, hash by hash."""
    image, tested = pins("deploy/runtime.lock"), pins("requirements.lock")
    assert image.items() <= tested.items()
    assert {"fastapi", "prometheus-client", "opentelemetry-sdk", "httpx", "psycopg-binary"} <= image.keys()
    assert not {"pytest", "mypy", "ruff", "hypothesis", "playwright"} & image.keys()


def test_the_image_lacks_nothing() -> None:
    """What the project asks for, with its traces and PostgreSQL, and whatever that asks for in turn."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    image = pins("deploy/runtime.lock")
    asked = [
        Requirement(text)
        for text in [
            *project["dependencies"],
            *project["optional-dependencies"]["postgresql"],
            *project["optional-dependencies"]["traces"],
        ]
    ]
    seen: set[str] = set()
    while asked:
        one = asked.pop()
        name = canonicalize_name(one.name)
        if name in seen or not (one.marker is None or one.marker.evaluate({"extra": ""})):
            continue
        seen.add(name)
        assert name in image, f"{name} is missing: make deploy/runtime.lock anew"
        asked += map(Requirement, metadata.requires(name) or ())
    assert len(seen) > 40


def pins(name: str) -> dict[str, tuple[str, frozenset[str]]]:
    """Version and hashes of each package of a lock file."""
    text = lock(name)
    found = {name: (version, frozenset(hashes.split())) for name, version, hashes in PINNED.findall(text)}
    assert len(found) == len(re.findall(r"^[a-z0-9]", text, re.MULTILINE))
    return found


def lock(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


# --------------------------------------------------------------------------- compose, Kubernetes, systemd, alerts


def test_all_yaml_is_well_written() -> None:
    run(tool("yamllint"), "--strict", "--config-file", DEPLOY / "yamllint.yaml", DEPLOY)


def test_the_compose_file_keeps_to_the_specification_and_a_planted_fault_does_not(tmp_path: Path) -> None:
    check = (tool("check-jsonschema"), "--builtin-schema", "vendor.compose-spec")
    run(*check, DEPLOY / "compose.yaml")
    run(*check, changed(DEPLOY / "compose.yaml", tmp_path / "c.yaml", "cap_drop:", "cap_dropped:"), status=1)


def test_the_manifests_keep_to_the_schemas_and_a_planted_fault_does_not(tmp_path: Path) -> None:
    check = (tool("kubernetes-validate"), "--strict")
    run(*check, *MANIFESTS)
    fault = changed(DEPLOY / "kubernetes" / "clock.yaml", tmp_path / "k.yaml", "replicas: 1", "replicas: one")
    run(*check, fault, status=1)


def test_the_manifests_can_be_put_together() -> None:
    rendered = run(tool("kubectl", ours=False), "kustomize", DEPLOY / "kubernetes")
    kinds = [one["kind"] for one in yaml.safe_load_all(rendered)]
    assert sorted(kinds) == sorted(one["kind"] for path in MANIFESTS for one in documents(path))


def _deployments() -> dict[str, dict[str, Any]]:
    found = (one for path in MANIFESTS for one in documents(path) if one["kind"] == "Deployment")
    return {one["metadata"]["name"]: one["spec"] for one in found}


def test_one_has_the_clock_and_the_old_one_is_gone_before_the_new_one_comes() -> None:
    found = _deployments()
    clocks = {
        name: {one["name"]: one["value"] for one in spec["template"]["spec"]["containers"][0]["env"]}["ANDANTE_CLOCK"]
        for name, spec in found.items()
    }
    assert clocks == {"andante-clock": "true", "andante-web": "false"}
    assert found["andante-clock"]["replicas"] == 1
    assert found["andante-clock"]["strategy"] == {"type": "Recreate"}
    assert found["andante-web"]["replicas"] > 1


@pytest.mark.parametrize("name", ["andante-clock", "andante-web"])
def test_pods_run_as_nobody_on_a_file_system_that_cannot_be_written(name: str) -> None:
    pod = _deployments()[name]["template"]["spec"]
    (container,) = pod["containers"]
    assert pod["securityContext"]["runAsNonRoot"] is True
    assert pod["automountServiceAccountToken"] is False
    assert container["securityContext"]["readOnlyRootFilesystem"] is True
    assert container["securityContext"]["capabilities"] == {"drop": ["ALL"]}
    assert container["livenessProbe"]["httpGet"]["path"] == "/health"
    # Kubernetes makes variables up after the names of services; ours refuses every ANDANTE_ variable it does not know.
    assert pod["enableServiceLinks"] is False


def test_every_setting_named_in_a_deployment_exists() -> None:
    known = {f"ANDANTE_{name.upper()}" for name in Settings.model_fields} | {"ANDANTE_CONFIG"}
    files = [*DEPLOY.rglob("*.yaml"), DEPLOY / "Containerfile", DEPLOY / "andante.service"]
    named = {name for path in files for name in re.findall(r"\bANDANTE_[A-Z_]*[A-Z]", path.read_text(encoding="utf-8"))}
    assert {"ANDANTE_CLOCK", "ANDANTE_FHIR_BASE", "ANDANTE_CONFIG"} <= named
    assert named <= known


def test_the_unit_is_understood_and_little_exposed(tmp_path: Path) -> None:
    """2.0 of 10 is what `systemd-analyze security` calls fine; the unit stood at 1.2 when it was written."""
    analyze = tool("systemd-analyze")
    unit = changed(
        DEPLOY / "andante.service", tmp_path / "andante.service", "/opt/andante/.venv/bin/andante", sys.executable
    )
    assert run(analyze, "verify", "--man=no", unit) == ""
    run(analyze, "security", "--offline=true", "--threshold=20", unit)
    bare = tmp_path / "bare.service"
    bare.write_text(f"[Service]\nExecStart={sys.executable}\n")
    run(analyze, "security", "--offline=true", "--threshold=20", bare, status=1)
    misspelt = changed(unit, tmp_path / "odd.service", "NoNewPrivileges=", "NoNewPrivilege=")
    assert "NoNewPrivilege" in run(analyze, "verify", "--man=no", misspelt)


def _rules() -> dict[str, str]:
    (group,) = documents(DEPLOY / "alerts.yaml")[0]["groups"]
    return {rule["alert"]: rule["expr"] for rule in group["rules"]}


PARSE = "import sys, promql_parser; promql_parser.parse(sys.argv[1])"


def test_the_alerts_are_queries() -> None:
    python = Path(tool("yamllint")).with_name("python")
    if not python.exists():
        pytest.skip("promql-parser is not installed: deploy/run lint")
    for expression in _rules().values():
        run(python, "-c", PARSE, expression)
    run(python, "-c", PARSE, "time() - max(", status=1)


def test_the_alerts_ask_for_metrics_that_there_are() -> None:
    """A misspelt metric is no error to Prometheus: its alert would only never be raised."""
    source = "".join(path.read_text() for path in (ROOT / "service/andante/triggers/operations").glob("*.py"))
    made = set(re.findall(r'"(andante_[a-z_]+)"', source)) | {
        f"andante_{name}" for name in re.findall(r'_gauge\("([a-z_]+)"', source)
    }
    asked = {name for expression in _rules().values() for name in re.findall(r"andante_[a-z_]+", expression)}
    assert len(asked) >= 7
    assert {name.removesuffix("_total") for name in asked} <= made


# --------------------------------------------------------------------------- what it is made of


def test_the_licences_are_as_written_and_none_is_to_be_looked_at() -> None:
    run(sys.executable, DEPLOY / "licences.py", "--check")


def test_licences_read_by_hand_still_stand_in_the_packages() -> None:
    sys.path.insert(0, str(DEPLOY))
    from licences import READ_BY_HAND, asks  # type: ignore[import-not-found]

    for name, (_, words) in READ_BY_HAND.items():
        files = [path for path in metadata.files(name) or () if "LICENSE" in str(path).upper() and path.suffix != ".py"]
        assert any(words in path.read_text(encoding="utf-8") for path in files), name
    assert asks("MIT AND GPL-3.0-only") == asks("none named") == asks("AGPL-3.0-or-later") == "**to be looked at**"
    assert asks("GPL-2.0-only OR MIT") == "permissive"
    assert asks("MIT AND MPL-2.0") == "weak copyleft"


def test_the_bill_of_materials_names_everything_in_the_image(tmp_path: Path) -> None:
    """CycloneDX 1.6, validated against its own schema by the tool that writes it."""
    tool("cyclonedx-py")
    written = tmp_path / "bom.json"
    run(DEPLOY / "run", "sbom", written)
    bom = json.loads(written.read_text(encoding="utf-8"))
    assert (bom["bomFormat"], bom["specVersion"]) == ("CycloneDX", "1.6")
    assert bom["metadata"]["component"]["name"] == "andante"
    named = {(one["name"], one["version"]) for one in bom["components"]}
    assert named == {(name, version) for name, version, _ in PINNED.findall(lock("deploy/runtime.lock"))}
    assert all("sha256" in json.dumps(one).lower() or "SHA-256" in json.dumps(one) for one in bom["components"])
