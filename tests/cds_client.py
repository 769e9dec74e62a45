"""A CDS Hooks client of the tests: its keys, its signed tokens, and the calls it makes."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import uuid4

from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, OctKey, RSAKey

Json = dict[str, Any]

ISSUER = "https://ehr.lanternmoor.example"
SERVICE = "https://andante.lanternmoor.example"
Key = ECKey | RSAKey


def ec_key(kid: str = "ec-1") -> ECKey:
    return ECKey.generate_key("P-384", {"kid": kid, "use": "sig", "alg": "ES384"})


def rsa_key(kid: str = "rsa-1", size: int = 2048) -> RSAKey:
    return RSAKey.generate_key(size, {"kid": kid, "use": "sig", "alg": "RS384"})


def key_set(*keys: Key | OctKey) -> bytes:
    return json.dumps(KeySet(list(keys)).as_dict(private=False)).encode()


@dataclass
class Client:
    """`now` is the clock its tokens are made by; a token may be made wrong in any way a test likes."""

    key: Key
    now: Callable[[], datetime]
    issuer: str = ISSUER
    made: list[str] = field(default_factory=list)

    def token(
        self,
        audience: str | list[str],
        *,
        header: Json | None = None,
        key: Key | OctKey | None = None,
        algorithms: list[str] | None = None,
        **claims: Any,
    ) -> str:
        now = int(self.now().timestamp())
        alg = "ES384" if isinstance(self.key, ECKey) else "RS384"
        head = {"alg": alg, "typ": "JWT", "kid": self.key.kid} | (header or {})
        body = {"iss": self.issuer, "aud": audience, "iat": now, "exp": now + 60, "jti": uuid4().hex} | claims
        body = {name: value for name, value in body.items() if value is not None}
        head = {name: value for name, value in head.items() if value is not None}
        made = jwt.encode(head, body, key or self.key, algorithms=algorithms or [alg])
        self.made.append(made)
        return made

    def headers(self, path: str, **token: Any) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token(SERVICE + path, **token)}"}


def a_call(hook: str = "patient-view", patient: str = "quillfeather", **more: Any) -> Json:
    """`context` entries and whole members of the request, told apart by their names."""
    members = {name: more.pop(name) for name in list(more) if name in ("prefetch", "fhirServer", "fhirAuthorization")}
    context = {"userId": "Practitioner/ada", "patientId": patient} | more
    return {
        "hook": hook,
        "hookInstance": "0f8fad5b-d9cb-469f-a165-70867728950e",
        "context": {name: value for name, value in context.items() if value is not None},
        **members,
    }


def drafts(*orders: Json) -> Json:
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": order} for order in orders]}


def a_draft(rate: Any = 40, density: Any = 1.0, patient: str = "quillfeather", **more: Any) -> Json:
    """A tube feed nobody has signed yet."""
    unit = "http://unitsofmeasure.org"
    formula: Json = {
        "baseFormulaType": {"text": "Standard polymeric formula"},
        "administration": [{"rateQuantity": {"value": rate, "unit": "mL/h", "system": unit, "code": "mL/h"}}],
    }
    if density is not None:
        formula["caloricDensity"] = {"value": density, "unit": "kcal/mL", "system": unit, "code": "kcal/mL"}
    whole = {
        "resourceType": "NutritionOrder",
        "id": "new-order",
        "status": "draft",
        "intent": "order",
        "patient": {"reference": f"Patient/{patient}"},
        "dateTime": "2031-03-27T06:30:00+00:00",
        "enteralFormula": formula,
    } | more
    return {name: value for name, value in whole.items() if value is not None}
