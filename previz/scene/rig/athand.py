"""The lamps at hand, ``[[at_hand]]``: what there is to be placed, and how much light each gives."""

from __future__ import annotations

import math
from typing import Annotated, Final, Literal, Self

from pydantic import Field, Strict, model_validator

from previz.scene.fields import Angle, Face, Number, Share, Text, Whole, face_sides, wrong
from previz.scene.table import Table

LampKind = Literal["led", "fluorescent", "discharge", "tungsten"]

# lumens a watt that a film lamp of a kind gives, all losses but those of its optics counted: common figures of data
# sheets, from memory, no source; what a lamp's own sheet says goes before
LUMENS_A_WATT: Final[dict[LampKind, float]] = {"led": 90.0, "fluorescent": 70.0, "discharge": 80.0, "tungsten": 24.0}

# colour temperature (K) that lamps of a kind are made for: common practice, no source
KELVIN: Final[dict[LampKind, float]] = {"led": 5600.0, "fluorescent": 5600.0, "discharge": 5600.0, "tungsten": 3200.0}

# what burns so hot that foam and paint in front of it can catch fire
HOT_KINDS: Final[tuple[LampKind, ...]] = ("discharge", "tungsten")

# of a lamp's light so much leaves the reflector or lens that makes a beam of it: common practice, no source
_THROUGH_OPTICS: Final = 0.6

# angles over which the light of a beam is summed
_STEPS: Final = 2000


class LampAtHand(Table):
    """A lamp that may be placed: ``count`` of them alike. ``size`` is its face, ``beam`` the full angle at which half
    of its light is left, ``lux`` what its data sheet says that it gives on its axis at 1 m.

    Without ``lux`` its light is worked out from its watts, as lamps of its ``kind`` give on the whole.
    """

    name: Text = Field(description="What the crew calls it; several alike are numbered.")
    kind: LampKind = Field("led", description="led, fluorescent, discharge or tungsten.")
    size: Face = Field(0.0, description='Its face: a diameter, "400 mm", or "600 x 900 mm", wide x high; 0 is a point.')
    beam: Annotated[Angle, Field(gt=0.0, lt=math.pi)] | None = Field(
        None, description='Full angle of its beam, such as "40 deg"; a face that shines all over if none.'
    )
    edge: Share = Field(0.2, description="Share of the beam over which it fades.")
    watts: Annotated[Number, Field(gt=0, lt=1e6)] | None = Field(
        None, description="What it takes from the mains at full; not counted if none, and then lux is needed."
    )
    lux: Annotated[Number, Field(gt=0, lt=1e7)] | None = Field(
        None, description="Lux on its axis at 1 m at full, by its data sheet; worked out from watts if none."
    )
    kelvin: Annotated[Number, Field(ge=1500, le=25000)] | None = Field(
        None, description="Colour temperature; 3200 for tungsten and 5600 for others if none."
    )
    dims: Annotated[bool, Strict()] = Field(True, description="Whether it has a dimmer; nets and grey gels do if not.")
    count: Annotated[Whole, Field(ge=1, le=12)] = Field(1, description="How many there are, 1 to 12.")

    @model_validator(mode="after")
    def _gives_light(self) -> Self:
        if self.watts is None and self.lux is None:
            raise wrong("watts or lux, to know how much light it gives", "write watts = 100", "neither of them")
        return self

    @property
    def face(self) -> tuple[float, float]:
        """Width and height (m) of the face; a disc's diameter twice, 0 for a point."""
        return face_sides(self.size)

    @property
    def is_point(self) -> bool:
        """Whether it has no face."""
        return self.size == 0.0

    @property
    def is_hot(self) -> bool:
        """Whether it burns so hot that it has to keep far off foam, card and paint."""
        return self.kind in HOT_KINDS

    @property
    def colour_temperature(self) -> float:
        """Kelvin: its own, or what lamps of its kind are made for."""
        return KELVIN[self.kind] if self.kelvin is None else self.kelvin

    @property
    def candela(self) -> float:
        """Intensity on its axis (cd) at full by its watts, seen from far off; 0 where they are not known."""
        lumens = LUMENS_A_WATT[self.kind] * (self.watts or 0.0)
        if self.beam is not None:
            lumens *= _THROUGH_OPTICS
        return lumens / solid_angle(self.is_point, self.beam, self.edge)


def solid_angle(is_point: bool, beam: float | None, edge: float) -> float:
    """The solid angle (sr) over which a lamp's intensity on its axis gives all of its light.

    A point sends alike to all sides, a face as white paper does (Lambert: pi sr); a ``beam`` (rad) multiplies either by
    a smoothstep from 1 at half of it times (1 - ``edge``) to 0 at half of it times (1 + ``edge``).
    """
    if beam is None:
        return 4.0 * math.pi if is_point else math.pi
    half = 0.5 * beam
    soft = max(half * edge, 1e-6)
    most = math.pi if is_point else 0.5 * math.pi
    total = 0.0
    for step in range(_STEPS):
        angle = (step + 0.5) * most / _STEPS
        share = min(max((half + soft - angle) / (2.0 * soft), 0.0), 1.0)
        share *= share * (3.0 - 2.0 * share)
        total += share * math.sin(angle) * (1.0 if is_point else math.cos(angle))
    return 2.0 * math.pi * total * most / _STEPS
