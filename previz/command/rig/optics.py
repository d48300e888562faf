"""The answers of a lens, a stop and a light, without a scene."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from pydantic import TypeAdapter, ValidationError

from previz import optics
from previz.errors import UnitError
from previz.scene.fields import FineLength, Length, Rate, Scale, Sensor, Stop, Time
from previz.scene.rig.flicker import MAINS, flicker, flicker_text, time_text
from previz.scene.rig.focusing import blur_text
from previz.units import deg_text, inches_text, mm_text

# width of the delivered picture that blur is told in, where no scene says: full HD
_WIDTH_PX = 1920

_FIELDS: dict[str, Any] = {
    "lens": Length,
    "stop": Stop,
    "focus": Length,
    "sensor": Sensor,
    "blur_limit": FineLength,
    "shutter": Time,
    "rate": Rate,
    "scale": Scale,
    "near": Length,
    "far": Length,
}
# plain numbers: what they are, and their lowest and highest value
_NUMBERS = {
    "iso": ("a sensitivity like 800", 1.0, 1e7),
    "light": ("illuminance in lux like 1200", 1e-3, 1e6),
    "pupil_ratio": ("a pupil ratio like 1.2", 0.1, 10.0),
}


@dataclass(frozen=True)
class LensAsked:
    """What is asked: the options of the command, read. Lengths m, times s; None where nothing is given."""

    lens: float
    stop: float
    focus: float
    sensor: tuple[float, float] = (0.0359, 0.0240)
    blur_limit: float = 0.000025
    iso: float = 800.0
    shutter: float | None = None
    rate: Fraction = Fraction(25)
    light: float | None = None
    scale: float | None = None
    pupil_ratio: float = 1.0
    near: float | None = None
    far: float | None = None

    @property
    def time(self) -> float:
        """Exposure of a frame: as given, or half of its time."""
        return 0.5 / float(self.rate) if self.shutter is None else self.shutter

    @property
    def pixel(self) -> float:
        """A pixel of a picture 1920 wide, m on the sensor."""
        return self.sensor[0] / _WIDTH_PX


def asked(words: dict[str, str]) -> LensAsked:
    """Read options, each as a scene file writes it. Raises :class:`UnitError` that names the option."""
    read: dict[str, Any] = {}
    for name, text in words.items():
        option = "--" + name.replace("_", "-")
        if name in _NUMBERS:
            read[name] = _number(option, text, *_NUMBERS[name])
            continue
        try:
            read[name] = TypeAdapter(_FIELDS[name]).validate_python(text, context={"file": True})
        except ValidationError as error:
            told = error.errors()[0].get("ctx", {})
            hint = f" ({told['hint']})" if told.get("hint") else ""
            wanted = told.get("expected", "a value")
            raise UnitError(f'{option}: expected {wanted}, found "{_short(text)}"{hint}') from None
    out = LensAsked(**read)
    if out.focus <= out.lens:
        raise UnitError(
            f"--focus: expected a distance beyond the focal length, {mm_text(out.lens)}, found {mm_text(out.focus)}"
        )
    if out.shutter is not None and out.shutter > 1.0 / float(out.rate) + 1e-9:
        raise UnitError(
            f"--shutter: expected at most a frame's time, {time_text(1.0 / float(out.rate))} at {float(out.rate):.6g} "
            f"frames/s, found {time_text(out.shutter)}; give a lower --rate"
        )
    if out.near is not None and out.far is not None and out.near >= out.far:
        raise UnitError(f"--near: expected less than --far, {mm_text(out.far)}, found {mm_text(out.near)}")
    return out


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:40] + "..."


def _number(option: str, text: str, what: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise UnitError(f'{option}: expected {what}, from {low:g} to {high:g}, found "{_short(text)}"')
    return value


def _both(metres: float) -> str:
    return f"{mm_text(metres)} ({inches_text(metres)})" if math.isfinite(metres) else "infinity"


def answers(q: LensAsked) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """Everything that can be said, as values (units in their names) and as rows for people."""
    size = float(optics.magnification(q.lens, q.focus))
    working = float(optics.working_stop(q.stop, size, q.pupil_ratio))
    factor = float(optics.exposure_factor(size, q.pupil_ratio))
    hyper = float(optics.hyperfocal(q.lens, q.stop, q.blur_limit))
    near, far = (float(d) for d in optics.depth_of_field(q.lens, q.stop, q.blur_limit, q.focus))
    wide, high = (float(optics.angle_of_view(q.lens, side)) for side in q.sensor)
    airy = float(optics.airy_diameter(working))
    infinity = float(optics.blur_diameter(q.lens, q.stop, q.focus, math.inf))
    value = float(optics.exposure_value(q.stop, q.time))
    lux = float(optics.light_for_stop(working, q.iso, q.time))
    field = [side / size for side in q.sensor]
    values: dict[str, Any] = {
        "angle_horizontal_deg": math.degrees(wide),
        "angle_vertical_deg": math.degrees(high),
        "field_mm": [1e3 * side for side in field],
        "magnification": size,
        "hyperfocal_mm": 1e3 * hyper,
        "sharp_near_mm": 1e3 * near,
        "sharp_far_mm": 1e3 * far if math.isfinite(far) else None,
        "blur_at_infinity_mm": 1e3 * infinity,
        "working_stop": working,
        "exposure_factor": factor,
        "airy_mm": 1e3 * airy,
        "exposure_value": value,
        "lux_needed": lux,
        "foot_candles_needed": lux / optics.LUX_PER_FOOT_CANDLE,
    }
    depth = f"{_both(far - near)} deep" if math.isfinite(far) else "to infinity"
    stops = math.log2(factor)
    rows = [
        ("lens", f"{mm_text(q.lens, 0)} at f/{q.stop:g} focused at {_both(q.focus)}"),
        ("angle of view", f"{deg_text(wide, 2)} wide, {deg_text(high, 2)} high"),
        ("field at the focus", f"{1e3 * field[0]:.1f} x {mm_text(field[1])}"),
        ("magnification", f"1:{1.0 / size:.2f} ({size:.4f})"),
        ("hyperfocal distance", _both(hyper)),
        ("sharp from", f"{_both(near)} to {_both(far)}, {depth}" if math.isfinite(far) else f"{_both(near)} {depth}"),
        ("blur limit", f"{1e3 * q.blur_limit:.3f} mm on the sensor"),
        ("blur at infinity", blur_text(infinity, q.pixel)),
    ]
    for name, place in (("near", q.near), ("far", q.far)):
        if place is not None:
            blur = float(optics.blur_diameter(q.lens, q.stop, q.focus, place))
            values[f"blur_{name}_mm"] = 1e3 * blur
            rows.append((f"blur at {mm_text(place, 0)}", blur_text(blur, q.pixel)))
    rows += _between(q, values)
    rows += [
        ("working stop", f"f/{working:.2f}, {factor:.3f} times the light (+{stops:.2f} stops)"),
        ("Airy disc", f"{blur_text(airy, q.pixel)}, {_against(airy, q.blur_limit)}"),
        ("exposure", f"EV {value:.2f}: f/{q.stop:g} for {time_text(q.time)}"),
        ("light needed", f"{lux:.0f} lux ({lux / optics.LUX_PER_FOOT_CANDLE:.1f} foot-candles) at ISO {q.iso:g}"),
    ]
    rows += _light(q, lux, values)
    for mains in MAINS:
        found = flicker(q.time, float(q.rate), mains)
        values[f"flicker_{mains}_hz"] = {"safe": found.safe, "differs_stops": _plain(found.differs)}
        rows.append((f"lamps on {mains} Hz", flicker_text(found)))
    if q.scale is not None:
        rate = float(optics.rate_for_scale(float(q.rate), q.scale))
        values["rate_for_scale"] = rate
        told = f"shoot {rate:.1f} frames/s; where nothing falls any rate will do"
        rows.append((f"falling things, 1:{q.scale:g}", told))
    return values, rows


def _plain(number: float) -> float | None:
    return number if math.isfinite(number) else None


def _against(airy: float, limit: float) -> str:
    return "beyond the blur limit: closing further softens all" if airy > limit else "within the blur limit"


def _between(q: LensAsked, values: dict[str, Any]) -> list[tuple[str, str]]:
    """Focus and stop that keep the given near and far sharp; far is infinity where only near is given."""
    if q.near is None:
        return []
    far = math.inf if q.far is None else q.far
    focus = float(optics.focus_between(q.near, far))
    if focus <= q.lens:
        return []
    stop = float(optics.stop_for_depth(q.lens, q.blur_limit, q.near, far))
    values |= {"focus_between_mm": 1e3 * focus, "stop_for_both": stop}
    to = "infinity" if q.far is None else mm_text(far, 0)
    return [(f"sharp {mm_text(q.near, 0)} to {to}", f"focus at {_both(focus)}, f/{stop:.1f} or smaller")]


def _light(q: LensAsked, lux: float, values: dict[str, Any]) -> list[tuple[str, str]]:
    if q.light is None:
        return []
    stops = math.log2(q.light / lux)
    iso = q.iso * lux / q.light
    values |= {"stops_from_mid_grey": stops, "iso_for_light": iso}
    word = "right" if abs(stops) < 0.05 else f"{abs(stops):.1f} stops too {'bright' if stops > 0.0 else 'dark'}"
    return [(f"{q.light:g} lux", f"{word}; mid grey at ISO {iso:.0f}")]
