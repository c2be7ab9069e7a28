"""The published schemas of docs/schemas, and whether a document keeps to the one of its format."""

from __future__ import annotations

import json
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "schemas"


def name_of(format_: str) -> str:
    """Return the name of the schema of a format, such as readings for densiscan.readings/1."""
    return format_.removeprefix("densiscan.").removesuffix("/1")


def schema(name: str) -> dict[str, Any]:
    loaded = json.loads((FOLDER / f"{name}.schema.json").read_text(encoding="utf-8"))
    assert isinstance(loaded, dict)
    return loaded


@cache
def _validator(name: str) -> Draft202012Validator:
    """As published, and closed: what is published may gain fields, but here no field may be missing from it."""
    closed = deepcopy(schema(name))
    _close(closed)
    return Draft202012Validator(closed)


def _close(part: Any) -> None:
    if isinstance(part, dict):
        if "properties" in part and isinstance(part["properties"], dict) and "allOf" not in part:
            part.setdefault("additionalProperties", False)
        for inner in part.values():
            _close(inner)
    elif isinstance(part, list):
        for inner in part:
            _close(inner)


def faults(document: object, name: str) -> list[str]:
    """Return where a document breaks its schema, or holds what the schema does not tell of."""
    found = _validator(name).iter_errors(document)
    return [f"{'/'.join(map(str, fault.absolute_path))}: {fault.message}" for fault in found]


PRINTED: list[tuple[str, list[str]]] = []
"""Format and breaches of each document that a command has printed in the test under way."""


def dumps_watched(document: Any, **options: Any) -> str:
    """Do what `json.dumps` does for the commands, and note whether the document keeps to its schema."""
    text = json.dumps(document, **options)
    PRINTED.append((document["format"], faults(json.loads(text), name_of(document["format"]))))
    return text
