"""``lamps.toml``: the scene's own text with the lamps where they were placed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from previz.command.rig.lamps import LampAnswer, note_of
from previz.command.search.findings import file_names
from previz.errors import OutputError
from previz.scene.edit import edited_text, toml_value, without_tables
from previz.scene.model import Lamp, Scene
from previz.scene.reader import scene_text


def lamps_text(scene_path: Path, folder: Path, scene: Scene, answer: LampAnswer) -> str:
    """The text of a scene file that lies in ``folder``: the scene's own, its lamps replaced by those of ``answer``.

    Raises :class:`OutputError` where the scene's text holds its lamps in a way that cannot be taken out.
    """
    try:
        text = without_tables(scene_text(scene_path), ("lamp",))
        kept = {lamp.name for lamp in answer.scene.lamps}
        for number, movable in reversed(list(enumerate(scene.search.lamp if scene.search else ()))):
            if movable.name not in kept:
                text = without_tables(text, ("search", "lamp", number))
        text = edited_text(text, file_names(folder, scene, text))
    except ValueError as error:
        raise OutputError(
            f"{scene_path}: its lamps cannot be taken out of the text ({error}); write each as a [[lamp]] table"
        ) from error
    line_end = "\r\n" if "\r\n" in text else "\n"
    note = f"# Lamps of {scene_path.name} as previz rig --lamps places them: {answer.after.text}."
    placed = zip(answer.judged.setup.spots, answer.scene.lamps, strict=True)
    blocks = [_block(lamp, note_of(spot, lamp)) for spot, lamp in placed]
    body = line_end.join(text.rstrip().splitlines())
    lamps = line_end.join(line for block in blocks for line in ["", *block])
    # a line for editors must stay the first
    first, gap, rest = body.partition(line_end)
    head = f"{first}{gap}{note}{line_end}{rest}" if first.startswith("#:") else f"{note}{line_end}{body}"
    return f"{head}{line_end}{lamps}{line_end}"


def _block(lamp: Lamp, note: str) -> list[str]:
    values: dict[str, Any] = {"name": lamp.name, "position": _place(lamp.position), "aim": _place(lamp.aim)}
    wide, high = (1e3 * side for side in lamp.face)
    if not lamp.is_point:
        values["size"] = f"{wide:g} mm" if lamp.is_disc else f"{wide:g} x {high:g} mm"
    values["lux"] = int(lamp.lux) if float(lamp.lux).is_integer() else lamp.lux
    values["kelvin"] = int(lamp.kelvin) if float(lamp.kelvin).is_integer() else lamp.kelvin
    if lamp.cone is not None:
        values["cone"] = f"{lamp.cone * 57.29577951308232:.6g} deg"
        values["edge"] = f"{100.0 * lamp.edge:g}%"
    if lamp.watts is not None:
        values["watts"] = int(lamp.watts) if float(lamp.watts).is_integer() else lamp.watts
    lines = [f"{key} = {toml_value(value)}" for key, value in values.items()]
    return ["[[lamp]]", f"# {note}", *lines]


def _place(place: tuple[float, float, float]) -> list[str]:
    return [f"{1e3 * v:.0f} mm" for v in place]
