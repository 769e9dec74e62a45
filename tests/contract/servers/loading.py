"""Load resources into a server over HTTP and take them out again, whatever it thinks of ids and references."""

import re
from collections.abc import Iterable
from typing import Any
from uuid import uuid4

import httpx

Json = dict[str, Any]


def put_all(client: httpx.Client, resources: Iterable[Json]) -> dict[str, str]:
    """Put every resource under its own id; the answer maps each `Type/id` to where it now is.

    A server that chooses ids itself gets one transaction instead, in which the references are rewritten.
    Raises httpx.HTTPStatusError with the server's words when it refuses a resource.
    """
    resources = list(resources)
    for number, resource in enumerate(resources):
        address = _address(resource)
        answer = client.put(address, json=resource)
        if number == 0 and answer.status_code == 405:  # R4's answer of a server that chooses ids itself
            return _post_all(client, resources)
        _check(answer)
    return {_address(resource): _address(resource) for resource in resources}


def delete_all(client: httpx.Client, addresses: Iterable[str]) -> None:
    """Delete resources in an order that a server with referential integrity accepts.

    Raises httpx.HTTPStatusError when what is left is pointed to by something else.
    """
    left = list(addresses)
    while left:
        answers = {address: client.delete(address) for address in left}
        pointed_to = [address for address, answer in answers.items() if answer.status_code == 409]
        for address, answer in answers.items():
            if address not in pointed_to or len(pointed_to) == len(left):
                _check(answer)
        left = pointed_to


def empty(base: str) -> None:
    """Take everything out of a server that offers HAPI's `$expunge`."""
    everything = {"resourceType": "Parameters", "parameter": [{"name": "expungeEverything", "valueBoolean": True}]}
    _check(httpx.post(f"{base}/$expunge", json=everything, timeout=120))


def _post_all(client: httpx.Client, resources: list[Json]) -> dict[str, str]:
    temporary = {_address(resource): f"urn:uuid:{uuid4()}" for resource in resources}
    entries = [
        {
            "fullUrl": temporary[_address(resource)],
            "resource": _rewritten({name: part for name, part in resource.items() if name != "id"}, temporary),
            "request": {"method": "POST", "url": resource["resourceType"]},
        }
        for resource in resources
    ]
    answer = client.post("", json={"resourceType": "Bundle", "type": "transaction", "entry": entries})
    _check(answer)
    locations = [entry["response"]["location"] for entry in answer.json()["entry"]]
    written = [re.sub(r"/_history/[^/]+$", "", location).split("/")[-2:] for location in locations]
    return {_address(resource): "/".join(parts) for resource, parts in zip(resources, written, strict=True)}


def _check(answer: httpx.Response) -> None:
    if answer.is_error:
        message = f"{answer.request.method} {answer.request.url}: {answer.status_code} {answer.text[:1000]}"
        raise httpx.HTTPStatusError(message, request=answer.request, response=answer)


def _address(resource: Json) -> str:
    return f"{resource['resourceType']}/{resource['id']}"


def _rewritten(element: Any, temporary: dict[str, str]) -> Any:
    if isinstance(element, dict):
        return {
            name: temporary.get(part, part) if name == "reference" else _rewritten(part, temporary)
            for name, part in element.items()
        }
    if isinstance(element, list):
        return [_rewritten(item, temporary) for item in element]
    return element
