"""Scenes that cannot be built or shot: each is refused with its reason, and its neighbour just inside is not."""

from pathlib import Path

import pytest

from previz.errors import SceneError
from previz.scene.checks import OVERRIDDEN, impossible, refuse_impossible
from previz.scene.reader import read_scene
from tests.scene.causeway import block, causeway, saved
from tests.scene.example import changed, modelled, scene_of, written

LENGTH, BEND = '"850 mm"', "taper     = 1.0 "
POSITION = '["0 mm", "160 mm", "1250 mm"]'
ALONG, TRAVEL, REVEAL = "[1, 0, 0] ", 'travel = "120 mm"', "reveal = 1090"
HOLD, FRAMES, LAMP = "[1001, 1040]", "frames = 100", 'name = "key"'

CARD = '\n[[card]]\nname = "white"\nkind = "bounce"\nsize = "400 x 300 mm"\n'

ORIGIN, OUT = '["0 mm", "0 mm", "0 mm"]', '["0 mm", "0 mm", "1 m"]'

# what is changed, the key path that is refused, what is said
MARK = 'foot_mark = "400 mm"'
STEPS = 'steps = [{{ frames = {}, at = "{} mm" }}]'


def walk(*places: tuple[int, int]) -> str:
    """A foot mark that walks: frames, and mm from the sill."""
    marks = ", ".join(f'{{ frame = {frame}, at = "{at} mm" }}' for frame, at in places)
    return f"foot_mark = [{marks}]"


IMPOSSIBLE = [
    ([(LENGTH, '"1250 mm"')], "bridge.length", "1250.0 mm from the wall"),
    ([(LENGTH, '"1300 mm"')], "bridge.length", "shorten the bridge"),
    # a move along the bridge runs into its end only after the station frame
    ([(ALONG, "[0, 0, -1] "), (TRAVEL, 'travel = "900 mm"')], "bridge.length", "(frame 1100)"),
    ([(POSITION, '["0 mm", "-5 mm", "840 mm"]')], "bridge.length", "840.0 mm"),
    ([(ALONG, "[0, -1, -0.4] "), (TRAVEL, 'travel = "500 mm"'), (LENGTH, '"1200 mm"')], "bridge.length", "frame"),
    ([(POSITION, '["0 mm", "160 mm", "0 mm"]')], "camera.position[3]", "in front of the wall"),
    ([(POSITION, '["0 mm", "160 mm", "-1 m"]')], "camera.position[3]", "in front of the wall"),
    ([(POSITION, '["0 mm", "160 mm", "19 mm"]')], "camera.position[3]", "more than 20.0 mm"),
    ([(ALONG, "[0, 0, -1] "), (TRAVEL, 'travel = "3 m"')], "camera.position[3]", "at frame 1100"),
    ([(HOLD, "[1040, 1001]")], "rail.hold", "swap the two"),
    ([(HOLD, "[1, 40]")], "rail.hold", "numbered from 1001"),
    ([(HOLD, "[1001, 1101]"), (REVEAL, "")], "rail.hold", "set frames to at least 101"),
    ([(REVEAL, "reveal = 1040")], "rail.reveal", "after the hold's end, 1040"),
    ([(REVEAL, "reveal = 1101")], "rail.reveal", "1001 to 1100"),
    ([(REVEAL, "reveal = 90")], "rail.reveal", "numbered from 1001"),
    ([(REVEAL, "station = 1101")], "rail.station", "1001 to 1100"),
    ([(TRAVEL, 'travel = "0 mm"')], "rail.travel", "not zero over 100 frames"),
    ([(ALONG, '"arc" ')], "rail.radius", 'like radius = "1.5 m"'),
    ([(ALONG, '"arc" '), (REVEAL, 'radius = "0 mm"')], "rail.radius", 'like radius = "1.5 m"'),
    ([(ALONG, '"arc" '), (REVEAL, 'radius = "38.1 mm"')], "rail.radius", "at least 38.2 mm"),
    ([(ALONG, "[1, 0.2, 0] "), (REVEAL, 'radius = "1 m"')], "rail.along", "lies flat"),
    ([(REVEAL, 'aim = ["10 mm", "160 mm", "1250 mm"]')], "rail.aim", "does not run through"),
    ([('"50 mm"', '"1.8 m"'), ('doorway = { width = "60 mm", height = "110 mm" }', "")], "bridge.width", "narrower"),
    ([(BEND, "taper = 20 "), ('"50 mm"', '"95 mm"')], "bridge.taper", "narrower than the wall"),
    ([(BEND, "taper = 0.06 "), ('"50 mm"', '"12 mm"'), ('thickness = "12 mm"', "")], "bridge.taper", "0.7 mm"),
    ([(BEND, 'bend = "851 mm" ')], "bridge.bend", "at most the bridge's length"),
    ([(BEND, 'camber = "-426 mm" ')], "bridge.camber", "at most half"),
    ([('"700 mm"            # above', '"2.2 m" # above')], "wall.top", "wall behind the bridge"),
    ([('width = "60 mm"', 'width = "1.8 m"')], "wall.doorway.width", "narrower than the wall"),
    ([('height = "110 mm"', 'height = "700 mm"')], "wall.doorway.height", "lower than the wall's top"),
    (
        [('height = "110 mm"', 'height = "110 mm", sill = "600 mm"')],
        "wall.doorway.height",
        "lower than the wall's top",
    ),
    ([('height = "110 mm"', 'height = "110 mm", sill = "-1.6 m"')], "wall.doorway.sill", "above the wall's foot"),
    ([('"40 mm"', '"1.7 m"')], "wall.relief", "out of the rock"),
    ([('focus    = "700 mm"', 'focus = "35 mm"')], "camera.focus", "beyond the focal length"),
    ([('stop     = "f/22"', 'shift = ["36 mm", "0 mm"]')], "camera.shift", "the sensor's own size"),
    ([("[1920, 1080]", "[1000, 1000]")], "delivery.frame", "at most 668 lines"),
    ([(LAMP, LAMP + '\nposition = ["0 mm", "100 mm", "19 mm"]')], "lamp[1].position[3]", "more than 20.0 mm"),
    ([(LAMP, LAMP + '\nposition = ["0 mm", "-5 mm", "400 mm"]')], "lamp[1].position", '"key" inside it'),
    ([(LAMP, LAMP + 2 * (CARD + 'position = ["0 mm", "0 mm", "1 m"]'))], "card[2].name", "as card 1"),
    ([(LAMP, LAMP + CARD + 'position = ["0 mm", "0 mm", "1 m"]\naim = ["0 mm", "0 mm", "1 m"]')], "card[1].aim",
     "the card's own position"),
    ([(LAMP, LAMP + '\n[[lamp]]\nname = "KEY "')], "lamp[2].name", "as lamp 1"),
    ([(LAMP, f"{LAMP}\nposition = {ORIGIN}\naim = {OUT}")], "lamp[1].position[3]", "in front of the wall"),
    ([(LAMP, f"{LAMP}\nposition = {OUT}\naim = {OUT}")], "lamp[1].aim", "away from the lamp itself"),
    ([('foot_mark = "400 mm"', 'foot_mark = "851 mm"')], "plate.foot_mark", "miniature"),
    ([(MARK, walk((1001, 200), (1050, 851)))], "plate.foot_mark[2].at", "at most 850.0 mm"),
    ([(MARK, walk((1050, 200), (1050, 300)))], "plate.foot_mark[2].frame", "after that of the mark before it, 1050"),
    ([(MARK, walk((1000, 200), (1050, 300)))], "plate.foot_mark[1].frame", "1001 to 1100"),
    ([(MARK, walk((1001, 200), (1101, 300)))], "plate.foot_mark[2].frame", "1001 to 1100"),
    ([(MARK, STEPS.format("[1012, 1001]", 300))], "plate.steps[1].frames", "swap"),
    ([(MARK, STEPS.format("[1001, 1101]", 300))], "plate.steps[1].frames", "1001 to 1100"),
    ([(MARK, STEPS.format("[1001, 1012]", 851))], "plate.steps[1].at", "at most 850.0 mm"),
    ([(MARK, STEPS.format('[1001, 1012], at = "300 mm" }, { frames = [1012, 1020]', 320))],
     "plate.steps[2].frames", "after the one before it has ended, at 1012"),
    ([(MARK, STEPS.format("[1001, 1012]", 300))], "plate.steps", "a folder of numbered frames"),
    ([(MARK, 'foot_mark = "400 mm"\n' + STEPS.format("[1001, 1012]", 300))], "plate.foot_mark", "beside steps"),
    ([('tilt     = "-8 deg"', 'pan = "180 deg"')], "camera.position", "the sill and the near end behind it"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "key", "says"), IMPOSSIBLE)
def test_what_cannot_be_built_is_refused_with_the_reason(
    tmp_path: Path, changes: list[tuple[str, str]], key: str, says: str
) -> None:
    with pytest.raises(SceneError) as caught:
        read_scene(written(tmp_path, changed(*changes)))
    matching = [fault for fault in caught.value.faults if fault.key == key]
    assert len(matching) == 1, caught.value
    assert says in str(matching[0])
    assert matching[0].line > 1


# the nearest neighbours of the above that can be built
POSSIBLE = [
    [(LENGTH, '"1249 mm"')],
    [(ALONG, "[0, 0, -1] "), (TRAVEL, 'travel = "350 mm"')],
    # beside the bridge the lens may pass its end
    [(ALONG, "[1, 0, -0.5] "), (TRAVEL, 'travel = "1200 mm"')],
    [(POSITION, '["2 m", "160 mm", "10 mm"]'), (LENGTH, '"5 mm"'), ('"40 mm"', '"9 mm"'),
     ("foot_mark = \"400 mm\"", "foot_mark = \"5 mm\""), ('tilt     = "-8 deg"', 'pan = "-90 deg"')],
    [(HOLD, "[1001, 1100]"), (REVEAL, "")],
    [(HOLD, "[1100, 1100]"), (REVEAL, "")],
    [(REVEAL, "reveal = 1041")],
    [(REVEAL, "reveal = 1100")],
    [(FRAMES, "frames = 1"), (TRAVEL, 'travel = "0 mm"'), (HOLD, "[1001, 1001]"), (REVEAL, "")],
    [(TRAVEL, 'travel = "-120 mm"')],
    [(ALONG, '"arc" '), (REVEAL, 'radius = "-38.3 mm"')],
    [(ALONG, "[1, 0, 0.2] "), (REVEAL, 'radius = "1 m"')],
    [(REVEAL, 'aim = ["0 mm", "0 mm", "0 mm"]')],
    [('focus    = "700 mm"', 'focus = "36 mm"')],
    [("[1920, 1080]", "[1500, 1000]")],
    # a Super 35 gate, whose printed sides make 1.3339
    [("[1920, 1080]", "[1600, 1200]"), ('"35.9 x 24.0 mm"', '"24.89 x 18.66 mm"')],
    [(LAMP, LAMP + '\nposition = ["0 mm", "1 m", "-200 mm"]')],
    [('foot_mark = "400 mm"', 'foot_mark = "850 mm"')],
    [(MARK, walk((1001, 0), (1100, 850)))],
    [(MARK, walk((1001, 850), (1040, 400), (1060, 400), (1100, 0)))],
    [(MARK, walk((1001, 200), (1199, 300)) + "\nback = true")],
]  # fmt: skip


@pytest.mark.parametrize("changes", POSSIBLE)
def test_what_can_be_built_is_not_refused(tmp_path: Path, changes: list[tuple[str, str]]) -> None:
    assert impossible(scene_of(tmp_path, *changes)) == []


def test_a_modelled_wall_or_bridge_is_not_judged_by_sizes_it_does_not_have(tmp_path: Path) -> None:
    block(-500, 500, -600, 400, -40, 0).export(tmp_path / "thing.glb")
    mesh = 'mesh = "thing.glb" '
    assert impossible(scene_of(tmp_path, ('kind   = "slate" ', mesh), ('height = "110 mm"', 'height = "900 mm"'))) == []
    saved(tmp_path)
    scene = scene_of(tmp_path, *modelled("causeway.glb"))
    assert impossible(scene) == []
    # an edit that has nothing to do with its shape leaves it as it is
    assert impossible(scene.edited(bridge__paint="bare", camera__tilt=-0.1)) == []


@pytest.mark.parametrize("key", OVERRIDDEN)
def test_what_a_mesh_has_of_its_own_is_refused_beside_it(tmp_path: Path, key: str) -> None:
    saved(tmp_path)
    written_so = "1.0" if key == "taper" else '"12 mm"'
    with pytest.raises(SceneError) as caught:
        scene_of(tmp_path, *modelled("causeway.glb"), ('paint     = "solved" ', f"{key} = {written_so} "))
    [fault] = caught.value.faults
    assert fault.key == f"bridge.{key}"
    assert f"expected no {key} beside mesh: a modelled bridge has its own, found both" in str(fault)
    assert (tmp_path / "walk.toml").read_text().splitlines()[fault.line - 1].startswith(key)


def test_a_mesh_takes_no_picture_over_it(tmp_path: Path) -> None:
    saved(tmp_path)
    (tmp_path / "paint.png").write_bytes(b"x")
    first, second, *others = modelled("causeway.glb")
    with pytest.raises(SceneError, match="one of mesh and image"):
        scene_of(tmp_path, first, (second[0], 'image = "paint.png"'), *others)


def scaled_mesh(folder: Path, factor: float) -> tuple[tuple[str, str], ...]:
    mesh = causeway()
    mesh.apply_scale(factor)
    mesh.export(folder / "scaled.ply")
    return modelled("scaled.ply")


@pytest.mark.parametrize(
    ("factor", "says"),
    [
        (1000.0, "the mesh measures 676 m, which is no miniature; is it in millimetres?"),
        (100.0, "the mesh is 63.6 m long: is it in another unit than metres, or at full size?"),
        (20.0, "the mesh is 12.7 m long: is it in another unit than metres, or at full size?"),
        (2.1, "expected a bridge that ends before the lens, which is 1250.0 mm from the wall, found 1335.6 mm"),
    ],
)
def test_a_mesh_of_another_size_is_told_with_its_line(tmp_path: Path, factor: float, says: str) -> None:
    with pytest.raises(SceneError) as caught:
        scene_of(tmp_path, *scaled_mesh(tmp_path, factor))
    [fault] = [fault for fault in caught.value.faults if fault.key == "bridge.mesh"]
    assert says in str(fault)
    assert fault.line > 1


def test_a_mesh_that_is_no_bridge_is_told_with_its_line(tmp_path: Path) -> None:
    box = block(-20, 20, -10, 0, -30, 300)
    box.update_faces(range(1, 12))
    box.export(tmp_path / "open.ply")
    (tmp_path / "broken.glb").write_bytes(b"glTF, almost")
    for name, says in (("open.ply", "not closed (3 open edges)"), ("broken.glb", "broken or cut short")):
        with pytest.raises(SceneError) as caught:
            scene_of(tmp_path, *modelled(name))
        [fault] = caught.value.faults
        assert fault.key == "bridge.mesh"
        assert says in str(fault)
        assert name in str(fault)


def test_a_walk_does_not_lead_over_a_gap_of_the_mesh(tmp_path: Path) -> None:
    """The causeway's drain is 520 to 548 mm from the sill, in the middle of its last flight."""
    saved(tmp_path)
    to = [(*modelled("causeway.glb"), (MARK, walk((1001, 300), (1090, at)))) for at in (600, 510)]
    with pytest.raises(SceneError, match=r"plate.foot_mark: .* 300.0 mm to 600.0 mm .* in its middle at 520\.\d mm"):
        scene_of(tmp_path, *to[0])
    assert impossible(scene_of(tmp_path, *to[1])) == []


def test_lens_lamp_and_foot_mark_are_judged_by_the_mesh(tmp_path: Path) -> None:
    saved(tmp_path)
    changes = modelled("causeway.glb")
    for change, key, says in (
        ((POSITION, '["0 mm", "-20 mm", "300 mm"]'), "bridge.mesh", "636.0 mm"),
        ((LAMP, LAMP + '\nposition = ["0 mm", "-10 mm", "300 mm"]'), "lamp[1].position", "outside the bridge"),
        (('foot_mark = "400 mm"', 'foot_mark = "640 mm"'), "plate.foot_mark", "at most 636.0 mm"),
        (('foot_mark = "400 mm"', 'foot_mark = "530 mm"'), "plate.foot_mark", "has a top to stand on"),
    ):
        with pytest.raises(SceneError) as caught:
            scene_of(tmp_path, *changes, change)
        [fault] = caught.value.faults
        assert fault.key == key
        assert says in str(fault)


def test_a_scene_edited_in_python_is_refused_alike(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    refuse_impossible(scene)
    with pytest.raises(SceneError, match=r"Quarry walk: bridge.length: expected a bridge that ends before the lens"):
        refuse_impossible(scene.edited(bridge__length=1.3))


def test_several_reasons_come_together(tmp_path: Path) -> None:
    scene = scene_of(tmp_path).edited(bridge__length=1.3, camera__focus=0.02, rail__hold=(1090, 1001))
    # the lens's way is not judged while the frames are in disorder
    assert [reason.key for reason in impossible(scene)] == ["camera.focus", "rail.hold", "rail.reveal"]


def test_a_modelled_wall_is_not_moved_sideways(tmp_path: Path) -> None:
    (tmp_path / "thing.glb").write_bytes(b"x")
    with pytest.raises(SceneError, match=r"wall.sideways: expected no shift of a modelled wall"):
        scene_of(tmp_path, ('kind   = "slate" ', 'mesh = "thing.glb"\nsideways = "4 mm" '))
