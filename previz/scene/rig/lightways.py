"""Ways to find the light that is missing, or to lose what is too much, each with what it costs."""

from __future__ import annotations

import math

import numpy as np

from previz import optics
from previz.scene.layout import distance_to_wall
from previz.scene.model import Scene
from previz.scene.rig.exposure import CLEAN_ISO, LEAST_ISO, SMEAR_FREE, TOLERANCE, Exposure, Way, load, longer
from previz.scene.rig.flicker import time_text
from previz.scene.rig.focusing import FocusPlan, blur_text, stop_choice
from previz.scene.rig.lightcautions import HOT_DISTANCE
from previz.scene.shape import bridge_shape


def ways(scene: Scene, found: Exposure, plan: FocusPlan) -> list[Way]:
    """Every single way to bring the wall to mid grey, then the one mixture that costs least; empty where it is right.

    A way that cannot do all of it alone says how many stops it gives. Without any light there is nothing to mend.
    """
    if found.right or not math.isfinite(found.missing):
        return []
    if found.missing > 0.0:
        return [
            _more_iso(found),
            *_more_lamps(scene, found),
            _slower(scene, found),
            _longer_shutter(found),
            _wider(scene, found, plan),
            _mixture(found),
        ]
    return [_less_iso(found), _less_lamps(found), _shorter_shutter(found), _filter(found), _closer(found, plan)]


def _iso_text(iso: float) -> str:
    """A sensitivity to two figures, as it is dialled."""
    step = 10.0 ** (math.floor(math.log10(iso)) - 1)
    return f"{round(iso / step) * step:.0f}"


def _more_iso(found: Exposure) -> Way:
    need = found.missing
    # shot noise grows as the root of the light: common knowledge of photography, no source
    return Way(
        "sensitivity",
        f"ISO {_iso_text(found.iso * 2.0**need)} instead of {found.iso:g}",
        f"noise against the picture grows {math.sqrt(2.0) ** need:.1f} times (root of the light lost)",
        need,
    )


def _more_lamps(scene: Scene, found: Exposure) -> list[Way]:
    if not scene.lamps:
        return []
    factor, amperes = 2.0**found.missing, load(scene)
    power = "more heat and amperes"
    if amperes is not None:
        light = scene.light
        over = " - more than one circuit" if amperes * factor > light.circuit else ""
        power = (
            f"{amperes * light.volts * factor:.0f} W instead of {amperes * light.volts:.0f}, {amperes * factor:.1f} A "
            f"of {light.circuit:g}{over}; more heat"
        )
    out = [Way("lamps", f"{factor:.1f} times the light from all lamps and ambient", power, found.missing)]
    nearer = 1.0 / math.sqrt(factor)
    moved = np.array([np.asarray(q.aim) + nearer * (np.asarray(q.position) - q.aim) for q in scene.lamps])
    gaps = np.minimum(distance_to_wall(scene, moved), bridge_shape(scene).distance(moved))
    hot = f"; {scene.lamps[int(gaps.argmin())].name} would be {gaps.min() * 1e3:.0f} mm from the set: too hot"
    cost = "faster fall-off and other shadows: check the light again" + (hot if gaps.min() < HOT_DISTANCE else "")
    out.append(Way("lamps nearer", f"every lamp to {nearer:.2f} of its distance from its aim", cost, found.missing))
    return out


def _slower(scene: Scene, found: Exposure) -> Way:
    rate = found.rate / 2.0**found.missing
    if rate < 1.0:
        what = f"one frame at a time, exposed for {time_text(found.shutter * 2.0**found.missing)}"
    else:
        what = f"{rate:.3g} frames/s instead of {found.rate:.6g}, the shutter's angle kept"
    seconds = scene.rail.frames / rate
    return Way(
        "slower rate",
        what,
        f"only where nothing falls, flows or smokes in shot; the slide has to take {seconds:.0f} s, evenly, or smear "
        "grows",
        found.missing,
    )


def _longer_shutter(found: Exposure) -> Way:
    most = math.log2(1.0 / found.rate / found.shutter)
    gain = min(found.missing, max(most, 0.0))
    if gain < 0.05:
        return Way("longer shutter", "none: it is open for the whole frame", "-", 0.0, False)
    hold, move = longer(found, 2.0**gain)
    return Way(
        "longer shutter",
        f"{time_text(found.shutter * 2.0**gain)} instead of {time_text(found.shutter)}",
        f"smear {_smear(found.hold_smear.worst, hold.worst)} px in the hold, "
        f"{_smear(found.move_smear.worst, move.worst)} px at the fastest frame of the move",
        gain,
        gain >= found.missing - TOLERANCE,
    )


def _smear(before: float, after: float) -> str:
    return f"{after:.1f} instead of {before:.1f}"


def _wider(scene: Scene, found: Exposure, plan: FocusPlan) -> Way:
    stop = plan.stop / 2.0 ** (0.5 * found.missing)
    then = stop_choice(scene, stop, plan.move.near, plan.move.far)
    fate = "still within the limit" if then.defocus <= plan.blur_limit else f"beyond {plan.blur_limit * 1e3:.3f} mm"
    return Way(
        "wider stop",
        f"f/{stop:.1f} instead of f/{plan.stop:g}",
        f"near end and wall blurred by {blur_text(then.defocus, plan.pixel)} at best focus, {fate}",
        found.missing,
    )


def _mixture(found: Exposure) -> Way:
    """Longer shutter as far as smear allows in the hold, then sensitivity as far as it is clean, then lamps."""
    left, steps = found.missing, []
    smear = max(found.hold_smear.worst, 1e-9)
    room = min(math.log2(1.0 / found.rate / found.shutter), max(math.log2(SMEAR_FREE / smear), 0.0))
    gain = min(left, max(room, 0.0))
    if gain >= 0.1:
        steps.append(f"shutter {time_text(found.shutter * 2.0**gain)}")
        left -= gain
    iso = min(left, max(math.log2(CLEAN_ISO / found.iso), 0.0))
    if iso >= 0.1:
        steps.append(f"ISO {_iso_text(found.iso * 2.0**iso)}")
        left -= iso
    if left >= 0.1:
        steps.append(f"{2.0**left:.1f} times the lamps")
    cost = f"smear within {max(SMEAR_FREE, smear):.1f} px in the hold, no more than ISO {max(CLEAN_ISO, found.iso):.0f}"
    return Way("together, least of each", ", ".join(steps), cost, found.missing)


def _less_iso(found: Exposure) -> Way:
    most = max(math.log2(found.iso / LEAST_ISO), 0.0)
    gain = min(-found.missing, most)
    if gain < 0.05:
        return Way("sensitivity", f"none below ISO {found.iso:g}", "-", 0.0, False)
    what = f"ISO {_iso_text(found.iso / 2.0**gain)} instead of {found.iso:g}"
    return Way("sensitivity", what, "none: less noise", gain, gain >= -found.missing - TOLERANCE)


def _less_lamps(found: Exposure) -> Way:
    factor = 2.0**found.missing
    cost = "none: less heat; dimmed filaments turn warmer"
    return Way("lamps", f"all lamps to {100.0 * factor:.0f} %", cost, -found.missing)


def _shorter_shutter(found: Exposure) -> Way:
    time = found.shutter * 2.0**found.missing
    what = f"{time_text(time)} instead of {time_text(found.shutter)}"
    return Way("shorter shutter", what, "motion turns harder; check flicker", -found.missing)


def _filter(found: Exposure) -> Way:
    # a neutral density of 0.3 takes half of the light: log10 2 = 0.301
    density = -found.missing * math.log10(2.0)
    return Way("grey filter", f"density {density:.1f}", "none, if it is neutral", -found.missing)


def _closer(found: Exposure, plan: FocusPlan) -> Way:
    stop = plan.stop * 2.0 ** (-0.5 * found.missing)
    airy = float(optics.airy_diameter(plan.working_stop * stop / plan.stop))
    what = f"f/{stop:.1f} instead of f/{plan.stop:g}"
    return Way("smaller stop", what, f"Airy disc {blur_text(airy, plan.pixel)}", -found.missing)
