"""Scene files, read and checked as a whole: a scene, or every fault of the file at once."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from previz.errors import Fault, SceneError, printable, quoted
from previz.scene.checks import impossible
from previz.scene.faults import SEVERAL, Reason, placed, reason_of, unknown_key
from previz.scene.files import file_reasons, nearest_file
from previz.scene.limits import FAULTS_LISTED, SCENE_BYTES
from previz.scene.model import Scene
from previz.scene.source import Source, read_source

# stands in for a table that is wrong, so that the checks which do not read it can still be made
_SOUND: dict[str, Any] = {
    "title": "untitled",
    "scale": "1:20",
    "wall": {"kind": "board"},
    "camera": {"position": ["0 mm", "160 mm", "1250 mm"]},
    "rail": {"frames": 1, "hold": [1001, 1001]},
}


def read_scene(path: Path) -> Scene:
    """The scene of a file. Raises :class:`SceneError` with every fault found, in file order.

    Faults of syntax come alone, since nothing can be said about the rest. Names of files in the scene are taken
    relative to the folder of ``path``.
    """
    path = Path(path)
    return scene_of_text(scene_text(path), path)


def scene_text(path: Path) -> str:
    """The text of a scene file, line ends as they are. Raises :class:`SceneError` where it is none."""
    return _text(_bytes(Path(path)), _shown(Path(path)))


def scene_of_text(text: str, path: Path) -> Scene:
    """The scene that :func:`read_scene` would find if the file ``path`` held ``text``."""
    file = _shown(path)
    source = read_source(text, file)
    reasons: list[Reason] = []
    data = dict(source.data)
    # keys that the model takes from Python only
    for name in ("folder", *SEVERAL):
        if name in data:
            reasons.append(unknown_key((name,)))
            del data[name]
    scene: Scene | None = None
    try:
        scene = _scene(data, path.parent)
    except ValidationError as error:
        details = error.errors(include_url=False, include_input=False)
        reasons += [reason_of(detail, data) for detail in details[: 10 * FAULTS_LISTED]]
    reasons += _together(data, reasons, scene, path.parent)
    reasons += file_reasons(data, path.parent)
    if scene is None or reasons:
        raise SceneError(_in_order(reasons, source, file))
    return scene


def scene_sha256(path: Path) -> str:
    """SHA-256 of a scene file's bytes, hexadecimal. Raises :class:`SceneError` where it cannot be read."""
    return hashlib.sha256(_bytes(Path(path))).hexdigest()


def _scene(data: dict[str, Any], folder: Path) -> Scene:
    return Scene.model_validate({**data, "folder": folder}, context={"file": True})


def _together(data: dict[str, Any], reasons: list[Reason], scene: Scene | None, folder: Path) -> list[Reason]:
    """What does not go together, as far as the tables concerned are sound by themselves."""
    if scene is not None:
        return impossible(scene)
    broken = frozenset(str(reason.loc[0]) for reason in reasons if reason.loc)
    sound = {key: value for key, value in data.items() if key not in broken}
    try:
        return impossible(_scene({**_SOUND, **sound}, folder), broken)
    except ValidationError:
        return []


def _in_order(reasons: list[Reason], source: Source, file: str) -> list[Fault]:
    faults = sorted((placed(reason, source, file) for reason in reasons), key=lambda fault: (fault.line, fault.column))
    faults = list(dict.fromkeys(faults))
    if len(faults) > FAULTS_LISTED:
        more = Fault(file, 0, 0, "", f"at most {FAULTS_LISTED} faults to list", "more of them", "put these right first")
        faults = [*faults[:FAULTS_LISTED], more]
    return faults


def _one(file: str, expected: str, found: str, hint: str = "", line: int = 0, column: int = 0) -> SceneError:
    return SceneError([Fault(file, line, column, "", expected, found, hint)])


def _shown(path: Path) -> str:
    return printable(str(path).replace("\n", "\0"), 400)


def _bytes(path: Path) -> bytes:
    file = _shown(path)
    expected = "a scene file"
    try:
        if path.is_dir():
            raise _one(file, expected, "a folder", f"name the file in it, like {path.name or '.'}/scene.toml")
        if not path.exists():
            near = nearest_file(path, (".toml",))
            raise _one(file, expected, "no such file", f"did you mean {quoted(near)}?" if near else "")
        if not path.is_file():
            raise _one(file, expected, "something that is not a plain file")
        size = path.stat().st_size
        if size > SCENE_BYTES:
            raise _one(
                file, f"a scene file of at most {SCENE_BYTES // 1000} kB", f"{size / 1e6:.1f} MB", "it is text alone"
            )
        return path.read_bytes()
    except OSError as error:
        raise _one(file, expected, "a file that cannot be read", error.strerror or "see its permissions") from None
    except ValueError:
        raise _one(file, expected, "a name that no file can have") from None


def _text(raw: bytes, file: str) -> str:
    hint = "save it again as UTF-8"
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _one(file, "text in UTF-8", "text in UTF-16", hint)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if b"\0" in raw[:4096]:
            raise _one(file, "text in UTF-8", "binary data", "is this a scene file?") from None
        line, column = _place(raw[: error.start].decode("utf-8-sig"))
        found = f"a byte 0x{raw[error.start]:02x} that is not"
        raise _one(file, "text in UTF-8", found, hint, line, column) from None
    if "\0" in text:
        line, column = _place(text[: text.index("\0")])
        raise _one(file, "text in UTF-8", "binary data", "is this a scene file?", line, column)
    if not text.strip():
        raise _one(file, "a scene", "an empty file", "previz new writes a starter")
    return text


def _place(before: str) -> tuple[int, int]:
    """Line and column of what comes after a text."""
    return before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
