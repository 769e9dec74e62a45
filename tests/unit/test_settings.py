"""Settings come from variables or one file; whatever is not surely meant stops the start with one line."""

from datetime import time
from pathlib import Path

import pytest

from andante import settings
from andante.errors import InputError


@pytest.fixture(autouse=True)
def no_variables(monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    for name in list(os.environ):
        if name.startswith("ANDANTE_"):
            monkeypatch.delenv(name)


def test_nothing_that_matters_on_a_server_has_a_default() -> None:
    found = settings.load()
    assert found.fhir_base is None
    assert found.zone is None
    assert found.only_loopback


def test_variables_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ANDANTE_FHIR_BASE", "https://fhir.example/r4/")
    monkeypatch.setenv("ANDANTE_ROUND_TIMES", "06:30, 14:00")
    monkeypatch.setenv("ANDANTE_ZONE", "Europe/Vienna")
    monkeypatch.setenv("ANDANTE_REWRITE", '{"http://inside/fhir": "https://fhir.example/r4"}')
    found = settings.load()
    assert found.fhir_base == "https://fhir.example/r4"
    assert found.round_times == (time(6, 30), time(14, 0))
    assert str(found.time_zone) == "Europe/Vienna"
    assert found.rewrite == {"http://inside/fhir": "https://fhir.example/r4"}


def test_a_variable_wins_over_the_file_and_the_command_line_over_both(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    config = tmp_path / "andante.toml"
    config.write_text('protocol = "nice-cg32"\nport = 9000\nround_times = ["07:00"]\nzone = "UTC"\n')
    monkeypatch.setenv("ANDANTE_CONFIG", str(config))
    monkeypatch.setenv("ANDANTE_PORT", "9001")
    found = settings.load(zone="Asia/Tokyo", protocol=None)
    assert (found.protocol, found.port, found.zone) == ("nice-cg32", 9001, "Asia/Tokyo")
    assert found.round_times == (time(7),)


REFUSED = [
    ("FHIR_BASE", "ftp://x", "http or https"),
    ("FHIR_BASE", "fhir.example", "http or https"),
    ("FHIR_BASE", "https://user:secret@x/fhir", "must not hold credentials"),
    ("FHIR_BASE", "https://x/fhir?a=1", "path of the base"),
    ("ZONE", "Middle/Earth", "not a time zone"),
    ("ZONE", "../../etc/passwd", "not a time zone"),
    ("ROUND_TIMES", "25:00", "not a time of day"),
    ("ROUND_TIMES", "half six", "not a time of day"),
    ("CONCURRENCY", "0", "greater than or equal to 1"),
    ("CONCURRENCY", "many", "integer"),
    ("PORT", "70000", "less than or equal"),
    ("REWRITE", "not json", "rewrite"),
    ("LOG_LEVEL", "LOUD", "pattern"),
    ("LOG_FORMAT", "xml", "pattern"),
    ("ROUND_LIMIT_S", "1", "greater than or equal to 60"),
    ("OPERATIONS_TOKEN", "secret", "24 to 200 letters"),
    ("TRACES_URL", "udp://secret:4317", "http or https"),
]


@pytest.mark.parametrize(("name", "value", "why"), REFUSED)
def test_a_wrong_setting_is_refused_in_one_line_that_never_repeats_it(
    monkeypatch: pytest.MonkeyPatch, name: str, value: str, why: str
) -> None:
    monkeypatch.setenv(f"ANDANTE_{name}", value)
    with pytest.raises(InputError, match=why) as caught:
        settings.load()
    assert "\n" not in str(caught.value)
    assert "secret" not in str(caught.value)


def test_a_misspelt_variable_is_refused_rather_than_ignored(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ANDANTE_OVRLAY", "site.yaml")
    with pytest.raises(InputError, match="no setting ANDANTE_OVRLAY"):
        settings.load()


def test_secrets_are_not_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ANDANTE_FHIR_TOKEN", "verysecret")
    found = settings.load()
    assert "verysecret" not in f"{found!r} {found} {found.model_dump()}"
    assert found.fhir_token is not None
    assert found.fhir_token.get_secret_value() == "verysecret"


@pytest.mark.parametrize("text", ["port = ", "unknown = 1", "port = 'x'"])
def test_a_wrong_file_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, text: str) -> None:
    config = tmp_path / "andante.toml"
    config.write_text(text)
    monkeypatch.setenv("ANDANTE_CONFIG", str(config))
    with pytest.raises(InputError) as caught:
        settings.load()
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("ANDANTE_CONFIG", str(tmp_path / "nowhere.toml"))
    with pytest.raises(InputError, match="no such file"):
        settings.load()


@pytest.mark.parametrize(
    ("name", "value"),
    [("PAGE_LOGIN", "development"), ("CHANGES_EVERY_S", "300"), ("NOTIFY_URL", "https://andante.example/notify")],
)
def test_what_only_the_rounds_of_this_process_find_is_not_offered_without_the_clock(
    monkeypatch: pytest.MonkeyPatch, name: str, value: str
) -> None:
    monkeypatch.setenv("ANDANTE_NOTIFY_SECRET", "s" * 24 if name == "NOTIFY_URL" else "")
    monkeypatch.setenv(f"ANDANTE_{name}", value)
    assert settings.load().clock
    monkeypatch.setenv("ANDANTE_CLOCK", "false")
    with pytest.raises(InputError, match="belong to the instance that runs the rounds"):
        settings.load()


@pytest.mark.parametrize("name", ["API_TOKEN", "OPERATIONS_TOKEN", "NOTIFY_SECRET"])
@pytest.mark.parametrize(
    ("secret", "taken"),
    [("s", False), ("s" * 23, False), ("s" * 24, True), ("s" * 200, True), ("s" * 201, False), ("s" * 24 + " ", False)],
)
def test_what_proves_a_caller_is_hard_to_guess(
    monkeypatch: pytest.MonkeyPatch, name: str, secret: str, taken: bool
) -> None:
    monkeypatch.setenv("ANDANTE_NOTIFY_URL", "https://andante.example/notify" if name == "NOTIFY_SECRET" else "")
    monkeypatch.setenv(f"ANDANTE_{name}", secret)
    if taken:
        assert getattr(settings.load(), name.lower()).get_secret_value() == secret
        return
    with pytest.raises(InputError, match=f"^setting ANDANTE_{name}: needs 24 to 200"):
        settings.load()
