"""The report as a file: what it holds, what it lets run, how large it becomes; the data that pages draw."""

import base64
import hashlib
import html.parser
import json
import re
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from PIL import Image
from shapely import LineString

from previz.deliver.rig.rigdata import CardTable, Measure, Setting
from previz.deliver.shoot.overlay import OutlinePieces
from previz.deliver.shoot.page import Candidate, ReportPage, report_html, script_json
from previz.deliver.shoot.pagedata import CleanPatch, clean_patch, outline_lines, smaller
from previz.deliver.shoot.pageset import mesh_data, thinned
from previz.draw.paper import TitleBlock
from previz.draw.statictext import static_text
from previz.judge.telltable import TELLS
from previz.workshop.relief import Opening, Plot, carved_field, wall_surface
from previz.workshop.surface import BRIDGE, LitSurface, Pixels8, Surface

NOW = {"position": [0, 0.1, 1], "forward": [0, 0, -1], "field": [[0, 0, -1]] * 4, "sight": []}


def noise(seed: int, h: int = 90, w: int = 160) -> Pixels8:
    return np.random.default_rng(seed).integers(0, 256, (h, w, 3), dtype=np.uint8)


def page(**changes: Any) -> ReportPage:
    rows = [
        {"frame": f, "rail_mm": 1.0 * f - 1001, "break_pct": 2.0 if f == 1001 else 60.0, "trace_pct": 0.0,
         "drift_deg_s": 0.1, "found_pct": 1.0,
         "mismatch_de": 3.0,
         "slip_px": 0.0, "tells": ["slip"], "reason": "", "now": NOW, "lines": []}
        for f in (1001, 1002)
    ]  # fmt: skip
    solid = {"parts": [], "rail": [], "fov_deg": 30.0, "aspect": 1.8, "reach": 1.0, "from": [1, 1, 1]}
    whole = ReportPage(
        title=TitleBlock("A <b>wall</b> & a </script> bridge", "1:20", "2025-03-14", "shot report"),
        verdict="Holds.",
        made="made",
        size_px=(160, 90),
        rate=Fraction(25),
        start=1001,
        rows=rows,
        frames=[(noise(f), CleanPatch(10, 20, noise(f + 9, 12, 14))) for f in (1, 2)],
        curve={"rows": [], "hold": [1001, 1002], "held": None, "marks": [], "limit_pct": 5.0},
        set_={},
        solid=solid,
        go=[("start", 1001)],
        settings=[Setting("lens", "35 mm", "on 36 x 24 mm")],
        places=[Measure("height", "160.0 mm", '6 5/16"')],
        tables=[CardTable("marks", ("", "frame", "measured"), (("start", "1001", ""),), (0.5, 0.3, 0.2))],
        lines=[("light", ["Enough."])],
        cautions=["lamp: hot & heavy"],
    )
    return replace(whole, **changes)


class Parts(html.parser.HTMLParser):
    """What scripts, styles and the policy of a page are, read by the standard library's own parser."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.scripts: list[str] = []
        self.data: dict[str, Any] = {}
        self.styles: list[str] = []
        self.policy = ""
        self.addresses: list[str] = []
        self._into: Any = None
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.addresses += [str(v) for k, v in attrs if k in ("src", "href", "style", "srcset") or k.startswith("on")]
        if given.get("http-equiv") == "Content-Security-Policy":
            self.policy = str(given["content"])
        if tag == "script":
            name = str(given.get("id"))
            data = given.get("type") == "application/json"
            self._into = (lambda t: self.data.__setitem__(name, json.loads(t))) if data else self.scripts.append
        if tag == "style":
            self._into = self.styles.append

    def handle_data(self, data: str) -> None:
        if self._into is not None:
            self._into(data)
            self._into = None


def test_the_policy_names_exactly_the_scripts_and_styles_that_are_there() -> None:
    """Content Security Policy Level 3: the hash of an inline block is that of the text between its tags."""
    found = Parts(report_html(page()))

    def hashes(texts: list[str]) -> set[str]:
        return {"'sha256-" + base64.b64encode(hashlib.sha256(t.encode()).digest()).decode() + "'" for t in texts}

    rules = dict(rule.strip().split(" ", 1) for rule in found.policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data: blob:"
    assert rules["media-src"] == "blob:"
    # the library, what is drawn, keys, film, set, the blind test, and the page's own
    assert len(found.scripts) == 7
    assert set(rules["script-src"].split()) == hashes(found.scripts)
    assert set(rules["style-src"].split()) == hashes(found.styles)
    assert "unsafe" not in found.policy


def test_nothing_is_fetched_from_anywhere() -> None:
    found = Parts(report_html(page(compare=noise(5), candidates=[Candidate({"rank": "1"}, noise(6))])))
    assert found.addresses
    assert all(address.startswith(("data:", "#")) for address in found.addresses)


def test_words_of_the_scene_stay_words() -> None:
    text = report_html(page())
    assert "A &lt;b&gt;wall&lt;/b&gt; &amp; a &lt;/script&gt; bridge" in text
    assert Parts(text).data["data"]["title"] == "A <b>wall</b> & a </script> bridge"
    assert "hot &amp; heavy" in text
    # the boxes to write in are for paper
    assert "measured" not in re.sub(r"<(script|style).*?</\1>", "", text, flags=re.DOTALL)


@pytest.mark.parametrize("over", ["break", "trace", "found", None])
def test_the_cell_that_is_too_large_is_marked_and_no_other(over: str | None) -> None:
    """5 % is the most of a frame that holds; drift and mismatch have no limit of their own."""
    row = {**page().rows[0], "break_pct": 5.0, "trace_pct": 4.9, "found_pct": 5.0, "drift_deg_s": 9.0}
    if over is not None:
        row[f"{over}_pct"] = 5.1
    text = report_html(page(rows=[row, {**row, "frame": 1002}]))
    table = re.search(r'<table id="frames-table">.*?</table>', text, flags=re.DOTALL)
    assert table is not None
    heads = re.findall(r"<th[^>]*>([^<]*)</th>", table[0])
    cells = re.findall(r"<td([^>]*)>", table[0].split('data-frame="1001"')[1].split("</tr>")[0])
    marked = [head for head, cell in zip(heads, cells, strict=True) if "breaks" in cell]
    assert [head.split(",")[0] for head in marked] == ([] if over is None else [over])


def test_the_same_page_is_the_same_bytes() -> None:
    assert report_html(page()) == report_html(page())


def smooth(k: int) -> Pixels8:
    y, x = np.mgrid[0:90, 0:160]
    value = 128 + 90 * np.sin(x / 17.0 + 2 * k) * np.cos(y / 11.0)
    return np.repeat(value[..., None], 3, axis=2).astype(np.uint8)


def test_a_patch_makes_the_clean_frame_of_the_other() -> None:
    seen = noise(3)
    clean = seen.copy()
    clean[30:50, 70:95] //= 2
    patch = clean_patch(seen, clean)
    assert patch is not None
    assert np.array_equal(laid_over(seen, patch), clean)
    assert patch.code.shape[0] * patch.code.shape[1] < 0.2 * seen.shape[0] * seen.shape[1]
    assert clean_patch(seen, seen.copy()) is None


def laid_over(seen: Pixels8, patch: CleanPatch) -> Pixels8:
    """As a canvas lays it, by Pillow's own compositing."""
    made = Image.fromarray(seen)
    top = Image.fromarray(patch.code)
    made.paste(top, (patch.left, patch.top), top)
    return np.asarray(made)


def test_a_breath_of_bounced_light_makes_no_patch_and_two_far_places_no_large_one() -> None:
    """The bridge lights the whole wall by a code or two; a frame is not carried twice for that."""
    seen = smooth(0)
    breath = seen + np.uint8(2)
    assert clean_patch(seen, breath) is None
    clean = breath.copy()
    clean[4:10, 4:10] = 255
    clean[80:86, 150:156] = 0
    patch = clean_patch(seen, clean)
    assert patch is not None
    # both places lie in one patch that is nearly all left out
    assert (patch.code[..., 3] > 0).mean() < 0.1
    assert set(np.unique(patch.code[..., 3])) == {0, 255}
    shown = laid_over(seen, patch).astype(int)
    assert np.array_equal(shown[4:10, 4:10], clean[4:10, 4:10])
    assert np.array_equal(shown[80:86, 150:156], clean[80:86, 150:156])
    assert np.abs(shown - clean).max() <= 2


def test_outline_lines_keep_their_place_and_their_kind() -> None:
    angle = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    points = np.stack([200 + 80 * np.cos(angle), 150 + 60 * np.sin(angle)], axis=1)
    broken = (angle > 1.0) & (angle < 2.0)
    tell = np.where(broken, TELLS.index("slip"), -1).astype(np.int8)
    lines = outline_lines([OutlinePieces(points, broken, True, tell)])
    assert {kind for kind, _ in lines} == {"hidden", "slip"}
    for kind, flat in lines:
        assert len(flat) < 120
        drawn = LineString(np.array(flat).reshape(-1, 2))
        true = points[broken] if kind == "slip" else points[~broken]
        far = max(drawn.distance(LineString([p, p + 1e-9])) for p in true) if kind == "slip" else 0.0
        # 0.4 px of thinning and 0.05 px of rounding, each in x and y
        assert far < 0.5
        assert all(abs(((x - 200) / 80) ** 2 + ((y - 150) / 60) ** 2 - 1) < 0.02 for x, y in drawn.coords)


def wall(triangles: int) -> Any:
    plot = Plot(1.8, 1.4, 0.7, 0.04)
    field = carved_field(plot, triangles, lambda x, y: np.sin(9 * x)[None, :] * np.cos(7 * y)[:, None])
    return wall_surface(plot, field, np.full((64, 80, 3), 0.4, dtype=np.float32))


def test_a_thinned_wall_keeps_its_place_on_the_map() -> None:
    """That of the whole wall's own corners, with a doorway's sides folded out."""
    plot = Plot(1.8, 1.4, 0.7, 0.04, opening=Opening(0.06, 0.11, 0.05), texels=(360, 280))
    field = carved_field(plot, 60_000, lambda x, y: np.sin(9 * x)[None, :] * np.cos(7 * y)[:, None])
    whole = wall_surface(plot, field, np.full((300, 380, 3), 0.4, dtype=np.float32))
    vertices, _, uv = thinned(whole, 12_000)
    front = len(field.x) * len(field.y)
    own = {tuple(place): tuple(at) for place, at in zip(whole.vertices[:front], whole.uv[:front], strict=True)}
    assert all(own[tuple(place)] == tuple(at) for place, at in zip(vertices, uv, strict=True))


def test_a_thinned_wall_lies_on_the_wall() -> None:
    whole = wall(60_000)
    vertices, faces, uv = thinned(whole, 12_000)
    assert 6_000 < len(faces) <= 12_000
    assert np.allclose(whole.field.at(vertices[:, 0], vertices[:, 1]), vertices[:, 2], atol=1e-9)
    # from edge to edge, and facing out of the wall: counter-clockwise seen from +Z
    assert np.allclose(np.ptp(vertices[:, :2], axis=0), [1.8, 1.4])
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    assert (np.cross(b - a, c - a)[:, 2] > 0).all()
    # v runs down from the top
    top = vertices[:, 1].argmax()
    assert uv[top, 1] == pytest.approx(0.0)
    # the wall between the points kept is missed by less than a tenth of its relief
    middles = (a + b + c) / 3.0
    assert np.abs(whole.field.at(middles[:, 0], middles[:, 1]) - middles[:, 2]).max() < 0.004


def ball(steps: int = 120) -> Surface:
    u, v = np.meshgrid(np.linspace(0, 1, steps), np.linspace(0, 1, steps))
    round_, down = 2.0 * np.pi * u, np.pi * v
    p = np.stack([np.cos(round_) * np.sin(down), np.cos(down), np.sin(round_) * np.sin(down)], -1)
    n = np.arange(steps * steps).reshape(steps, steps)
    a, b, d, c = n[:-1, :-1].ravel(), n[:-1, 1:].ravel(), n[1:, :-1].ravel(), n[1:, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)
    uv = np.stack([u, v], -1).reshape(-1, 2).astype(np.float32)
    return Surface("ball", BRIDGE, p.reshape(-1, 3), faces, uv, np.full((4, 4, 3), 0.5, dtype=np.float32))


def test_a_modelled_mesh_is_thinned_and_keeps_its_shape() -> None:
    vertices, faces, _ = thinned(ball(), 5_000)
    assert 1_000 < len(faces) <= 5_000
    assert np.allclose(np.linalg.norm(vertices, axis=1), 1.0, atol=1e-6)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    area = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()
    # a unit ball has 4 pi of surface
    assert area == pytest.approx(4.0 * np.pi, rel=0.05)


def test_meshes_come_back_from_their_text() -> None:
    lit = LitSurface("ball", ball(40), noise(1, 32, 32))
    found = mesh_data(lit, 100_000)
    place = np.frombuffer(base64.b64decode(found["place"]), dtype="<f4").reshape(-1, 3)
    face = np.frombuffer(base64.b64decode(found["face"]), dtype="<u4" if found["wide"] else "<u2").reshape(-1, 3)
    assert np.allclose(place, lit.surface.vertices, atol=1e-6)
    assert np.array_equal(face, lit.surface.faces)
    assert found["triangles"] == len(face)


def test_json_cannot_end_its_element() -> None:
    text = script_json({"a": "</script><!--", "b": "\u2028"})
    assert "<" not in text
    assert json.loads(text) == {"a": "</script><!--", "b": "\u2028"}


def test_smaller_keeps_what_fits() -> None:
    assert smaller(noise(1), 160).shape == (90, 160, 3)
    assert smaller(noise(1), 80).shape == (45, 80, 3)


def test_the_bundled_library_keeps_its_licence() -> None:
    assert "MIT License" in static_text("vendor/three.LICENSE")
    version = re.search(r"three\.js ([\d.]+)", static_text("vendor/README.md"))
    assert version is not None
    # the library names its own revision: 0.187.0 is "187"
    assert f'"{version[1].split(".")[1]}"' in static_text("vendor/three.min.js")


def test_the_colours_are_those_of_the_sheets() -> None:
    from previz.draw import style

    css = static_text("look.css")
    for name, colour in (("paper", style.PAPER), ("ink", style.INK), ("chalk", style.CHALK), ("signal", style.SIGNAL)):
        assert f"--{name}: #{bytes(colour).hex()};" in css
