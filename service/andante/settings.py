"""Settings, from `ANDANTE_…` variables or the TOML file that ANDANTE_CONFIG names; a variable wins.

Nothing that matters when a server is used has a default: no server, no time zone for `serve`.
"""

import os
import re
from datetime import time
from pathlib import Path
from typing import Annotated, Any, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BeforeValidator,
    Field,
    SecretStr,
    ValidationError,
    field_validator,
    model_validator,
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
_SECRET = re.compile(r"[A-Za-z0-9._~+/=\-]{24,200}")
_PLAIN_SECRET = re.compile(r"[A-Za-z0-9._~\-]{16,500}")
_CANONICAL = re.compile(r"https?://[^\s?#]{1,300}")  # a `?` would make it a search
PAGE_ROLES = ("view", "decide", "administer")
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


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


def _origins(value: object) -> object:
    """`https://a.example,https://b.example` or a list. Never `*`: any page could then read what is answered."""
    parts = value.split(",") if isinstance(value, str) else value
    if not isinstance(parts, list | tuple):
        raise ValueError("write origins as https://a.example,https://b.example")
    return tuple(_origin(str(part).strip()) for part in parts)


def _origin(text: str) -> str:
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname or text != f"{parts.scheme}://{parts.netloc}":
        raise ValueError("an origin is scheme, host and port, such as https://ehr.example")
    return text


def _paths(value: object) -> object:
    return tuple(part.strip() for part in value.split(",") if part.strip()) if isinstance(value, str) else value


Paths = Annotated[tuple[Path, ...], NoDecode, BeforeValidator(_paths)]
Origins = Annotated[tuple[str, ...], NoDecode, BeforeValidator(_origins)]
Times = Annotated[tuple[time, ...], NoDecode, BeforeValidator(_times)]


class Settings(BaseSettings):
    """Every setting. The description of each field is its documentation."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, extra="forbid", frozen=True, env_ignore_empty=True)

    fhir_base: str | None = Field(None, description="base address of the FHIR R4 server")
    fhir_token: SecretStr | None = Field(None, description="bearer token for the FHIR server")
    smart_client_id: str | None = Field(
        None, min_length=1, max_length=500, description="our client id, for SMART Backend Services instead of a token"
    )
    smart_keys: Paths = Field((), description="files of our private keys (PEM, JWK); the first signs: new.pem,old.pem")
    smart_token_url: str | None = Field(
        None, description="token endpoint, where the server's own discovery is not to decide"
    )
    rewrite: dict[str, str] = Field(
        default_factory=dict, description="addresses the server prints, and what to read instead (JSON)"
    )
    concurrency: int = Field(8, ge=1, le=64, description="requests in flight at once")
    protocol: str = Field("aspen-2020", min_length=1, description="id or file of the protocol")
    overlay: Path | None = Field(None, description="file with the site's own numbers")
    site: Path | None = Field(None, description="the site map: file with local codes, wards, routing and formulas")
    canonical_base: str = Field("https://andante.example/fhir", description="base of our code systems and identifiers")
    zone: str | None = Field(None, description="the hospital's time zone, such as Europe/Vienna")
    round_times: Times = Field((time(6, 30),), description="times of day of the rounds, hospital time")
    night_watch_times: Times = Field((time(20, 0),), description="times of day of the night watch")
    changes_every_s: int = Field(
        0, ge=0, le=86400, description="how often to look for what changed, in seconds, such as 300; 0 for never"
    )
    changes_overlap_s: int = Field(
        300, ge=60, le=86400, description="how late the server may show a change in its searches, in seconds"
    )
    misfire_grace_s: int = Field(
        900,
        ge=1,
        le=7200,
        description="how late a round may still begin, in seconds; later it is told of as missed, and made up for",
    )
    clock: bool = Field(
        True, description="run rounds by the clock here; false on every instance but one, which then only answer"
    )
    round_limit_s: int = Field(
        14400, ge=60, le=86400, description="a round still running after so many seconds has /health fail"
    )
    host: str = Field("127.0.0.1", description="address the service listens on")
    port: int = Field(8080, ge=1, le=65535, description="port the service listens on")
    api_token: SecretStr | None = Field(
        None,
        description="bearer token asked for by /review, 24 letters and digits or more; needed unless on loopback",
    )
    public_url: str | None = Field(None, description="address under which others reach this service, through any proxy")
    cds_clients: dict[str, str] = Field(
        default_factory=dict,
        description="who may call CDS Hooks: issuer, and the file or https address of its keys (JSON)",
    )
    cds_origins: Origins = Field((), description="origins whose pages may call CDS Hooks; none by default")
    cds_development: bool = Field(False, description="CDS Hooks without proof of the caller; only on loopback")
    notify_url: str | None = Field(
        None, description="our /notify as the FHIR server reaches it, for Subscriptions of ours; none by default"
    )
    notify_secret: SecretStr | None = Field(
        None, description="what the FHIR server shows with each notification: 24 letters and digits, or more"
    )
    notify_topic: str | None = Field(
        None, description="canonical of the server's SubscriptionTopic; without one, R4 Subscriptions are used"
    )
    notify_content: str = Field(
        "id-only",
        pattern="^(empty|id-only|full-resource)$",
        description="what a notification holds: empty, id-only (without a topic: empty too) or full-resource",
    )
    page_login: str | None = Field(
        None,
        pattern="^(smart|development)$",
        description="who may see the review page: smart (SMART App Launch) or development (anybody who says a name; "
        "only on loopback); no page by default",
    )
    page_client_id: str | None = Field(
        None, min_length=1, max_length=500, description="the page's client id at the authorization server, for smart"
    )
    page_client_secret: SecretStr | None = Field(
        None, description="the page's client secret there, where it has one; else our keys prove it, or nothing does"
    )
    page_roles: dict[str, str] = Field(
        default_factory=dict,
        description="what whom may do on the page (JSON): a fhirUser such as Practitioner/ada, or * for everybody who "
        "signs in, to view, decide or administer; everybody may view by default",
    )
    page_frames: Origins = Field((), description="origins that may show the page in a frame of theirs; none by default")
    page_orders_in: str = Field(
        "the hospital's own ordering system",
        min_length=1,
        max_length=120,
        description="where a person orders, as the page says it",
    )
    audit_file: Path | None = Field(None, description="file to which each read and write is recorded, without values")
    state_url: SecretStr | None = Field(
        None,
        description="where `serve` keeps what outlives a start: sqlite:////var/lib/andante/state.db or "
        "postgresql://user@host/database; none by default: each start then begins with a round over everybody",
    )
    log_level: str = Field("INFO", pattern="^(DEBUG|INFO|WARNING|ERROR)$", description="least level logged")
    log_format: str = Field("json", pattern="^(json|text)$", description="json, or text for a person's eyes")
    operations_token: SecretStr | None = Field(
        None, description="asked for by /metrics (bearer) and /operations (as a password); none by default"
    )
    traces_url: str | None = Field(
        None,
        description="OTLP/HTTP address that traces go to, such as http://127.0.0.1:4318/v1/traces; none by default",
    )

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

    @field_validator("fhir_base", "canonical_base", "public_url", "traces_url")
    @classmethod
    def _is_http(cls, value: str | None) -> str | None:
        return None if value is None else http_base(value)

    @field_validator("smart_token_url")
    @classmethod
    def _is_for_secrets(cls, value: str | None) -> str | None:
        if value is not None and (not is_private(value) or set("@# ") & set(value) or not value.isprintable()):
            raise ValueError("must be an https address: what is sent there proves who we are")
        return value

    @field_validator("zone")
    @classmethod
    def _is_zone(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                ZoneInfo(value)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                raise ValueError("not a time zone; write one such as Europe/Vienna") from None
        return value

    @field_validator("notify_url")
    @classmethod
    def _is_reached_in_private(cls, value: str | None) -> str | None:
        if value is not None and not is_private(http_base(value)):
            raise ValueError("must be an https address: the secret is sent there")
        return None if value is None else http_base(value)

    @field_validator("api_token", "notify_secret", "operations_token")
    @classmethod
    def _is_hard_to_guess(cls, value: SecretStr | None) -> SecretStr | None:
        if value is not None and not _SECRET.fullmatch(value.get_secret_value()):
            raise ValueError("needs 24 to 200 letters, digits and . _ ~ + / = -")
        return value

    @field_validator("notify_topic")
    @classmethod
    def _is_canonical(cls, value: str | None) -> str | None:
        if value is not None and not _CANONICAL.fullmatch(value):
            raise ValueError("must be a canonical address, such as https://server.example/SubscriptionTopic/charts")
        return value

    @model_validator(mode="after")
    def _notifications_can_be_proved(self) -> Self:
        if (self.notify_url is None) is not (self.notify_secret is None):
            raise ValueError("ANDANTE_NOTIFY_URL and ANDANTE_NOTIFY_SECRET are set together or not at all")
        return self

    @model_validator(mode="after")
    def _callers_can_be_told_apart(self) -> Self:
        if self.cds_clients and (self.public_url is None or not is_private(self.public_url)):
            raise ValueError("CDS clients need ANDANTE_PUBLIC_URL, an https address: their tokens are made for it")
        if self.cds_development and (self.cds_clients or not self.only_loopback):
            raise ValueError("ANDANTE_CDS_DEVELOPMENT is for loopback only, and not beside ANDANTE_CDS_CLIENTS")
        return self

    @field_validator("page_client_secret")
    @classmethod
    def _is_the_same_however_encoded(cls, value: SecretStr | None) -> SecretStr | None:
        # Servers differ in whether they undo RFC 6749's encoding of others (2.3.1).
        if value is not None and not _PLAIN_SECRET.fullmatch(value.get_secret_value()):
            raise ValueError("needs 16 to 500 letters, digits and . _ ~ -")
        return value

    @field_validator("page_roles")
    @classmethod
    def _are_roles(cls, value: dict[str, str]) -> dict[str, str]:
        if not set(value.values()) <= set(PAGE_ROLES):
            raise ValueError(f"a role on the page is one of {', '.join(PAGE_ROLES)}")
        return value

    @model_validator(mode="after")
    def _page_knows_who_looks(self) -> Self:
        if self.page_login == "development" and not self.only_loopback:
            raise ValueError("ANDANTE_PAGE_LOGIN=development is for loopback only: anybody can say any name")
        if self.page_login == "smart":
            if self.page_client_id is None or self.fhir_base is None or self.public_url is None:
                raise ValueError(
                    "ANDANTE_PAGE_LOGIN=smart needs ANDANTE_PAGE_CLIENT_ID, ANDANTE_FHIR_BASE and ANDANTE_PUBLIC_URL"
                )
            if not is_private(self.public_url) or not is_private(self.fhir_base):
                raise ValueError("ANDANTE_PAGE_LOGIN=smart needs https addresses: a session would travel unencrypted")
        if self.page_client_secret is not None and (self.page_login != "smart" or ":" in (self.page_client_id or "")):
            raise ValueError(
                "ANDANTE_PAGE_CLIENT_SECRET is for ANDANTE_PAGE_LOGIN=smart, and for a client id without a colon"
            )
        if self.page_frames and not (self.public_url or "").startswith("https://"):
            raise ValueError("ANDANTE_PAGE_FRAMES needs an https ANDANTE_PUBLIC_URL: else no cookie is kept in a frame")
        return self

    @model_validator(mode="after")
    def _only_the_clock_keeps_what_rounds_find(self) -> Self:
        if not self.clock and (self.page_login or self.notify_url or self.changes_every_s):
            raise ValueError(
                "ANDANTE_CLOCK=false: the page, notifications and rounds by change time belong to the instance "
                "that runs the rounds; take ANDANTE_PAGE_LOGIN, ANDANTE_NOTIFY_URL and ANDANTE_CHANGES_EVERY_S out"
            )
        return self

    @model_validator(mode="after")
    def _is_somebody_in_one_way(self) -> Self:
        if (self.smart_client_id is None) is bool(self.smart_keys):
            raise ValueError("ANDANTE_SMART_CLIENT_ID and ANDANTE_SMART_KEYS are set together or not at all")
        if self.smart_client_id is not None and self.fhir_token is not None:
            raise ValueError("ANDANTE_FHIR_TOKEN and ANDANTE_SMART_CLIENT_ID are two ways to say who we are: set one")
        return self

    @property
    def time_zone(self) -> ZoneInfo | None:
        return ZoneInfo(self.zone) if self.zone else None

    @property
    def only_loopback(self) -> bool:
        return self.host in LOOPBACK


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
    return parts.scheme == "https" or parts.hostname in LOOPBACK


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
        name = f"setting {PREFIX}{str(first['loc'][0]).upper()}" if first["loc"] else "settings"
        problem = first["msg"].removeprefix("Value error, ")
        raise InputError(f"{name}: {problem}") from None
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
