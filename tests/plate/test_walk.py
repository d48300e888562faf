"""A walking performer: feet found in drawn cut-outs, contacts, and a planted foot that stays on its tread.

The cut-outs are drawn by a full-size camera of OpenCV (:mod:`tests.plate.walker`), so that where every sole is, and
when it is down, is known from the drawing; what is measured in finished frames, see :mod:`tests.plate.walkset`.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from previz.command.plate.bothsides import Both
from previz.command.plate.words import feet_lines
from previz.deliver.plate.feettable import feet_csv
from previz.plate.cardcast import StandingCard, kept_back
from previz.plate.figure import standing_figure
from previz.plate.scaling import foot_point
from previz.plate.shadow import face_of
from previz.plate.walk.contacts import Contact, found_contacts, told_contacts
from previz.plate.walk.soles import downs, followed, runs, soles_of
from previz.plate.walk.walk import WalkTrack
from previz.scene.element import FootStep
from previz.scene.model import Lamp
from previz.scene.reader import read_scene
from previz.scene.timetable import station_frame
from tests.paint.causeway import deck
from tests.plate import walker
from tests.plate.walker import Gait
from tests.plate.walkset import TREAD, Walked, even_marks, measured, on_its_tread, walk_drawn, walk_scene

GAIT, COUNT = Gait(0.48, 10), 21
LENS = walker.camera(210, 320)


@pytest.fixture(scope="module")
def set_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("walk")


@pytest.fixture(scope="module")
def walked(set_folder: Path) -> Walked:
    """Two steps down the causeway's stairs and the beginning of a third, found in the cut-outs."""
    return walk_drawn(walk_scene(set_folder, GAIT, LENS, COUNT, even_marks(GAIT, COUNT), 480, lamp=""), GAIT, LENS)


def both_of(folder: Path, plate: str) -> Both:
    return Both.of(read_scene(walk_scene(folder, GAIT, LENS, COUNT, plate, 480, lamp="")))


def track_of(both: Both) -> WalkTrack:
    track = both.track(both.move, both.course.rail[:, 1])
    assert isinstance(track, WalkTrack)
    return track


def test_a_planted_foot_stays_on_its_tread_in_finished_frames(walked: Walked) -> None:
    """At 480 px, where a shoe is two pixels wide, as it must hold: less than half a pixel."""
    assert [planted.frames for planted in walked.planted] == [(0, 4), (6, 14), (16, 20)]
    for step, planted in enumerate(walked.planted):
        assert planted.moves_px < 0.2
        assert on_its_tread(planted)
        # asked for half way along the tread of every step; a tenth of a pixel is 1.2 mm along, seen so low
        assert abs(planted.off_along) < 1.2e-3
        assert planted.tread[1] == pytest.approx(deck(0.210 + TREAD * step), abs=1e-4)
        # left of the middle with the left foot, as far as the performer set it: 90 mm at 1:24, and 1 mm of a pixel
        assert planted.tread[0] == pytest.approx((-1.0, 1.0)[step % 2] * walker.ASIDE / 24.0, abs=1e-3)


def test_the_measure_tells_a_foot_that_slides(walked: Walked) -> None:
    """The same frames, every other one a pixel to the right; and a figure that glides, its feet's picture with it."""
    spoilt = [replace(frame, code=np.roll(frame.code, frame.index % 2, axis=1)) for frame in walked.frames]
    assert all(each.moves_px > 0.5 for each in measured(walked.both, spoilt, GAIT, LENS, walked.bridge))


def test_a_walk_at_another_speed_than_its_cut_outs_is_planted_or_glides(walked: Walked, set_folder: Path) -> None:
    """Along the bridge half as fast again as the cut-outs walk: feet that slide stand, and glide with steps = []."""
    faster = 'foot_mark = [{ frame = 1001, at = "210 mm" }, { frame = 1021, at = "270 mm" }]'
    planted, glides = (track_of(both_of(set_folder, faster + more)) for more in ("", "\nsteps = []"))
    assert (glides.contact == -1).all()
    assert feet_lines(glides) == ["no foot is planted: the figure glides along the bridge"]
    assert walked.both.walking is not None
    walk = walked.both.walking.walk
    cameras = walked.both.cameras(walked.both.move, walked.both.course.rail[:, 1])
    own = np.arange(7, 14)
    slid = []
    for track in (planted, glides):
        shown = track.foot_px + track.scale[:, None] * (walk.soles[:, 1] - track.layer_foot_px)
        tread = cameras[10].rays(shown[10][None])
        # the place of the right foot's tread in the middle of its contact
        reach = (deck(0.24) - tread[0][0, 1]) / tread[1][0, 1]
        there = np.stack([cameras[i].project(tread[0][0] + reach * tread[1][0]) for i in own])
        slid.append(float(np.linalg.norm(np.ptp(shown[own] - there, axis=0))))
    assert slid[0] < 0.05
    assert slid[1] > 0.5


def test_soles_are_where_they_were_drawn_and_a_staff_is_none() -> None:
    lens = walker.camera(210, 320)
    for t in (0.0, 3.0, 5.0, 8.0):
        for staff in (False, True):
            found = soles_of(walker.picture(GAIT, lens, t, staff))
            wanted = np.array([walker.sole(GAIT, lens, side, t) for side in (0, 1)])
            down = np.array([GAIT.down(side, t) for side in (0, 1)])
            assert found.shape == (2, 2)
            # drawn at a third of a pixel
            np.testing.assert_allclose(found[down], wanted[down], atol=0.5)


@pytest.mark.parametrize("stays", [True, False])
def test_feet_are_down_when_they_were_drawn_down(stays: bool) -> None:
    """In a cut-out that holds the performer in place and in one through which they walk; exact places, no picture."""
    gait, lens, count = Gait(0.6, 14, stays), walker.camera(), 70
    soles = [np.array([walker.sole(gait, lens, side, t) for side in (0, 1)]) for t in range(count)]
    down = downs(followed(soles, 512.0), 512.0, 25.0)
    got = sorted((a, b, side) for side in (0, 1) for a, b in runs(down[:, side]))
    wanted = gait.contacts(count)
    assert [each[2] for each in got] == [each[2] for each in wanted]
    # a foot that is just leaving, or about to touch, moves little
    assert max(abs(a - c) for one, other in zip(got, wanted, strict=True) for a, c in zip(one, other, strict=True)) <= 1


def test_contacts_hand_over_while_both_feet_are_down() -> None:
    gait, lens, count = Gait(0.6, 14), walker.camera(), 71
    soles = np.array([[walker.sole(gait, lens, side, t) for side in (0, 1)] for t in range(count)])
    marks = 0.2 + 0.025 * np.arange(count) / 14.0
    got = found_contacts(soles, 512.0, 25.0, marks)
    assert [contact.foot for contact in got] == [0, 1, 0, 1, 0, 1]
    for step, contact in enumerate(got):
        # the body is over the foot every fourteen frames, and the foot is where the body is then
        assert contact.middle == pytest.approx(14.0 * step, abs=0.6)
        assert contact.at == pytest.approx(0.2 + 0.025 * step, abs=0.0011)
        assert all(gait.down(contact.foot, t) for t in range(contact.first, contact.last + 1))
    for one, other in pairwise(got):
        assert 1 <= other.first - one.last <= 4


def test_steps_are_taken_as_told(set_folder: Path) -> None:
    both = both_of(
        set_folder, 'steps = [{ frames = [1001, 1005], at = "212 mm" }, '
        '{ frames = [1007, 1015], at = "231 mm", foot = "right" }]',
    )
    assert both.walking is not None
    walk = both.walking.walk
    assert [(c.first, c.last, c.foot) for c in walk.contacts] == [(0, 4, 0), (6, 14, 1)]
    np.testing.assert_allclose(walk.places[:, 2], [0.212, 0.231], atol=1e-12)
    np.testing.assert_allclose(walk.places[:, 1], [deck(0.212), deck(0.231)], atol=1e-9)
    # the body goes evenly from over one foot to over the next, and stands before and after
    np.testing.assert_allclose(walk.marks[[0, 2, 6, 10, 20]], [0.212, 0.212, 0.2215, 0.231, 0.231], atol=1e-12)
    assert track_of(both).drift_px < 1e-9


def test_a_step_without_a_name_is_the_foot_that_stays() -> None:
    places = np.full((6, 2, 2), np.nan)
    places[:, 0] = [[10.0 + 9.0 * k, 50.0] for k in range(6)]
    places[:, 1] = [[30.0, 50.0 + 0.1 * k] for k in range(6)]
    steps = [FootStep(frames=(1002, 1004), at=0.3), FootStep(frames=(1005, 1009), at=0.4, foot="left"),
             FootStep(frames=(1011, 1012), at=0.5)]  # fmt: skip
    got = told_contacts(steps, range(1001, 1007), places)
    assert got == [Contact(1, 3, 1, 0.3, 2.0), Contact(4, 5, 0, 0.4, 6.0)]


def test_feet_csv_tells_the_planted_foot(walked: Walked) -> None:
    track = track_of(walked.both)
    rows = list(csv.DictReader(feet_csv(track, np.zeros(COUNT)).splitlines()))
    assert [row["planted"] for row in rows] == ["left"] * 5 + [""] + ["right"] * 9 + [""] + ["left"] * 5
    assert float(rows[10]["foot_mark_mm"]) == pytest.approx(230.0)
    assert (rows[10]["left_x_residual_px"], rows[5]["planted_x_px"]) == ("", "")
    assert abs(float(rows[10]["right_y_residual_px"])) < 1e-3
    # the layer's numbers put the drawn sole on the planted place
    sole = walker.sole(GAIT, LENS, 1, 10.0)
    row = {name: float(value) for name, value in rows[10].items() if value and name != "planted"}
    turn = np.radians(row["turn_deg"])
    away = sole - [row["foot_in_layer_x_px"], row["foot_in_layer_y_px"]]
    c, s = np.cos(turn), np.sin(turn)
    at = np.array([row["x_px"], row["y_px"]]) + row["scale"] * np.array([[c, -s], [s, c]]) @ away
    np.testing.assert_allclose(at, [row["planted_x_px"], row["planted_y_px"]], atol=0.1)
    assert "3 steps, a foot planted on 19 of 21 frames" in feet_lines(track)[0]


def test_the_scale_follows_the_bodys_depth_evenly(walked: Walked) -> None:
    """A figure's size goes as one over its depth (similar triangles); the body walks evenly, so no frame jumps."""
    track = track_of(walked.both)
    cameras = walked.both.cameras(walked.both.move, walked.both.course.rail[:, 1])
    assert walked.both.walking is not None
    depth = np.array([float(c.depth(b)) for c, b in zip(cameras, walked.both.walking.walk.body, strict=True)])
    # an upright figure seen 11 degrees from above is foreshortened a little differently at every depth
    np.testing.assert_allclose(track.scale * depth, track.scale[0] * depth[0], rtol=5e-3)
    assert np.abs(np.diff(track.scale, 2)).max() < 1e-3 * track.scale.mean()


def test_a_leaning_body_throws_its_head_forward() -> None:
    """A lamp straight above, far off: the shadow of a point is under it, forward by the lean times its height."""
    alpha = np.zeros((100, 20), dtype=np.float32)
    alpha[:10] = 1.0
    lamp = Lamp(name="key", position=(0.0, 90.0, 0.3), aim=(0.0, 0.0, 0.3))
    z = 0.3 + np.linspace(-0.03, 0.06, 181)
    places = np.stack([np.zeros_like(z), np.zeros_like(z), z], axis=-1)
    ups = np.broadcast_to([0.0, 1.0, 0.0], places.shape)
    for lean in (0.0, 0.4):
        card = StandingCard(alpha, (10.0, 100.0), 100.0, np.array([0.0, 0.0, 0.3]), 0.1, np.array([0.0, 0.0, 1.0]),
                            0.004, lean)  # fmt: skip
        dark = z[kept_back(card, face_of(lamp), places, ups, 5e-4) > 0.5]
        # the head is 90 to 100 mm up; a lean of 0.4 takes that 36 to 40 mm forward; the body is 4 mm deep
        assert dark.min() == pytest.approx(0.3 + lean * 0.09, abs=3e-3)
        assert dark.max() == pytest.approx(0.3 + lean * 0.10, abs=3e-3)


def test_in_the_shot_the_figure_stands_where_the_walk_is_at_each_frame(set_folder: Path) -> None:
    """``shoot --figure``: half way from 210 to 270 mm in the middle of 21 frames, on the tread that is there."""
    marks = 'foot_mark = [{ frame = 1001, at = "210 mm" }, { frame = 1021, at = "270 mm" }]'
    scene = read_scene(walk_scene(set_folder, GAIT, LENS, COUNT, marks, 480, lamp=""))
    figure = standing_figure(scene)
    assert figure is not None
    for frame, at in ((1001, 0.21), (1011, 0.24), (1021, 0.27)):
        np.testing.assert_allclose(figure.at(scene, frame).foot, [0.0, deck(at), at], atol=1e-9)
    # all else that asks for the foot mark, the plate's scale say, means the station frame's
    assert foot_point(scene)[2] == pytest.approx(0.21 + 0.003 * (station_frame(scene.rail) - 1001))
