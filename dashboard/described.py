"""The OpenAPI document as it is handed out: what goes wrong is described as it is answered."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Request
from litestar.openapi.plugins import JsonRenderPlugin

from dashboard.answers import RefusalBody
from dashboard.shapes import ProblemBody

_PROBLEM, _REFUSAL = (f"#/components/schemas/{kind.__name__}" for kind in (ProblemBody, RefusalBody))
_OTHERWISE = {
    "description": "Anything else: what happened, what it means, what would be right. 400: a parameter cannot be used. "
    "404: there is no such thing. 415: the body is no JSON. 429: too many failed sign-ins, wait. 503: the data cannot "
    "be read or written at present; ask again in a few seconds.",
    "content": {"application/json": {"schema": {"anyOf": [{"$ref": _REFUSAL}, {"$ref": _PROBLEM}]}}},
}


class Described(JsonRenderPlugin):
    """The framework describes its own answer to what cannot be used; `dashboard.problems` gives another."""

    def render(self, request: Request[Any, Any, Any], openapi_schema: dict[str, Any]) -> bytes:
        """The document, as JSON."""
        return super().render(request, described(openapi_schema))


def described(document: dict[str, Any]) -> dict[str, Any]:
    """The framework's document with our answers to problems in place of its own; it is left as it was."""
    _, schemas = msgspec.json.schema_components([ProblemBody, RefusalBody], ref_template="#/components/schemas/{name}")
    components = document.get("components", {})
    paths = {
        path: {method: _operation(operation) for method, operation in operations.items()}
        for path, operations in document["paths"].items()
    }
    components = {**components, "schemas": {**components.get("schemas", {}), **schemas}}
    return {**document, "paths": paths, "components": components}


def _operation(operation: dict[str, Any]) -> dict[str, Any]:
    own = {status: each for status, each in operation["responses"].items() if status != "400"}
    return {**operation, "responses": {**own, "default": _OTHERWISE}}
