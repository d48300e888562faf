"""The relief of a wall as it was measured: a grid of heights."""

from __future__ import annotations

from typing import Annotated, Any, Final, Self

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, TypeAdapter, ValidationInfo, model_validator
from pydantic_core import CoreSchema

from previz.scene.fields import Coordinate, FileName, LengthOrZero, wrong
from previz.scene.table import Table


class HeightGrid(Table):
    """Measured heights over the wall's whole rectangle, out of its plane.

    A CSV holds numbers in mm, a row of the wall a line, from its top down, from left to right. A picture's black is
    ``low`` and its white ``high``, even between, code for code.
    """

    file: FileName = Field(description="A CSV of heights in mm, or a picture of heights.")
    low: Coordinate | None = Field(None, description="Height of a picture's black; of a CSV leave it out.")
    high: Coordinate | None = Field(None, description="Height of a picture's white; of a CSV leave it out.")

    @property
    def is_table(self) -> bool:
        """Whether the heights are a CSV's."""
        return self.file.suffix.lower() == ".csv"

    @model_validator(mode="after")
    def _range(self) -> Self:
        given = [name for name in ("low", "high") if getattr(self, name) is not None]
        if self.is_table and given:
            raise wrong("no low and high beside a CSV, whose heights are in mm", "leave them out", " and ".join(given))
        if not self.is_table:
            if len(given) < 2:
                hint = 'write low = "-15 mm", high = "20 mm"'
                raise wrong("low and high, the heights of black and white", hint, given[0] if given else "neither")
            if not (self.low or 0.0) < (self.high or 0.0):
                raise wrong("a low below the high", "swap the two", "them the other way round")
        return self


_DEPTH: Final = TypeAdapter(LengthOrZero)


def _depth_or_grid(value: Any, info: ValidationInfo) -> Any:
    if isinstance(value, HeightGrid):
        return value
    # faults of either keep their own key paths: a union would tell of both
    if isinstance(value, dict):
        return HeightGrid.model_validate(value, context=info.context)
    return _DEPTH.validate_python(value, context=info.context)


class _OrGrid:
    """In the JSON Schema: a length, or a grid."""

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        grid = next(choice for choice in handler(core)["anyOf"] if "$ref" in choice)
        depth = _DEPTH.json_schema()
        return {"anyOf": [depth, grid], "examples": depth["examples"]}


Relief = Annotated[HeightGrid | float, BeforeValidator(_depth_or_grid), _OrGrid()]
