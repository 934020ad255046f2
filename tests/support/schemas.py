"""The published schemas of `docs/schemas/`, and a check of a document against one."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator, ValidationError
from jsonschema.exceptions import best_match

DOCS = Path(__file__).resolve().parents[2] / "docs" / "schemas"
NAMES = tuple(sorted(p.name.removesuffix(".schema.json") for p in DOCS.glob("*.schema.json")))


@cache
def published(name: str) -> dict[str, Any]:
    """The schema as it is published: unknown fields are allowed, for fields are only ever added."""
    schema: dict[str, Any] = json.loads((DOCS / f"{name}.schema.json").read_text(encoding="utf-8"))
    return schema


def closed(schema: Any) -> Any:
    """The schema without room for a field it does not describe. A condition (`if`, `then`, `else`
    below `allOf`) names only some fields of its object, so those stay open."""
    if isinstance(schema, list):
        return [closed(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: value if key == "allOf" else closed(value) for key, value in schema.items()}
    if schema.get("type") == "object" and "properties" in schema:
        made.setdefault("additionalProperties", False)
    return made


@cache
def validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(closed(published(name)))


def check(document: Any, name: str) -> None:
    """Raises jsonschema.ValidationError where the document breaks the schema, or has a field that
    the schema does not describe, or a number that JSON does not have."""
    for place, number in _endless(document, "$"):
        raise ValidationError(f"{name} at {place}: {number} is no number of JSON")
    wrong = best_match(validator(name).iter_errors(document))
    if wrong is not None:
        raise ValidationError(f"{name} at {wrong.json_path}: {wrong.message}")


def _endless(part: Any, place: str) -> Iterator[tuple[str, float]]:
    """NaN and infinity: a schema can forbid neither, for NaN is not larger than any bound."""
    if isinstance(part, float) and not math.isfinite(part):
        yield place, part
    elif isinstance(part, dict | list):
        for key, value in part.items() if isinstance(part, dict) else enumerate(part):
            yield from _endless(value, f"{place}.{key}")


def strictly(text: str) -> Any:
    """JSON by the letter of RFC 8259: no NaN, no Infinity, no name twice in one object."""

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        assert len({name for name, _ in pairs}) == len(pairs), pairs
        return dict(pairs)

    def never(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    return json.loads(text, parse_constant=never, object_pairs_hook=once)
