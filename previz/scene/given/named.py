"""Keys that take the name of a file, or a table that says more about the file."""

from __future__ import annotations

from typing import Any, Final

from pydantic import BeforeValidator, GetJsonSchemaHandler
from pydantic_core import CoreSchema

from previz.scene.fields import read_file_name, wrong

_NAME: Final = {"type": "string", "minLength": 1, "maxLength": 500}


class _OrName:
    """In the JSON Schema: the file's name alone will do as well."""

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"anyOf": [_NAME, handler(core)]}


class _OrOneOrSeveral:
    """In the JSON Schema: a name, one table, or a list of tables."""

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        schema = handler(core)
        several = next(choice for choice in schema.get("anyOf", [schema]) if "items" in choice)
        return {"anyOf": [_NAME, several["items"], several]}


def or_name(example: str) -> tuple[BeforeValidator, _OrName]:
    """For ``Annotated``: a table with the key ``file``, for which the file's name may stand; ``example`` is one."""

    def read(value: Any) -> Any:
        if value is None or not isinstance(value, (str, int, float, list)):
            # a path too, where the scene is built in Python
            return {"file": value} if hasattr(value, "suffix") else value
        return {"file": read_file_name(value, example)}

    return BeforeValidator(read), _OrName()


def or_one_or_several(example: str, most: int) -> tuple[BeforeValidator, _OrOneOrSeveral]:
    """For ``Annotated``: one to ``most`` tables with the key ``file``; one table, or a name, is a list of one."""

    def read(value: Any) -> Any:
        if isinstance(value, (list, tuple)):
            tables = all(isinstance(part, dict) or hasattr(part, "file") for part in value)
            if not 1 <= len(value) <= most or not tables:
                raise wrong(f"one to {most} tables like {example}")
            return tuple(value)
        if value is None or isinstance(value, dict) or hasattr(value, "file"):
            return value if value is None else (value,)
        return ({"file": value if hasattr(value, "suffix") else read_file_name(value, example)},)

    return BeforeValidator(read), _OrOneOrSeveral()
