"""exr/: written by OpenEXR, read back by OpenImageIO, FFmpeg and a reader made from the layout."""

import sys
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from previz.deliver.export.exr import DeepFrame, exr_there, write_exr
from previz.errors import OutputError
from previz.run.output import OutputFolder
from tests.deliver.open_files import exr_channels

NTSC = Fraction(24000, 1001)


def frame(high: int = 45, wide: int = 67) -> DeepFrame:
    rng = np.random.default_rng(2)
    cover = rng.uniform(0.0, 1.0, (high, wide)).astype(np.float32)
    cover[: high // 2] = 0.0
    depth = rng.uniform(0.3, 1.9, (high, wide)).astype(np.float32)
    layer = np.where(cover > 0.5, 2, 1).astype(np.uint8)
    depth[:3, :5], layer[:3, :5] = 0.0, 0
    colour = rng.uniform(0.0, 1.4, (high, wide, 3)).astype(np.float32)
    return DeepFrame(colour, colour * cover[..., None], cover, depth, layer)


def written(folder: Path, made: DeepFrame | None = None) -> Path:
    pytest.importorskip("OpenEXR")
    name = write_exr(OutputFolder(folder), 1001, made or frame(), NTSC, "Z in metres")
    assert name == "exr/1001.exr"
    return folder / name


def decoded(path: Path, layer: str = "") -> list[np.ndarray]:
    """Planes (H, W) as FFmpeg decodes them: green, blue, red and, where there is one, alpha."""
    with av.open(str(path)) as file:
        stream = file.streams.video[0]
        stream.codec_context.options = {"layer": layer} if layer else {}
        (picture,) = list(file.decode(stream))
        assert picture.format.name == ("gbrapf16le" if layer else "gbrpf16le")
        return [
            np.frombuffer(plane, np.float16).reshape(picture.height, -1)[:, : picture.width]
            for plane in picture.planes
        ]


def test_openimageio_reads_every_channel(tmp_path: Path) -> None:
    oiio = pytest.importorskip("OpenImageIO")
    made = frame()
    path = written(tmp_path, made)
    wanted = {"Z": (np.where(made.depth > 0.0, made.depth, np.inf), "float"), "id": (made.layer, "uint")}
    wanted |= {name: (half(made.colour[..., axis]), "half") for axis, name in enumerate("RGB")}
    wanted |= {f"bridge.{name}": (half(made.bridge[..., axis]), "half") for axis, name in enumerate("RGB")}
    wanted["bridge.A"] = (half(made.cover), "half")
    file = oiio.ImageInput.open(str(path))
    spec = file.spec()
    assert set(spec.channelnames) == set(wanted)
    for number, name in enumerate(spec.channelnames):
        values, kind = wanted[name]
        assert str(spec.channelformat(number)) == kind
        assert (file.read_image(number, number + 1, kind)[..., 0] == values).all(), name
    assert "metres" in spec.get_string_attribute("ImageDescription")
    file.close()


def half(values: np.ndarray) -> np.ndarray:
    return values.astype(np.float16)


def test_ffmpeg_reads_the_colour_and_the_bridge(tmp_path: Path) -> None:
    made = frame()
    path = written(tmp_path, made)
    green, blue, red = decoded(path)
    assert (np.stack([red, green, blue], axis=-1) == half(made.colour)).all()
    green, blue, red, alpha = decoded(path, "bridge")
    assert (np.stack([red, green, blue], axis=-1) == half(made.bridge)).all()
    assert (alpha == half(made.cover)).all()


def test_depth_and_ids_are_whole(tmp_path: Path) -> None:
    made = frame()
    found = exr_channels(written(tmp_path, made).read_bytes())
    assert set(found) == {"R", "G", "B", "Z", "id", "bridge.R", "bridge.G", "bridge.B", "bridge.A"}
    assert found["Z"].dtype == np.float32
    assert found["id"].dtype == np.uint32
    there = made.depth > 0.0
    assert (found["Z"][there] == made.depth[there]).all()
    assert np.isinf(found["Z"][~there]).all()
    assert (found["id"] == made.layer).all()
    # the reader itself, against FFmpeg's
    assert (found["R"] == decoded(tmp_path / "exr" / "1001.exr")[2]).all()


def test_the_header_says_rate_and_number(tmp_path: Path) -> None:
    path = written(tmp_path)
    import OpenEXR

    header = OpenEXR.File(str(path)).header()
    assert header["framesPerSecond"] == NTSC
    assert header["imageCounter"] == 1001
    assert header["comments"] == "Z in metres"


def test_same_input_same_bytes(tmp_path: Path) -> None:
    assert written(tmp_path / "a").read_bytes() == written(tmp_path / "b").read_bytes()


def test_a_failed_write_is_one_line_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("OpenEXR")
    import OpenEXR

    def full(self: object, name: str) -> None:
        Path(name).write_bytes(b"half")
        raise RuntimeError("No space left on device.")

    monkeypatch.setattr(OpenEXR.File, "write", full)
    with pytest.raises(OutputError, match=r"cannot write .*No space left"):
        write_exr(OutputFolder(tmp_path), 1001, frame(), NTSC, "")
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_without_the_library_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "OpenEXR", None)
    assert not exr_there()
    with pytest.raises(OutputError, match=r'pip install "stationpoint\[exr\]"'):
        write_exr(OutputFolder(tmp_path), 1001, frame(), NTSC, "")
