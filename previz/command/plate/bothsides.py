"""A scene and its plate side by side: cameras, the figure's layer and the stage that frames are made on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from previz.camera import Camera
from previz.command.plate.animatic import AnimaticLayers, FigureLayer, Throw
from previz.command.plate.plateinput import (
    Course,
    FigureIn,
    PlateTold,
    course_of,
    figure_in,
    plate_rail,
    told_plate,
)
from previz.command.plate.walking import Walking, walking_of
from previz.geometry import Array
from previz.plate.feet import FootTrack, facing_camera, foot_track
from previz.plate.framing import bars_of, drift_curve, room_in
from previz.plate.scaling import full_size, scaled_scene
from previz.plate.shadow import BODY_DEPTH, face_of, key_lamp, key_share
from previz.plate.top import Stance, stances, top_of
from previz.plate.walk.walk import borne, walk_track
from previz.scene.model import Scene
from previz.scene.move import Move, move_of


@dataclass(frozen=True, eq=False)
class Both:
    """The scene and its plate side by side: what every part of the command starts from.

    ``plate_at`` (N,) m is where the plate's camera is on its own rail at miniature size, ``matched`` its move there.
    """

    scene: Scene
    move: Move
    told: PlateTold
    matched: Move
    course: Course
    figure: FigureIn | None
    plate_at: Array
    on_floor: Stance
    on_bridge: Stance
    walking: Walking | None = None

    @classmethod
    def of(cls, scene: Scene) -> Both:
        told = told_plate(scene)
        assert scene.plate is not None
        move = move_of(scene)
        matched = move_of(scaled_scene(scene, told.numbers))
        course = course_of(scene, move)
        figure = figure_in(scene, course)
        stand = stances(top_of(scene), scene.plate.mark_at(move.station_frame), scene.plate.height, scene.scale)
        both = cls(
            scene, move, told, matched, course, figure, plate_rail(scene, matched, move, course.wanted), *stand
        )
        if not scene.plate.places:
            return both
        cameras = both.cameras(move, course.rail[:, 1])
        return replace(both, walking=walking_of(scene, course, figure, both.plate_cameras(), cameras, stand))

    @property
    def station(self) -> int:
        """Index of the frame on the way out that is nearest to the station point."""
        if self._own:
            # a place at which the shot stands is that of many frames
            return self.move.frames.index(self.move.station_frame)
        return int(np.argmin(np.abs(self.course.wanted[: self.course.out] - self.move.station_rail)))

    @property
    def _own(self) -> bool:
        """Whether the delivered frames on the way out are the move's own."""
        assert self.scene.plate is not None
        return self.scene.plate.wanted is None

    def plate_cameras(self) -> list[Camera]:
        """The plate's camera, full size, when it took the picture that each delivered frame shows."""
        foot, scale, figure = self.on_bridge.foot, self.scene.scale, self.figure
        width, height = self.scene.delivery.frame
        rail, turns, crop = self.plate_at, self.course.turns[:, 1], 1.0
        if figure is not None and figure.is_still:
            rail, turns = np.full(len(rail), self.matched.station_rail), np.zeros_like(turns)
        elif figure is not None and len(rail) > 1:
            frames, at = np.arange(len(rail)), np.minimum(figure.moment, len(rail) - 1)
            rail, turns = (np.asarray(PchipInterpolator(frames, each)(at)) for each in (rail, turns))
        if figure is not None and figure.layer is None:
            # a whole plate picture is as wide as the sensor
            (width, height), crop = figure.size_px, self.told.numbers.crop
        finer = crop * width / self.scene.delivery.frame[0]
        return [
            full_size(self.matched.camera_at(float(at), turn=turn).resized(width, height, factor=finer), foot, scale)
            for at, turn in zip(rail, turns, strict=True)
        ]

    def cameras(self, move: Move, rail: Array, size_px: tuple[int, int] | None = None) -> list[Camera]:
        """A move's cameras at ``rail`` (N,) m, turned as the course has them in the middle of the exposure."""
        width_px, height_px = size_px or (None, None)
        return [
            move.camera_at(float(at), width_px, height_px, turn)
            for at, turn in zip(rail, self.course.turns[:, 1], strict=True)
        ]

    def track(self, move: Move, rail: Array, size_px: tuple[int, int] | None = None) -> FootTrack:
        """The figure's layer seen by a move's camera at ``rail`` (N,) m, in frames of a size (as delivered)."""
        cameras = self.cameras(move, rail, size_px)
        facing = facing_camera(self.on_bridge.foot, move.camera(move.station_frame))
        layer = None if self.figure is None else self.figure.layer
        if self.walking is not None:
            return walk_track(
                self.course.frames, self.plate_cameras(), cameras, self.walking.floors, self.walking.walk,
                self.on_bridge.height, facing, layer,
            )  # fmt: skip
        return foot_track(
            self.course.frames, self.plate_cameras(), cameras, self.on_floor, self.on_bridge, facing, layer
        )

    def above(self) -> Array:
        """How far (N,) the picture has drifted up behind the bars, delivered px."""
        assert self.scene.plate is not None
        bars = bars_of(*self.scene.delivery.frame, self.scene.delivery.bars)
        return drift_curve(len(self.course.frames), self.scene.plate.drift_px, room_in(bars))

    def stage(
        self, move: Move, rail: Array, size_px: tuple[int, int], mattes: bool = False, burn_in: bool = False
    ) -> AnimaticLayers:
        """The stage of a set whose camera makes ``move`` by way of ``rail`` (N, 3) m."""
        bars = bars_of(*size_px, self.scene.delivery.bars)
        above = self.above() * (size_px[0] / self.scene.delivery.frame[0])
        # bars of whole pixels may leave a little less room in a smaller frame
        above = np.clip(above, bars.bottom - bars.height_px, bars.top)
        words = tuple(self._words(index) for index in range(len(rail))) if burn_in else ()
        if self.figure is None:
            return AnimaticLayers(size_px, rail, bars, above, words=words, turns=self.course.turns)
        track = self.track(move, rail[:, 1], size_px)
        laid = FigureLayer(track.layer_foot_px, track.foot_px, track.scale, track.turn)
        throw = self._throw(move, rail[:, 1], size_px, track)
        matte_px = self.scene.delivery.frame if mattes and throw is not None else None
        files, shown = self.figure.files, self.figure.shown
        return AnimaticLayers(
            size_px, rail, bars, above, laid, files, shown, throw, matte_px, words, self.course.turns
        )

    def _throw(self, move: Move, rail: Array, size_px: tuple[int, int], track: FootTrack) -> Throw | None:
        scene, stand = self.scene, self.on_bridge
        key = key_lamp(scene.lamps, scene.light, stand.foot)
        if key is None:
            return None
        camera = move.camera(move.station_frame)
        count = len(track.frames)
        body, foot = np.broadcast_to(stand.foot, (count, 3)), np.broadcast_to(stand.foot, (count, 3))
        foot_px, lean = track.layer_foot_px, np.zeros(count)
        facing = facing_camera(stand.foot, camera)
        if self.walking is not None:
            walk = self.walking.walk
            body = walk.body
            foot, foot_px = borne(walk, track.layer_foot_px)
            lean = (body - foot) @ facing / stand.height
        up = np.array([0.0, stand.height, 0.0])
        tall = [lens.project(np.stack([at, at + up]))
                for lens, at in zip(self.cameras(move, rail, size_px), body, strict=True)]  # fmt: skip
        return Throw(
            face=face_of(key),
            share=np.stack([key_share(key, scene.lamps, scene.light, at) for at in foot]) if self.walking is not None
            else np.broadcast_to(key_share(key, scene.lamps, scene.light, stand.foot), (count, 3)),
            top=top_of(scene),
            foot=foot,
            foot_px=foot_px,
            lean=lean,
            walks=self.walking is not None,
            height=stand.height,
            depth=BODY_DEPTH / scene.scale,
            facing=facing,
            texel=0.5 * float(camera.depth(stand.foot)) / camera.focal_px,
            height_px=np.array([float(np.hypot(*(head - foot))) for foot, head in tall]) / track.scale,
            lamps=(key, tuple(scene.lamps), scene.light),
        )

    def _words(self, index: int) -> tuple[str, ...]:
        """What is burnt into a frame."""
        course = self.course
        at = float(course.rail[index, 1])
        around = course.rail[max(index - 1, 0) : index + 2, 1]
        speed = float(np.abs(np.diff(around)).mean()) * float(self.scene.delivery.rate) if len(around) > 1 else 0.0
        words = [f"frame {course.frames[index]}", f"rail {1e3 * at:6.1f} mm", f"{1e3 * speed:5.1f} mm/s"]
        if course.retime is not None:
            words.append(f"shot {course.retime.source[index]:.1f}")
        words.append(self._zone(index))
        if len(course.frames) > course.out:
            words.append("way out" if index < course.out else "way back")
        return tuple(words)

    def _zone(self, index: int) -> str:
        rail, move, course = self.scene.rail, self.move, self.course
        if self._own:
            frame = course.frames[course.way_out(index)]
            if rail.hold[0] <= frame <= rail.hold[1]:
                return "hold"
            return "reveal" if rail.reveal is not None and frame >= rail.reveal else ""
        at = float(course.wanted[index])
        way, hair = (-1.0 if rail.travel < 0.0 else 1.0), 1e-9
        first, last = (way * move.rail_at(frame) for frame in rail.hold)
        if first - hair <= way * at <= last + hair:
            return "hold"
        if rail.reveal is not None and way * at >= way * move.rail_at(rail.reveal) - hair:
            return "reveal"
        return ""
