"""Settings, from `ANDANTE_…` variables or the TOML file that ANDANTE_CONFIG names; a variable wins.

Nothing that matters when a server is used has a default: no server, no time zone for `serve`.
"""

import os
from datetime import time
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BeforeValidator,
    Field,
    SecretStr,
    ValidationError,
    field_validator,
)
from pydantic_settings import (
    BaseSettings,
    NoDecode,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    SettingsError,
    TomlConfigSettingsSource,
)

from andante.errors import InputError

PREFIX = "ANDANTE_"
_CONFIG = "ANDANTE_CONFIG"
_TESTING = "ANDANTE_TEST_"  # where the tests find the servers they are run against
_LOOPBACK = ("127.0.0.1", "::1", "localhost")
_RECIPIENTS = ("prescriber", "nurse", "laboratory", "dietitian")


def _times(value: object) -> object:
    """`06:30,18:00` or a list, as it may stand in a variable or in the file."""
    parts = value.split(",") if isinstance(value, str) else value
    if not isinstance(parts, list | tuple) or not parts:
        raise ValueError("write times as 06:30,18:00")
    return tuple(part if isinstance(part, time) else _clock_time(str(part)) for part in parts)


def _clock_time(text: str) -> time:
    try:
        hour, minute = text.strip().split(":")
        return time(int(hour), int(minute))
    except ValueError:
        raise ValueError(f"{text.strip()[:20]!r} is not a time of day such as 06:30") from None


Times = Annotated[tuple[time, ...], NoDecode, BeforeValidator(_times)]


class Settings(BaseSettings):
    """Every setting. The description of each field is its documentation."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, extra="forbid", frozen=True, env_ignore_empty=True)

    fhir_base: str | None = Field(None, description="base address of the FHIR R4 server")
    fhir_token: SecretStr | None = Field(None, description="bearer token for the FHIR server")
    rewrite: dict[str, str] = Field(
        default_factory=dict, description="addresses the server prints, and what to read instead (JSON)"
    )
    concurrency: int = Field(8, ge=1, le=64, description="requests in flight at once")
    protocol: str = Field("aspen-2020", min_length=1, description="id or file of the protocol")
    overlay: Path | None = Field(None, description="file with the site's own numbers")
    codes: Path | None = Field(None, description="file with the site's own codes")
    canonical_base: str = Field("https://andante.example/fhir", description="base of our code systems and identifiers")
    routing: dict[str, str] = Field(
        default_factory=dict,
        description="who is meant by prescriber, nurse, laboratory, dietitian: a FHIR reference each (JSON)",
    )
    zone: str | None = Field(None, description="the hospital's time zone, such as Europe/Vienna")
    round_times: Times = Field((time(6, 30),), description="times of day of the rounds, hospital time")
    night_watch_times: Times = Field((time(20, 0),), description="times of day of the night watch")
    misfire_grace_s: int = Field(900, ge=1, le=7200, description="how late a round may still start, in seconds")
    host: str = Field("127.0.0.1", description="address the service listens on")
    port: int = Field(8080, ge=1, le=65535, description="port the service listens on")
    api_token: SecretStr | None = Field(
        None, description="bearer token asked for by /review; needed unless on loopback"
    )
    log_level: str = Field("INFO", pattern="^(DEBUG|INFO|WARNING|ERROR)$", description="least level logged")

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        sources: list[PydanticBaseSettingsSource] = [init_settings, env_settings]
        if os.environ.get(_CONFIG):
            sources.append(TomlConfigSettingsSource(settings_cls, Path(os.environ[_CONFIG])))
        return tuple(sources)

    @field_validator("fhir_base", "canonical_base")
    @classmethod
    def _is_http(cls, value: str | None) -> str | None:
        return None if value is None else http_base(value)

    @field_validator("zone")
    @classmethod
    def _is_zone(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                ZoneInfo(value)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                raise ValueError("not a time zone; write one such as Europe/Vienna") from None
        return value

    @field_validator("routing")
    @classmethod
    def _known_recipients(cls, value: dict[str, str]) -> dict[str, str]:
        for name in value:
            if name not in _RECIPIENTS:
                raise ValueError(f"only {', '.join(_RECIPIENTS)} can be routed")
        return value

    @property
    def time_zone(self) -> ZoneInfo | None:
        return ZoneInfo(self.zone) if self.zone else None

    @property
    def only_loopback(self) -> bool:
        return self.host in _LOOPBACK


def http_base(text: str) -> str:
    """An http(s) base address without a trailing slash. Raises ValueError, never showing what was given."""
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError("must be an http or https address")
    if parts.username or parts.password:
        raise ValueError("must not hold credentials; there is a setting for the token")
    if parts.query or parts.fragment:
        raise ValueError("must end with the path of the base")
    return text.rstrip("/")


def is_private(base: str) -> bool:
    """Whether what is sent to this address can be read by nobody else on the way."""
    parts = urlsplit(base)
    return parts.scheme == "https" or parts.hostname in _LOOPBACK


def defaults(**given: Any) -> Settings:
    """The defaults and what is given, whatever variables and files say. Not validated: for our own use."""
    return Settings.model_construct(**given)


def load(**given: Any) -> Settings:
    """The settings in force; `given` (the command line's) wins. Raises InputError: one line, no secrets."""
    config = os.environ.get(_CONFIG)
    if config and not Path(config).is_file():
        raise InputError(f"{_CONFIG}: there is no such file")
    _refuse_unknown()
    try:
        return Settings(**{name: value for name, value in given.items() if value is not None})
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        name = str(first["loc"][0]) if first["loc"] else "settings"
        problem = first["msg"].removeprefix("Value error, ")
        raise InputError(f"setting {PREFIX}{name.upper()}: {problem}") from None
    except SettingsError as error:
        raise InputError(f"settings: {error}") from None
    except ValueError:
        raise InputError(f"{_CONFIG}: the file is not readable as TOML") from None


def settings_help() -> str:
    """Every setting with its description, for a terminal; the sign in front keeps the lines apart."""
    lines = [f"{PREFIX}{name.upper()}: {field.description}" for name, field in Settings.model_fields.items()]
    return "\b\n" + "\n".join(["Settings:", *lines, f"{_CONFIG}: TOML file with any of these, in lower case"])


def _refuse_unknown() -> None:
    """A misspelt variable would silently leave the default in force."""
    known = {PREFIX + name.upper() for name in Settings.model_fields} | {_CONFIG}
    for name in sorted(os.environ):
        if name.startswith(PREFIX) and not name.startswith(_TESTING) and name not in known:
            raise InputError(f"there is no setting {name[:60]}")
