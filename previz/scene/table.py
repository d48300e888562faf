"""What every table of the scene file has in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """A table of the scene file: frozen, unknown keys refused."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", arbitrary_types_allowed=True, allow_inf_nan=False, hide_input_in_errors=True
    )
