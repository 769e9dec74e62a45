"""A JSON answer of ours, encoded as everywhere else."""

from typing import Any

from fastapi import Response

from andante.present.as_json import encode


def json_answer(body: Any, *, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return Response(encode(body), status, headers, media_type="application/json")
