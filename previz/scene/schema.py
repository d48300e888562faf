"""The JSON Schema of scene files, for editors that complete and check TOML."""

from __future__ import annotations

import json
import math
from typing import Any

from previz.scene.model import Scene

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def scene_schema() -> dict[str, Any]:
    """The schema of a scene file, JSON Schema 2020-12, as plain dicts and lists.

    It is looser than the reader: what does not go together is found by ``previz check`` only.
    """
    schema = Scene.model_json_schema(by_alias=True, mode="validation")
    del schema["properties"]["folder"]  # not part of the file
    tidy: dict[str, Any] = _tidied(schema)
    return {"$schema": DIALECT, **tidy, "title": "Scene file of previz"}


def schema_json() -> str:
    """:func:`scene_schema` as JSON text; the same model gives the same bytes."""
    return json.dumps(scene_schema(), indent=2, ensure_ascii=True)


def _tidied(node: Any) -> Any:
    """What pydantic writes, as it stands in a TOML file: no null, defaults as text with their unit."""
    if isinstance(node, list):
        return [_tidied(part) for part in node]
    if not isinstance(node, dict):
        return node
    out = {key: _tidied(value) for key, value in node.items() if not (key == "title" and isinstance(value, str))}
    choices = [choice for choice in out.get("anyOf", []) if choice != {"type": "null"}]
    if "anyOf" in out and len(choices) == 1:
        del out["anyOf"]
        out = {**choices[0], **out}
    elif "anyOf" in out:
        out["anyOf"] = choices
    if "default" in out:
        default = _written(out["default"], _example(out))
        if default is None:
            del out["default"]
        else:
            out["default"] = default
    if isinstance(out.get("description"), str):
        out["description"] = " ".join(out["description"].replace("``", "").split())
    return out


def _example(schema: dict[str, Any]) -> Any:
    """How a value of a schema is written, such as ``"62 mm"``; None where it is plain TOML."""
    if "prefixItems" in schema:
        return [_example(part) for part in schema["prefixItems"]]
    examples = schema.get("examples")
    return examples[0] if examples and (schema.get("type") == "string" or "anyOf" in schema) else None


def _written(default: Any, example: Any) -> Any:
    """A default as a scene file writes it, or None where it cannot be written."""
    if isinstance(default, (list, tuple)) and isinstance(example, list):
        return [_written(value, how) for value, how in zip(default, example, strict=True)]
    if isinstance(default, (list, tuple)) and isinstance(example, str) and " x " in example:
        return f"{default[0] * 1e3:g} x {default[1] * 1e3:g} mm"
    if isinstance(default, dict):
        return None  # a whole table: its own keys have their defaults
    if isinstance(default, float) and isinstance(example, str):
        if example.endswith("mm"):
            return f"{default * 1e3:g} mm"
        if example.endswith("deg"):
            return f"{math.degrees(default):g} deg"
        if example.endswith("%"):
            return f"{default * 100:g}%"
        if example.startswith("f/"):
            return f"f/{default:g}"
        return None
    if isinstance(default, str) and default.isdigit():
        return int(default)  # a rate, which pydantic writes as a fraction's text
    return default
