"""What the HTTP interface takes and gives, as an OpenAPI 3.1 description."""

from __future__ import annotations

import functools
import json
from typing import Any

from memdiag import __version__
from memdiag.resources import shipped

_DOCUMENTS = ("verdict", "comparison", "case", "problems")
_HEADS = ("$schema", "$id")


@functools.cache
def description() -> dict[str, Any]:
    """The description, with the schema of every document in it."""
    board = {
        "name": "board",
        "in": "query",
        "required": False,
        "description": "The board, by the name of its profile, in place of the one the text names.",
        "schema": {"type": "string", "minLength": 1, "maxLength": 80},
    }
    text = {"text/plain": {"schema": {"type": "string"}}}
    several = {"application/json": {"schema": {"$ref": "#/components/schemas/runs"}}}
    verdicts = {
        "oneOf": [_ref("verdict"), {"type": "array", "minItems": 2, "items": _ref("verdict")}]
    }
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "memdiag",
            "version": __version__,
            "description": "Dumps of memory training in, the documents of the command line out.",
        },
        "paths": {
            "/api/health": {"get": _operation("health", "Whether it answers.", _HEALTH)},
            "/api/openapi.json": {
                "get": _operation("description", "This description.", {"type": "object"})
            },
            "/api/verdict": {
                "post": _operation("verdict", "Judge a dump, or each of several.", verdicts)
                | _asked(text, board)
            },
            "/api/compare": {
                "post": _operation("compare", "Compare two runs, or more.", _ref("comparison"))
                | _asked(several, board)
            },
            "/api/case": {
                "post": _operation("case", "Judge all runs of one repair.", _ref("case"))
                | _asked(several, board)
            },
        },
        "components": {
            "schemas": {"runs": _RUNS, **_schemas()},
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{}, {"token": []}],
    }


_HEALTH = {"type": "object", "required": ["status"], "properties": {"status": {"const": "ok"}}}
_RUNS = {
    "type": "object",
    "required": ["runs"],
    "additionalProperties": False,
    "properties": {
        "runs": {
            "description": "The texts in the order they were made; each may hold several dumps.",
            "type": "array",
            "minItems": 1,
            "maxItems": 64,
            "items": {"type": "string"},
        }
    },
}
_REFUSALS = {
    "400": "the body is not what this asks for",
    "401": "an access token is asked for",
    "403": "another page sent it",
    "408": "it did not arrive in time",
    "413": "it is too large",
    "415": "it is of a kind that is not read",
    "421": "the page has another name",
    "422": "no dump, or none that can be judged within the limits",
    "503": "too many wait",
}


def _ref(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _operation(name: str, says: str, schema: dict[str, Any]) -> dict[str, Any]:
    refusal = {"application/json": {"schema": _ref("problems")}}
    return {
        "operationId": name,
        "summary": says,
        "responses": {
            "200": {"description": says, "content": {"application/json": {"schema": schema}}},
            **{
                status: {"description": why, "content": refusal}
                for status, why in _REFUSALS.items()
            },
        },
    }


def _asked(body: dict[str, Any], parameter: dict[str, Any]) -> dict[str, Any]:
    return {"parameters": [parameter], "requestBody": {"required": True, "content": body}}


def _schemas() -> dict[str, Any]:
    """The published schemas and, each beside the others under a name of its own, their parts."""
    found: dict[str, Any] = {}
    for name in _DOCUMENTS:
        path = shipped("docs/schemas") / f"memdiag-{name}-1.schema.json"
        whole = json.loads(path.read_text(encoding="utf-8"))
        parts = whole.pop("$defs", {})
        for key in _HEADS:
            whole.pop(key, None)
        found[name] = _renamed(whole, name)
        found |= {f"{name}-{part}": _renamed(one, name) for part, one in parts.items()}
    return found


def _renamed(schema: Any, name: str) -> Any:
    """The schema with what it refers to where the description has it."""
    if isinstance(schema, list):
        return [_renamed(part, name) for part in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: f"#/components/schemas/{name}-{value.removeprefix('#/$defs/')}"
        if key == "$ref"
        else _renamed(value, name)
        for key, value in schema.items()
    }
