"""Our public keys, for the authorization server to read: a key is rotated here, and nobody need be told.

https://hl7.org/fhir/smart-app-launch/client-confidential-asymmetric.html#registering-a-client-communicating-public-keys
"""

from fastapi import FastAPI, Response

from andante.fhir_http.keys import KeyFiles
from andante.present.as_json import encode

PATH = "/.well-known/jwks.json"


def publish_keys(app: FastAPI, keys: KeyFiles | None) -> None:
    """Adds the route where there are keys. It is open to all: what it holds is meant for everybody."""
    if keys is None:
        return

    @app.get(PATH)
    async def jwks() -> Response:
        return Response(encode(keys.published), media_type="application/json")
