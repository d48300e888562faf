"""Frames as they are delivered: what focus, shutter and shine do to them and to their score."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from scipy.ndimage import convolve, gaussian_filter

from previz import colour
from previz.judge.frame import JudgedFrame
from previz.look.sampling import bilinear
from previz.rig.lightadvice import shadow_parts
from previz.run.workers import WorkerPool
from previz.scene.model import Doorway, Scene
from previz.scene.move import move_of
from previz.stage.delivering import as_moving, at_rest, convolved
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import CLEAN, prepare, sight_of, square_on
from previz.workshop.light.bake import levels_of, lit_emitters
from previz.workshop.texels import texel_points
from tests.search.example import small_scene

WIDTH, HEIGHT = 480, 270
KEY = {"name": "key", "position": (0.0, 0.9, -0.1 + 1.0), "lux": 900.0, "size": 0.25, "aim": (0.0, 0.0, 0.4)}


class _Self:
    def done_by(self, looker: Looker) -> Looker:
        return looker


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(1) as held:
        yield held


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    found = small_scene(tmp_path_factory.mktemp("set")).edited(camera__position=(0.0, 0.35, 1.6))
    return found.edited(lamps=(KEY,), light__ambient=300.0, camera__focus=None, rail__travel=0.02)


def loaded(pool: WorkerPool, scene: Scene) -> Looker:
    pool.load(prepare(scene, WIDTH))
    return next(iter(pool.run([_Self()])))


def judged(looker: Looker, frame: int = 1004) -> JudgedFrame:
    return looker.look(FrameJob(frame, WIDTH, HEIGHT, pictures=False)).judged


def test_a_near_end_out_of_focus_is_told_by_focus(pool: WorkerPool, scene: Scene) -> None:
    """Projected paint under flat light is exact but for the lens: what is seen of it then is the lens's doing."""
    flat = scene.edited(lamps=(), light__ambient=0.0)
    assert (judged(loaded(pool, flat)).score.break_pct or 0.0) < 2.0
    wide = loaded(pool, flat.edited(camera__focus=1.6, camera__stop=1.4))
    found = judged(wide)
    assert (found.score.break_pct or 0.0) > 20.0
    assert found.score.tells[0] == "focus"


@pytest.mark.slow
def test_shine_is_told_and_goes_with_matt_paint(pool: WorkerPool, scene: Scene) -> None:
    matt = judged(loaded(pool, scene))
    looker = loaded(pool, scene.edited(bridge__gloss="gloss"))
    glossy = judged(looker)
    assert (glossy.score.break_pct or 0.0) > (matt.score.break_pct or 0.0) + 10.0
    assert "shine" in glossy.score.tells
    # what it would be without: the frame of the matt set, but for what the coat throws on the wall and takes from the
    # bridge's own light, a code or two
    camera = move_of(scene).camera(1004, WIDTH, HEIGHT)
    _, (looks, without) = looker.delivered(1004, WIDTH, HEIGHT)
    seen, clean = without["shine"]()
    _, (plain, _) = loaded(pool, scene).delivered(1004, WIDTH, HEIGHT)
    assert np.abs(seen - plain.seen).mean() < 0.002
    assert np.abs(seen - plain.seen).max() < 0.02
    assert np.abs(looks.seen - plain.seen).max() > 0.05
    assert np.array_equal(clean, looks.clean)
    assert camera.width_px == WIDTH


@pytest.mark.slow
def test_shine_stays_with_its_frame_whatever_is_drawn_between(pool: WorkerPool, scene: Scene) -> None:
    looker = loaded(pool, scene.edited(bridge__gloss="gloss", wall__gloss="satin"))
    first = looker.look(FrameJob(1004, WIDTH, HEIGHT)).code
    looker.look(FrameJob(1010, WIDTH, HEIGHT))
    looker.wall_square_on(300.0)
    again = looker.look(FrameJob(1004, WIDTH, HEIGHT)).code
    assert first is not None
    assert np.array_equal(first, again)
    fresh = loaded(pool, scene.edited(bridge__gloss="gloss", wall__gloss="satin"))
    assert np.array_equal(fresh.wall_square_on(300.0)[0], looker.wall_square_on(300.0)[0])


def fresnel(cosine: np.ndarray) -> np.ndarray:
    """What is mirrored of unpolarised light, refractive index 1.5 (Fresnel's equations, any textbook of optics)."""
    inside = np.sqrt(1.0 - (1.0 - cosine**2) / 1.5**2)
    s = ((cosine - 1.5 * inside) / (cosine + 1.5 * inside)) ** 2
    p = ((inside - 1.5 * cosine) / (inside + 1.5 * cosine)) ** 2
    return 0.5 * (s + p)


def test_a_gloss_walls_doorway_mirrors_its_back_and_not_the_open(pool: WorkerPool, scene: Scene) -> None:
    """The doorway's floor in the clean frame, pixel by pixel: Fresnel's share of what a mirror shows there, which is
    the doorway's back with what that mirrors of the open in front; sight lines traced here."""
    glossy = scene.edited(
        wall__gloss="gloss", wall__doorway=Doorway(width=0.12, height=0.2), lamps=(), light__ambient=500.0,
        bridge__paint="bare", camera__position=(0.0, 0.6, 0.9), camera__tilt=np.radians(-32.0),
    )  # fmt: skip
    looker = loaded(pool, glossy)
    ready, sight = looker.ready, looker.sight
    camera = ready.move.camera(1004, WIDTH, HEIGHT)
    looks, without = looker.delivered(1004, WIDTH, HEIGHT)[1]
    shone, dull = looks.clean, without["shine"]()[1]
    fine = (np.arange(4) + 0.5) / 4.0
    (x0, y0), (x1, y1) = camera.project(np.array([[-0.06, 0.0, -0.1], [0.06, 0.0, 0.0]]))
    columns, rows = np.arange(int(x0), int(x1) + 1), np.arange(int(y0), int(y1) + 1)
    px = np.stack(np.meshgrid((columns[:, None] + fine).ravel(), (rows[:, None] + fine).ravel()), axis=-1)
    origins, ways = camera.rays(px.reshape(-1, 2))
    ways = ways / np.linalg.norm(ways, axis=1, keepdims=True)
    floor = sight.first_hits(origins, ways, names=["wall"])
    lies = (sight.normals(floor)[:, 1] > 0.99) & (floor.point[:, 2] < -0.002)
    whole = lies.reshape(len(rows), 4, len(columns), 4).all(axis=(1, 3))
    assert whole.sum() >= 20
    back_ways = ways[lies] * [1.0, -1.0, 1.0]
    back = sight.first_hits(floor.point[lies] + [0.0, 1e-4, 0.0], back_ways, names=["wall"])
    assert np.isfinite(back.distance).all()
    normal = sight.normals(back)
    share = fresnel(np.abs(np.einsum("ij,ij->i", back_ways, normal)))
    shown = colour.decoded(bilinear(ready.wall.clean.code, back.uv) / 255.0)
    open_light = glossy.light.ambient / ready.wall.lighting.reference
    shown = shown * ((1.0 - share) / 0.96)[:, None] + share[:, None] * open_light
    cosine = -ways[lies][:, 1]
    wanted = np.zeros((len(lies), 3))
    wanted[lies] = fresnel(cosine)[:, None] * shown
    through = np.zeros(len(lies))
    # as on the bridge's top, above
    through[lies] = 0.908 / 0.950 * (1.0 - fresnel(cosine)) / 0.96
    wanted, through = (a.reshape(len(rows), 4, len(columns), 4, -1).mean(axis=(1, 3))[whole] for a in (wanted, through))
    region = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    got = shone[region][whole] - dull[region][whole] * through
    # a tenth of it is half a code here; the open would be mirrored ten times as bright
    assert got.mean(axis=0) == pytest.approx(wanted.mean(axis=0), rel=0.1)
    assert got.mean() < 0.1 * fresnel(cosine).mean() * open_light


def test_a_gloss_top_mirrors_the_wall_as_a_mirror_would(pool: WorkerPool, scene: Scene) -> None:
    """The extra light on the top, seen pixel by pixel, against Fresnel's share of the wall that a mirror shows there.

    Fresnel's equations for unpolarised light, refractive index 1.5 (any textbook of optics); sight lines traced here.
    """
    glossy = scene.edited(bridge__gloss="gloss", lamps=(), light__ambient=500.0, bridge__paint="bare")
    looker = loaded(pool, glossy)
    camera = looker.ready.move.camera(1004, WIDTH, HEIGHT)
    shone = looker.delivered(1004, WIDTH, HEIGHT)[1][0].seen
    # sixteen looks into every pixel between the top's middle and its near end, well inside its sides
    (x0, y0), (x1, y1) = camera.project(np.array([[-0.012, 0.0, 0.25], [0.012, 0.0, 0.6]]))
    columns, rows = np.arange(int(x0) + 1, int(x1)), np.arange(int(y0) + 1, int(y1))
    fine = (np.arange(4) + 0.5) / 4.0
    px = np.stack(np.meshgrid((columns[:, None] + fine).ravel(), (rows[:, None] + fine).ravel()), axis=-1)
    origins, ways = camera.rays(px.reshape(-1, 2))
    ways = ways / np.linalg.norm(ways, axis=1, keepdims=True)
    places = origins - ways * (origins[:, 1] / ways[:, 1])[:, None]
    hits = looker.sight.first_hits(places + [0.0, 1e-4, 0.0], ways * [1.0, -1.0, 1.0], names=["wall"])
    assert np.isfinite(hits.distance).all()
    wall = colour.decoded(bilinear(looker.ready.wall.shadowed.code, hits.uv) / 255.0)
    cosine = -ways[:, 1]
    share = fresnel(cosine)
    wanted = (share[:, None] * wall).reshape(len(rows), 4, len(columns), 4, 3).mean(axis=(1, 3))
    region = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    dull = loaded(pool, glossy.edited(bridge__gloss="matt")).delivered(1004, WIDTH, HEIGHT)[1][0].seen
    # of the board's own light as much less comes through the coat as it mirrors more than square on; and of light from
    # all sides 0.908 gets in (Judd 1942, from memory), where paint is told by light from 45 degrees: 0.950
    through = (0.908 / 0.950 * (1.0 - share) / 0.96).reshape(len(rows), 4, len(columns), 4).mean(axis=(1, 3))
    got = shone[region] - dull[region] * through[..., None]
    # a third of a code of the board's own light
    assert got.mean(axis=(0, 1)) == pytest.approx(wanted.mean(axis=(0, 1)), abs=0.0025)
    assert np.corrcoef(got.ravel(), wanted.ravel())[0, 1] > 0.95


def test_the_ordinary_wall_is_blurred_as_the_frames_are(pool: WorkerPool, scene: Scene) -> None:
    """Against a Gaussian of the same variance; the frame's own blur at that depth."""
    blurred = scene.edited(camera__focus=0.9, camera__stop=2.0, rail__travel=0.001)
    looker = loaded(pool, blurred)
    sharp = np.clip(looker.engine.draw(square_on(looker.ready.wall_in_view, 300.0), CLEAN).colour, 0.0, 1.0)
    blur, _ = looker.delivered(1004, WIDTH, HEIGHT)
    still = at_rest(blur)
    assert still is not None
    assert not still.moments
    soft, _ = looker.wall_square_on(300.0, still)
    sigma = still.spread_px(still.camera.focal_px / 300.0)
    wanted = gaussian_filter(sharp, (sigma[1], sigma[0], 0.0))
    assert sigma[0] > 0.8
    inner = np.s_[20:-20, 20:-20]
    assert float(np.std(soft[inner] - wanted[inner])) < 0.2 * float(np.std(sharp[inner] - wanted[inner]))


def test_frames_that_move_alike_share_an_ordinary_wall(pool: WorkerPool, scene: Scene) -> None:
    fast = scene.edited(rail__travel=0.5, camera__focus=1.2, camera__shutter=None)
    looker = loaded(pool, fast)
    move = looker.ready.move
    steps = [as_moving(looker.delivered(f, WIDTH, HEIGHT)[0], 1.6) for f in move.frames]
    # 0.5 m over 23 steps, a fifth of them each for starting and stopping: 27 mm a frame in the middle, half of it while
    # the shutter is open; 40 mm on 35.9 mm make 535 px, so a point at 1.6 m runs 4.5 px: two steps of two
    assert steps[len(steps) // 2][0] == 2
    assert steps[0][0] < 2
    assert as_moving(None, 1.0) == (0, 0)
    walls = {id(looker.ordinary(HEIGHT, looker.delivered(f, WIDTH, HEIGHT)[0])) for f in move.frames[4:7]}
    assert len(walls) == 1


def test_a_picture_convolved_keeps_its_mean_and_its_rim() -> None:
    rng = np.random.default_rng(4)
    picture = rng.uniform(0.2, 0.8, (40, 50, 3)).astype(np.float32)
    kernel = np.full((5, 5), 1.0 / 25.0)
    out = convolved(picture, kernel)
    assert out.shape == picture.shape
    assert out[20, 25] == pytest.approx(picture[18:23, 23:28].mean(axis=(0, 1)), abs=1e-5)
    # what a point gives, and to which side: as SciPy convolves
    uneven = rng.uniform(0.0, 1.0, (5, 5))
    uneven /= uneven.sum()
    wanted = np.stack([convolve(picture[..., k], uneven, mode="nearest") for k in range(3)], axis=-1)
    assert convolved(picture, uneven) == pytest.approx(wanted, abs=1e-5)
    flat = np.full((9, 9, 3), 0.4, dtype=np.float32)
    assert convolved(flat, kernel) == pytest.approx(flat, abs=1e-6)
    assert convolved(picture, np.ones((1, 1))) is picture


def test_the_bridges_shadow_comes_apart_into_its_lamps(pool: WorkerPool, scene: Scene) -> None:
    """All that is lost together is the light without the bridge less the light with it; a lamp's part is its own."""
    ready = loaded(pool, scene).ready
    baked, lighting = ready.wall.light, ready.wall.lighting
    sight = sight_of(ready.built)
    parts = shadow_parts(ready.built.wall, baked, lighting, sight)
    assert parts.names == ("key", "the light from all over")
    assert sum(parts.lost) == pytest.approx(baked.clean - baked.wall, abs=2e-3)
    # under the bridge nothing of the key is left: its loss is all that it gives in the open
    h, w = baked.clean.shape[:2]
    texels = texel_points(ready.built.wall, w, h)
    level = levels_of(texels, lit_emitters(lighting, sight)[0])
    gone = (baked.seen_wall[0] == 0) & (baked.seen_clean[0] == 255)
    assert gone.any()
    assert parts.lost[0][gone] == pytest.approx(level[gone], rel=1e-5)
