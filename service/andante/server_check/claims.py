"""What is only claimed: by the CapabilityStatement, by the SMART configuration, by the address itself."""

from collections.abc import Iterable, Mapping

from andante.errors import Absent, ServerError
from andante.fhir_http.capability import Claims
from andante.fhir_http.connection import Connection
from andante.fhir_http.keys import ALGORITHMS
from andante.fhir_http.scopes import Needs, ScopeVersion
from andante.fhir_http.smart_discovery import SmartConfiguration, read_configuration, scope_version
from andante.server_check.finding import Finding, Requirement, State, found, raise_if_away

_RELEASE = Requirement(
    title="FHIR R4",
    needed=True,
    purpose="resources are read and written in R4 (4.0.x)",
    without="another release would be misread",
)
_PRIVATE = Requirement(
    title="Encrypted connection",
    needed=False,
    purpose="nobody on the way reads charts or tokens",
    without="whoever is on the way reads along: only inside a network that you trust",
)
_SIGNING_IN = Requirement(
    title="SMART Backend Services",
    needed=False,
    purpose="the service signs in by a key of its own, for no more than it needs",
    without="a token from the administrator (ANDANTE_FHIR_TOKEN), or a server that asks for none",
)
_GRANTED = Requirement(
    title="Scopes granted",
    needed=True,
    purpose="the service may read and write what it needs",
    without="what was not granted is not read: charts count as incomplete, and hold",
)
_HOOKS = Requirement(
    title="Subscriptions (rest-hook)",
    needed=False,
    purpose="a change is looked at within seconds",
    without="a change is looked at with the next round",
)
_WRITES = Requirement(
    title="Creating and changing what is left for review",
    needed=True,
    purpose="suggestions reach the inbox, and are taken back",
    without="nothing reaches the inbox",
)
_TRANSACTIONS = Requirement(
    title="Transactions",
    needed=True,
    purpose="a suggestion and where it comes from are written together",
    without="nothing can be written",
)
_CONDITIONS = Requirement(
    title="Conditional create (If-None-Exist)",
    needed=True,
    purpose="a write that is repeated, or raced, leaves one suggestion",
    without="a repeated write leaves two; the service looks again afterwards and cancels one",
)


def check_release(claims: Claims | None) -> Finding:
    if claims is None:
        return found(_RELEASE, State.UNTRIED, "the server does not give its CapabilityStatement")
    state = State.PRESENT if claims.release.startswith("4.0.") else State.MISSING
    return found(_RELEASE, state, claims.release or "no release is named")


def check_private(is_private: bool) -> Finding:
    if is_private:
        return found(_PRIVATE, State.PRESENT, "https, or this machine itself")
    return found(_PRIVATE, State.FALLBACK, "http")


async def check_signing_in(connection: Connection, needs: Needs, *, signs_in: bool) -> list[Finding]:
    """Raises Unreachable."""
    try:
        configuration = await read_configuration(connection)
    except Absent:
        findings = [found(_SIGNING_IN, State.FALLBACK, "not offered")]
    except ServerError as error:
        raise_if_away(error)
        findings = [found(_SIGNING_IN, State.FALLBACK, f"not offered ({type(error).__name__})")]
    else:
        findings = [_offered(configuration)]
    if not signs_in:
        return findings
    if not connection.lacking:
        return [*findings, found(_GRANTED, State.PRESENT, "all that was asked for")]
    missing = ", ".join(f"system/{name}.{letters}" for name, letters in connection.lacking.items() if name in needs)
    return [*findings, found(_GRANTED, State.MISSING, f"not granted: {missing}")]


def _offered(configuration: SmartConfiguration) -> Finding:
    capabilities = configuration.capabilities or ()
    if configuration.token_endpoint is None:
        return found(_SIGNING_IN, State.FALLBACK, "a configuration without a token endpoint")
    methods = configuration.token_endpoint_auth_methods_supported or ()
    if "client-confidential-asymmetric" not in capabilities and "private_key_jwt" not in methods:
        return found(_SIGNING_IN, State.FALLBACK, "without keys (private_key_jwt)")
    listed = configuration.token_endpoint_auth_signing_alg_values_supported
    usable = [name for name in ALGORITHMS if not listed or name in listed]
    if not usable:
        return found(_SIGNING_IN, State.FALLBACK, f"without {' or '.join(ALGORITHMS)}")
    version = "2" if scope_version(configuration) is ScopeVersion.V2 else "1"
    return found(_SIGNING_IN, State.CLAIMED, f"private_key_jwt by {' and '.join(usable)}; scopes in version {version}")


def check_hooks(claims: Claims | None) -> Finding:
    if claims is None or "create" not in claims.interactions_of("Subscription"):
        return found(_HOOKS, State.FALLBACK, "not claimed")
    return found(_HOOKS, State.CLAIMED, "R4, and by topic (R5 backport)" if claims.has_topics else "R4")


def check_writes(claims: Claims | None, methods: Mapping[str, Iterable[str]]) -> list[Finding]:
    """By type and method what is to be written; what is claimed of it. Nothing is written here."""
    untold = "the CapabilityStatement does not say: only --write-probe can tell"
    if claims is None or not claims.types:
        return [found(one, State.UNTRIED, untold) for one in (_WRITES, _TRANSACTIONS, _CONDITIONS)]
    words = {"POST": "create", "PUT": "update"}
    unclaimed = [
        f"{name} {words[method]}"
        for name, used in methods.items()
        for method in used
        if words[method] not in claims.interactions_of(name)
    ]
    conditional = [name for name, used in methods.items() if "PUT" in used]  # Provenance is written once
    unconditional = [name for name in conditional if not claims.creates_conditionally(name)]
    return [
        _claimed(_WRITES, unclaimed, ", ".join(methods)),
        _claimed(_TRANSACTIONS, [] if "transaction" in claims.interactions else ["transaction"], "transaction"),
        _claimed(_CONDITIONS, unconditional, ", ".join(conditional)),
    ]


def _claimed(requirement: Requirement, unclaimed: list[str], what: str) -> Finding:
    if unclaimed:
        return found(requirement, State.UNTRIED, f"not claimed: {', '.join(unclaimed)}; only --write-probe can tell")
    return found(requirement, State.CLAIMED, what)
