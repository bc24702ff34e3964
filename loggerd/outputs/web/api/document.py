"""The table of endpoints as an OpenAPI 3.1 document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from loggerd.model.access import Need
from loggerd.outputs.web.api.endpoint import Endpoint, Parameter
from loggerd.outputs.web.api.kinds import Schema
from loggerd.outputs.web.api.schemas import FAULT

_SCOPES = {Need.READER: ["read"], Need.KEEPER: ["enter"]}
_FAULTS = {
    401: "no token was shown, or none that is known",
    403: "the token may not do that",
    404: "there is no such thing at this site",
    413: "more was sent than is taken",
    422: "a parameter or the body cannot be used; the words say which and what is expected",
    429: "too often; the header Retry-After says when to come again",
    503: "the record cannot be read now",
}
_ABOUT = """\
What this site's logger knows, for programs. Times are ISO-8601 in UTC, ratios are fractions, what is not known is null
with a reason beside it, bands are [low, high] and hold 95 %. Charge is positive. Nothing can be switched from here.
A token is made with `loggerd access`; it is sent as `Authorization: Bearer ...`. Names and values that are here stay in
version 1; new ones may be added."""


def document(endpoints: Sequence[Endpoint], site: str, banks: Sequence[str]) -> dict[str, Any]:
    """The whole document, for one site."""
    paths: dict[str, dict[str, Any]] = {}
    for one in endpoints:
        paths.setdefault(one.path, {})[one.method.lower()] = _operation(one, banks)
    return {
        "openapi": "3.1.0",
        "info": {"title": f"loggerd at {site}", "version": "1", "description": _ABOUT},
        "servers": [{"url": "/"}],
        "security": [{"bearer": ["read"]}],
        "paths": paths,
        "components": {
            "schemas": {"Fault": FAULT},
            "securitySchemes": {
                "bearer": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "scope read: all that is asked; scope enter: also what is told",
                }
            },
        },
    }


def _operation(one: Endpoint, banks: Sequence[str]) -> dict[str, Any]:
    said = {
        str(status): _response("as asked", one.media if status == 200 else None, schema)
        for status, schema in one.gives.items()
    }
    left_out = {
        *one.gives,
        *(() if one.of_bank or one.parameters or one.body else (404,)),
        *(() if one.body else (413,)),
    }
    faults = {
        str(status): _response(words, None, {"$ref": "#/components/schemas/Fault"})
        for status, words in _FAULTS.items()
        if status not in left_out
    }
    operation: dict[str, Any] = {
        "operationId": one.name,
        "summary": one.words,
        "security": [{"bearer": _SCOPES[one.need]}],
        "parameters": [*_bank(one, banks), *(_parameter(each) for each in one.parameters)],
        "responses": {**said, **faults},
    }
    if one.body is not None:
        schema = one.body.model_json_schema()
        if one.body.of_a_bank:
            schema["properties"]["bank"]["enum"] = list(banks)
        operation["requestBody"] = {"required": True, "content": {"application/json": {"schema": schema}}}
    return operation


def _bank(one: Endpoint, banks: Sequence[str]) -> list[dict[str, Any]]:
    if not one.of_bank:
        return []
    words = "the name of a bank"
    return [{"name": "bank", "in": "path", "required": True, "description": words, "schema": {"enum": list(banks)}}]


def _parameter(one: Parameter) -> dict[str, Any]:
    schema = one.kind.schema()
    if one.default is not None:
        schema = {**schema, "default": one.default}
    return {"name": one.name, "in": "query", "required": False, "description": one.words, "schema": schema}


def _response(words: str, media: str | None, schema: Schema) -> dict[str, Any]:
    return {"description": words, "content": {media or "application/json": {"schema": schema}}}
