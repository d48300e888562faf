"""Faulty files and messages for the attack (``tests.benchmarks.attack``): drawn by number, so that a number is a case.

Each starts from something sound and is spoilt where its format has structure: keys and values of a scene, chunks of a
PNG, segments of a JPEG, the description of a GLB, cells of a table. A share is spoilt byte by byte as well.
"""

from __future__ import annotations

import copy
import io
import json
import re
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import trimesh
from PIL import Image

from previz.bench.protocol import read_request
from previz.command.check.start import check_scene
from previz.lineup.locate import read_points
from previz.plate.figure import rgba_of
from previz.plate.take import read_take, read_wanted
from previz.scene.foreign import read_mesh, read_picture
from previz.scene.reader import read_scene
from previz.scene.shape import bridge_shape
from previz.scene.starter import starter_text
from previz.workshop.photographs.find import found_markers, read_photograph
from tests.command.scenes import SMALL

ROOT: Final = Path(__file__).resolve().parents[2]

# one after the other, so that any stretch of numbers has all of them; scenes are what most is written in
KINDS: Final = ("scene", "mesh", "scene", "picture", "scene", "table", "message", "scene", "photograph", "scene")

# terminal escapes (ECMA-48), directions of writing (Unicode TR 36), line ends, half a surrogate pair in JSON's way
EVIL: Final = ("\x1b[2J", "\x1b]0;x\x07", "\x9b1m", "\u202ecod.exe", "\u2066", "\r", "\x00", "\x7f", "\u2028", "\ufeff")

ODD_NUMBERS: Final = (
    "0", "-1", "1e308", "-1e308", "1e-308", "inf", "nan", "-0.0", "9" * 300, "0." + "0" * 300 + "1", "1e9", "65536",
    "2147483648", "-9223372036854775809", "0x7fffffffffffffff", "1_000", "3.5", "true", "1e400", "1e999999",
)  # fmt: skip
ODD_TEXTS: Final = (
    '""', '"0 mm"', '"-5 mm"', '"1e308 mm"', '"nan mm"', '"1e400 m"', '"5"', '"5 parsec"', '"f/0"', '"f/-2"', '"1:0"',
    '"1/0 s"', '"0/1 s"', '"101%"', '"-1%"', '"90 deg"', '"1e9 deg"', '"#zzzzzz"', '"../../etc/passwd"', '"/dev/zero"',
    '"small.toml"', '"."', '"a\\u0000b"', '"\\u001b[2J"', '"\\u202e"', '"arc"', '"' + "x" * 5000 + '"', '"1 ft 2"',
    '"' + "9" * 300 + ' mm"', "[]", "{}", "[[]]", "[1, 2, 3]",
    '["0 mm", "0 mm", "0 mm"]', '["1e300 m", "1 mm", "1 mm"]',
    "1979-05-27", "1979-05-27T07:32:00Z", "[1001, 1001]", "[1, 100000]", "[-5, 5]", "[[1, 2], [3, 4]]", "{ a = 1 }",
)  # fmt: skip


@dataclass(frozen=True)
class Case:
    """A case: its kind, what is spoilt in words, and what reads it."""

    kind: str
    what: str
    read: Callable[[], object]


def case_of(number: int, seed: int, folder: Path) -> Case:
    """The case of a number; its files are written to ``folder``."""
    rng = np.random.default_rng([seed, number])
    kind = KINDS[number % len(KINDS)]
    return _MAKERS[kind](rng, folder)


def _pick(rng: np.random.Generator, things: Any) -> Any:
    return things[int(rng.integers(len(things)))]


# ---- scenes


@cache
def _scenes() -> tuple[str, ...]:
    whole = [SMALL, starter_text("case")]
    names = ("quarry", "seastack", "crevasse")
    return (*whole, *((ROOT / "scenes" / f"{name}.toml").read_text(encoding="utf-8") for name in names))


def _odd_value(rng: np.random.Generator) -> str:
    if rng.uniform() < 0.1:
        return json.dumps(_pick(rng, EVIL) + _pick(rng, EVIL))
    return str(_pick(rng, ODD_NUMBERS if rng.uniform() < 0.4 else ODD_TEXTS))


def _odd_key(rng: np.random.Generator) -> str:
    keys = (json.dumps(_pick(rng, EVIL)), '""', "title", "wall.seed", "sead", "x" * 300, "a.b.c", '"\\n"')
    return str(_pick(rng, keys))


def _spoilt_lines(rng: np.random.Generator, lines: list[str]) -> str:
    """One change to the lines of a scene; gives it in words."""
    at = int(rng.integers(len(lines)))
    way = int(rng.integers(12))
    key = lines[at].partition("=")[0]
    if way <= 4 and "=" in lines[at]:
        lines[at] = f"{key}= {_odd_value(rng)}"
        return f"value of {key.strip()}"
    if way == 5:
        lines[at : at + 1] = []
        return "a line less"
    if way == 6:
        lines.insert(int(rng.integers(len(lines))), lines[at])
        return "a line twice"
    if way == 7:
        lines.insert(at, f"{_odd_key(rng)} = {_odd_value(rng)}")
        return "an odd key"
    if way == 8:
        lines.insert(at, f"[{'[' * int(rng.integers(2))}{_odd_key(rng)}{']' * int(rng.integers(1, 3))}")
        return "an odd table"
    if way == 9:
        depth = int(_pick(rng, (3, 30, 3000)))
        lines.insert(at, f"deep = {'[' * depth}{']' * depth}")
        return "nesting"
    if way == 10:
        count = int(_pick(rng, (3, 60, 1000)))
        lines.extend(f'[[lamp]]\nname = "l{k}"' for k in range(count))
        return f"{count} lamps"
    cut = int(rng.integers(len(lines[at]) + 1))
    lines[at] = lines[at][:cut] + str(_pick(rng, (*EVIL, '"', "'''", "]", "=", "\\", "é"))) + lines[at][cut:]
    return "a sign too many"


def _scene(rng: np.random.Generator, folder: Path) -> Case:
    lines = str(_pick(rng, _scenes())).split("\n")
    what = [_spoilt_lines(rng, lines) for _ in range(int(rng.integers(1, 5)))]
    data = "\n".join(lines).encode("utf-8", errors="surrogatepass")
    if rng.uniform() < 0.15:
        data = _spoilt_bytes(rng, data)
        what.append("bytes")
    path = folder / "case.toml"
    path.write_bytes(data)

    return Case("scene", ", ".join(what), lambda: check_scene(path))


# ---- bytes


def _spoilt_bytes(rng: np.random.Generator, data: bytes) -> bytes:
    out = bytearray(data)
    way = int(rng.integers(4))
    if way == 0:
        return bytes(out[: int(rng.integers(len(out) + 1))])
    if way == 1:
        at = int(rng.integers(len(out) + 1))
        return bytes(out[:at] + rng.bytes(int(rng.integers(1, 64))) + out[at:])
    for _ in range(int(rng.integers(1, 12))):
        if out:
            out[int(rng.integers(len(out)))] = int(rng.integers(256))
    if way == 3 and len(out) > 8:
        at = int(rng.integers(len(out) - 4))
        out[at : at + 4] = _pick(rng, (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"\0\0\0\x80"))
    return bytes(out)


# ---- meshes


@cache
def _sound_mesh(kind: str, shape: str) -> bytes:
    mesh = {
        "box": lambda: trimesh.creation.box((0.06, 0.012, 0.7)),
        "ball": lambda: trimesh.creation.icosphere(subdivisions=2, radius=0.2),
        "pictured": lambda: trimesh.creation.box((0.06, 0.012, 0.7)),
    }[shape]()
    mesh.apply_translation((0.0, -0.006, 0.34))
    if shape == "pictured":
        picture = Image.fromarray(np.random.default_rng(1).integers(0, 255, (16, 16, 3), dtype=np.uint8))
        mesh.visual = trimesh.visual.TextureVisuals(uv=mesh.vertices[:, :2] * 5.0 + 0.5, image=picture)
    told = {"ply": {"encoding": "ascii"}} if shape == "ball" else {}
    data = mesh.export(file_type=kind, **told.get(kind, {}))
    return data.encode() if isinstance(data, str) else bytes(data)


def _places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value in a tree of JSON."""
    out = [path] if path else []
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in pairs:
        out += _places(value, (*path, key))
    return out


_ODD_JSON: Final = (
    None, True, -1, 0, 1, 2**31, 10**9, 2**63, 1e308, -1.5, "", "x" * 300, "\x1b[2J", [], {}, [0], [1e300] * 3, [[]],
    "data:,", "data:image/png;base64,AAAA", "../../secret.png", "VEC3", "MAT4", 5126, 5125, [0, 1, 2, 3],
)  # fmt: skip


def _spoilt_tree(rng: np.random.Generator, tree: Any) -> str:
    place = _pick(rng, _places(tree) or [()])
    if not place:
        return "nothing"
    node = tree
    for step in place[:-1]:
        node = node[step]
    if rng.uniform() < 0.15 and isinstance(node, dict):
        del node[place[-1]]
    elif rng.uniform() < 0.15 and isinstance(node, list):
        node.extend(copy.deepcopy(node[place[-1]]) for _ in range(int(_pick(rng, (1, 100, 60_000)))))
    else:
        # a copy: what is laid in now may be spoilt in turn
        node[place[-1]] = copy.deepcopy(_pick(rng, _ODD_JSON))
    return ".".join(map(str, place))


def _spoilt_glb(rng: np.random.Generator, data: bytes) -> tuple[bytes, str]:
    length = struct.unpack("<I", data[12:16])[0]
    tree, binary = json.loads(data[20 : 20 + length]), data[20 + length :]
    what = [_spoilt_tree(rng, tree) for _ in range(int(rng.integers(1, 4)))]
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    head = struct.pack("<4sIII4s", b"glTF", 2, 20 + len(text) + len(binary), len(text), b"JSON")
    return head + text + binary, " ".join(what)


def _spoilt_words(rng: np.random.Generator, data: bytes) -> tuple[bytes, str]:
    """Numbers of a text file exchanged for odd ones."""
    words = re.split(rb"(\s+)", data)
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(0, len(words), dtype=np.int64)) // 2 * 2
        words[at] = str(_pick(rng, (*ODD_NUMBERS, "vertex", "face", "999999999", "\x1b[2J", "list", "f"))).encode()
    return b"".join(words), "words"


def _mesh(rng: np.random.Generator, folder: Path) -> Case:
    kind, shape = str(_pick(rng, ("glb", "glb", "ply", "stl", "obj"))), str(_pick(rng, ("box", "ball", "pictured")))
    data, what = _sound_mesh(kind, shape), "bytes"
    if kind == "glb" and rng.uniform() < 0.75:
        data, what = _spoilt_glb(rng, data)
    elif (kind == "obj" or (kind == "ply" and shape == "ball")) and rng.uniform() < 0.75:
        data, what = _spoilt_words(rng, data)
    else:
        data = _spoilt_bytes(rng, data)
    path = folder / f"case.{kind}"
    path.write_bytes(data)
    scene = folder / "meshed.toml"
    bridge = 'length = "700 mm"\nwidth = "50 mm"\npaint = "projected"'
    assert SMALL.count(bridge) == 1
    scene.write_text(SMALL.replace(bridge, f'mesh = "{path.name}"').partition("[plate]")[0], encoding="utf-8")

    def read() -> object:
        read_mesh(path)
        found = read_scene(scene)
        shape_ = bridge_shape(found)
        return shape_.plan, shape_.elevation, shape_.root, shape_.volume, shape_.edge_points, check_scene(scene)

    return Case("mesh", f"{kind} {shape}: {what}", read)


# ---- pictures


@cache
def _sound_picture(kind: str, mode: str) -> bytes:
    rng = np.random.default_rng(2)
    codes = rng.integers(0, 255, (240, 320, 4), dtype=np.uint8)
    image = Image.fromarray(codes, "RGBA") if mode == "RGBA" else Image.fromarray(codes[..., :3], "RGB").convert(mode)
    out = io.BytesIO()
    image.save(out, kind)
    return out.getvalue()


def _png_chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    at, out = 8, []
    while at + 8 <= len(data):
        length = struct.unpack(">I", data[at : at + 4])[0]
        out.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + length]))
        at += 12 + length
    return out


def _spoilt_png(rng: np.random.Generator, data: bytes) -> tuple[bytes, str]:
    """A PNG (ISO/IEC 15948) with a chunk changed and every check sum right."""
    chunks = _png_chunks(data)
    way = int(rng.integers(6))
    if way == 0:
        sides = (0, 1, 7, 320, 30_000, 2**31 - 1, 2**32 - 1)
        head = struct.pack(">II", _pick(rng, sides), _pick(rng, sides)) + chunks[0][1][8:]
        chunks[0] = (b"IHDR", head)
    elif way == 1:
        head = bytearray(chunks[0][1])
        head[int(rng.integers(8, 13))] = int(_pick(rng, (0, 1, 2, 3, 4, 6, 8, 16, 255)))
        chunks[0] = (b"IHDR", bytes(head))
    elif way == 2:
        bomb = zlib.compress(b"\0" * int(_pick(rng, (1000, 50_000_000))))
        chunks.insert(1, (_pick(rng, (b"zTXt", b"iCCP")), b"a\0\0" + bomb))
    elif way == 3:
        kinds = (b"PLTE", b"tRNS", b"gAMA", b"eXIf", b"acTL", b"fdAT", b"sRGB", b"abcd", b"cHRM")
        chunks.insert(1, (_pick(rng, kinds), rng.bytes(int(rng.integers(0, 99)))))
    elif way == 4:
        at = int(rng.integers(len(chunks)))
        chunks[at] = (chunks[at][0], _spoilt_bytes(rng, chunks[at][1]) if chunks[at][1] else b"x")
    else:
        chunks.insert(int(rng.integers(len(chunks))), chunks.pop(int(rng.integers(len(chunks)))))
    parts = [struct.pack(">I", len(c)) + k + c + struct.pack(">I", zlib.crc32(k + c)) for k, c in chunks]
    return data[:8] + b"".join(parts), f"chunks, way {way}"


def _spoilt_jpeg(rng: np.random.Generator, data: bytes) -> tuple[bytes, str]:
    """A JPEG (ITU-T T.81) with the bytes of a marker's segment changed."""
    marks = [m.start() for m in re.finditer(rb"\xff[\xc0-\xfe]", data)]
    out = bytearray(data)
    at = int(_pick(rng, marks))
    for _ in range(int(rng.integers(1, 5))):
        out[min(at + int(rng.integers(1, 24)), len(out) - 1)] = int(_pick(rng, (0, 1, 255, int(rng.integers(256)))))
    return bytes(out), "segments"


def _spoilt_picture(rng: np.random.Generator) -> tuple[str, bytes, str]:
    kind = str(_pick(rng, ("PNG", "PNG", "JPEG", "TIFF", "WEBP", "BMP")))
    mode = str(_pick(rng, ("RGB", "RGBA", "L", "P")))
    if kind == "JPEG" and mode in ("RGBA", "P"):
        mode = "RGB"
    data = _sound_picture(kind, mode)
    if kind == "PNG" and rng.uniform() < 0.75:
        data, what = _spoilt_png(rng, data)
    elif kind == "JPEG" and rng.uniform() < 0.75:
        data, what = _spoilt_jpeg(rng, data)
    else:
        data, what = _spoilt_bytes(rng, data), "bytes"
    return kind.lower(), data, f"{kind} {mode}: {what}"


def _picture(rng: np.random.Generator, folder: Path) -> Case:
    kind, data, what = _spoilt_picture(rng)
    path = folder / f"case.{kind}"
    path.write_bytes(data)
    readers: tuple[Callable[[Path], object], ...] = (read_picture, rgba_of)
    reader = _pick(rng, readers)
    return Case("picture", f"{what}, by {reader.__name__}", lambda: reader(path))


def _photograph(rng: np.random.Generator, folder: Path) -> Case:
    kind, data, what = _spoilt_picture(rng)
    path = folder / f"case.{kind}"
    path.write_bytes(data)
    return Case("photograph", what, lambda: found_markers(read_photograph(path)))


# ---- tables and messages


def _table(rng: np.random.Generator, folder: Path) -> Case:
    readers: tuple[tuple[str, Callable[[Path], object]], ...] = (
        ("frame,rail_mm", lambda path: read_take(path, 25)), ("rail_mm,time_s", lambda path: read_take(path, 25)),
        ("frame,rail_mm", read_wanted), ("name,x,y,z,px,py", read_points),
    )  # fmt: skip
    header, reader = _pick(rng, readers)
    names = header.split(",")
    count = int(_pick(rng, (0, 1, 2, 8, 40, 400_000 if rng.uniform() < 0.02 else 40)))
    rows = [[f"{k + 1 + 0.5 * (name != 'frame'):g}" for name in names] for k in range(count)]
    for row in rows:
        if names[0] == "frame":
            row[0] = f"{float(row[0]):.0f}"
    separator, what = str(_pick(rng, (",", ",", ";", "\t"))), []
    for _ in range(int(rng.integers(1, 4))):
        way = int(rng.integers(6))
        what.append(str(way))
        if way == 0:
            names[int(rng.integers(len(names)))] = str(_pick(rng, (*EVIL, "", "rail_cm", "frame", "x" * 3000, '"')))
        elif way <= 3 and rows:
            row = rows[int(rng.integers(len(rows)))]
            odd = (*ODD_NUMBERS, *EVIL, "", '"', '"a', "1,5", "1;5", "−3", "１２", "1_0", "=1+1", "y" * 200_000)
            row[int(rng.integers(len(row)))] = str(_pick(rng, odd))
        elif way == 4 and rows:
            rows.insert(int(rng.integers(len(rows))), rows[int(rng.integers(len(rows)))][: int(rng.integers(1, 3))])
        else:
            rows.insert(0, [str(_pick(rng, EVIL))] * int(_pick(rng, (1, 3, 2000))))
    text = "\n".join(separator.join(row) for row in (names, *rows))
    data = text.encode("utf-8", errors="surrogatepass")
    if rng.uniform() < 0.2:
        data = _spoilt_bytes(rng, data)
    path = folder / "case.csv"
    path.write_bytes(data)
    return Case("table", f"{header}, ways {' '.join(what)}", lambda: reader(path))


def _message(rng: np.random.Generator, folder: Path) -> Case:
    sound: Any = _pick(rng, (
        {"do": "turn", "values": {"up": 0.2, "lens": 0.035}, "still": True},
        {"do": "frame", "number": 1002, "still": True},
        {"do": "write as", "name": "other"}, {"do": "keep", "name": "first"}, {"do": "paint follows", "on": False},
        {"do": "take", "number": 1}, {"do": "undo"},
    ))  # fmt: skip
    tree = json.loads(json.dumps(sound))
    what = [_spoilt_tree(rng, tree) for _ in range(int(rng.integers(1, 3)))]
    text: str | bytes = json.dumps(tree)
    if rng.uniform() < 0.3:
        text = _spoilt_bytes(rng, str(text).encode()).decode("utf-8", errors="replace")
    if rng.uniform() < 0.05:
        text = "[" * 4000
    message = text
    return Case("message", " ".join(what), lambda: read_request(message))


_MAKERS: Final[dict[str, Callable[[np.random.Generator, Path], Case]]] = {
    "scene": _scene, "mesh": _mesh, "picture": _picture, "photograph": _photograph, "table": _table,
    "message": _message,
}  # fmt: skip
