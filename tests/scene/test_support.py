"""What the bridge hides, against straight lines drawn by hand and a ray caster."""

from pathlib import Path

import numpy as np
import pytest
import trimesh

from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.rig.support import DEEPEST, hidden, support, support_sentences
from tests.scene.causeway import DEEP, DRAIN, MM, causeway, saved
from tests.scene.example import modelled, scene_of


@pytest.fixture
def still(tmp_path: Path) -> Scene:
    """The example without a move, over a flat wall that reaches far down."""
    scene = scene_of(tmp_path)
    return scene.edited(
        rail={"frames": 1, "hold": (1001, 1001), "travel": 0.0}, wall__relief=0.0, wall__height=5.0
    )


def test_below_the_bridge_is_hidden_down_to_the_line_over_its_lower_edge(still: Scene) -> None:
    found = support(still, move_of(still))
    assert found is not None
    # from the lens (160 up, 1250 out) past the near end's lower edge (12 down, 850 out): 172 down in 400
    for share in (0.2, 0.5, 0.9):
        line = 172.0 / 400.0 * 850.0 * (1.0 - share)
        hold, move = found.depth_at(share)
        assert hold * 1e3 == pytest.approx(line, abs=0.05)
        assert move * 1e3 == pytest.approx(line, abs=0.05)


def test_the_sides_close_in_where_the_lens_moves(still: Scene) -> None:
    # a lens 60 mm to either side sees the side of an arm that stands under the slab once it reaches below the line over
    # the slab's lower corner, 25 mm from the middle
    scene = still.edited(rail__frames=3, rail__travel=0.12, rail__ease=0.0, rail__hold=(1001, 1003), rail__station=1002)
    found = support(scene, move_of(scene))
    assert found is not None
    half, arm, eye = 25.0, 1e3 * found.arm, np.array([60.0, 160.0])
    slope = (eye[1] + 12.0) / (eye[0] - half)
    reach = slope * (half - arm / 2.0)
    assert found.depth_at(0.2)[1] * 1e3 == pytest.approx(min(reach, 172.0 / 400.0 * 850.0 * 0.8), rel=0.001)


def test_hidden_points_are_those_that_a_ray_caster_finds(still: Scene) -> None:
    # trimesh's own ray casting against a box of the slab's size
    box = trimesh.creation.box((0.05, 0.012, 0.85))
    box.apply_translation((0.0, -0.006, 0.425))
    rng = np.random.default_rng(4)
    eyes = np.array([[-0.05, 0.16, 1.25], [0.05, 0.2, 1.2]])
    points = rng.uniform((-0.06, -0.4, 0.0), (0.06, -0.02, 0.8), (600, 3))
    expected = np.ones(len(points), dtype=bool)
    for eye in eyes:
        way = points - eye
        along = way / np.linalg.norm(way, axis=1)[:, None]
        expected &= box.ray.intersects_any(np.broadcast_to(eye, points.shape), along)
    got = hidden(still, eyes, points)
    assert 30 < expected.sum() < 550
    # rays along an edge may fall to either side
    assert (got != expected).sum() <= 2


def test_a_cut_across_is_as_wide_as_the_shadow(still: Scene) -> None:
    found = support(still, move_of(still))
    assert found is not None
    cut = found.hold_sections[1]
    assert cut.z == pytest.approx(0.425)
    # from straight ahead the sides of the shadow lie on the lines over the long top edges, (25, 0) across: from the
    # lens, 160 up in the middle, they lie 25 (172 + d) / 160 from the middle at d below the underside; farther down the
    # end of those edges, 850 out, is what is left of them: 25 x 825 / 400
    for depth, left, right in zip(cut.levels[1:-1], cut.left[1:-1], cut.right[1:-1], strict=True):
        spread = min(25.0 * (172.0 + 1e3 * depth) / 160.0, 25.0 * 825.0 / 400.0)
        assert right * 1e3 == pytest.approx(spread, abs=0.3)
        assert left == pytest.approx(-right, abs=1e-4)
    assert cut.levels[-1] * 1e3 == pytest.approx(172.0 / 400.0 * 425.0, rel=0.002)


def test_the_whole_move_hides_no_more_than_the_hold(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    found = support(scene, move_of(scene))
    assert found is not None
    assert (found.move.depth <= found.hold.depth + 1e-6).all()
    assert (found.hold.depth <= DEEPEST).all()
    assert found.move.depth.max() > 0.0
    words = support_sentences(found)
    assert len(words) == 1
    assert f"{found.depth_at(0.5)[0] * 1e3:.0f} mm down over the hold" in words[0]


def test_from_below_nothing_is_hidden_under_the_bridge(still: Scene) -> None:
    low = still.edited(camera__position=(0.0, -0.3, 1.25), camera__tilt=0.1)
    found = support(low, move_of(low))
    assert found is not None
    assert found.hold.depth.max() <= 1e-5
    assert "hides nothing" in support_sentences(found)[0]


def test_a_modelled_slab_is_held_like_the_same_slab_by_rule(tmp_path: Path, still: Scene) -> None:
    trimesh.creation.box(bounds=[[-0.025, -0.012, -0.03], [0.025, 0.0, 0.85]]).export(tmp_path / "slab.ply")
    scene = scene_of(tmp_path, *modelled("slab.ply")).edited(rail=still.rail.model_dump(), wall=still.wall.model_dump())
    found, wanted = support(scene, move_of(scene)), support(still, move_of(still))
    assert found is not None
    assert wanted is not None
    assert found.hold.depth == pytest.approx(wanted.hold.depth, abs=1e-4)
    assert found.hold_level.right == pytest.approx(wanted.hold_level.right, abs=1e-4)
    for one, other in zip(found.hold_sections, wanted.hold_sections, strict=True):
        assert one.slab == pytest.approx(other.slab, abs=1e-6)
        assert one.right[1:-1] == pytest.approx(other.right[1:-1], abs=1e-3)


def test_under_a_causeway_an_arm_is_hidden_as_far_as_a_ray_caster_says(tmp_path: Path) -> None:
    saved(tmp_path)
    scene = scene_of(tmp_path, *modelled("causeway.glb")).edited(plate__foot_mark=0.3, wall__height=5.0)
    move = move_of(scene)
    found = support(scene, move)
    assert found is not None
    mesh = causeway()
    first, last = (frame - move.frames[0] for frame in scene.rail.hold)
    eyes = move.positions[np.linspace(first, last, 13).round().astype(int)]

    def hidden_down(z: float, depth: float) -> bool:
        """Both edges of an arm there, by trimesh's rays from every place of the lens."""
        for side in (-0.5, 0.5):
            point = np.array([side * found.arm, -DEEP * MM - depth, z])
            way = point - eyes
            way /= np.linalg.norm(way, axis=1)[:, None]
            if not mesh.ray.intersects_any(eyes, way).all():
                return False
        return True

    looked = 0
    for k in range(2, len(found.hold.z) - 1, 4):
        z, depth = float(found.hold.z[k]), float(found.hold.depth[k])
        assert found.hold.underside[k] == pytest.approx(-DEEP * MM, abs=1e-6)
        drain = DRAIN[2] * MM - 0.01 < z < DRAIN[3] * MM + 0.01
        if drain or depth == 0.0:
            continue
        looked += 1
        assert all(hidden_down(z, share * depth) for share in (0.01, 0.3, 0.6, 0.9, 0.99))
        assert depth == pytest.approx(DEEPEST) or not hidden_down(z, depth + 0.004)
    assert looked >= 6
