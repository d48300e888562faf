"""The retime: which frame of a hand-pushed take stands for each delivered frame, out and back.

The take is only a table of where the camera was; each delivered frame takes the moment at which it was where the move
wants it. What the hand did on the way, pauses, pulls back, uneven speed, falls out. The way back plays the same
frames the other way round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike

from previz.errors import PlateError
from previz.geometry import Array
from previz.plate.pieces import TOLERANCE, SpeedPiece, constant_speed_pieces
from previz.plate.push import Push, judged
from previz.plate.rates import rate_text, slowing_sentence
from previz.plate.take import Take
from previz.scene.move import FIRST_FRAME
from previz.units import mm_text

# how far the composed position may lie from the wanted one
ALLOWED = 0.05e-3  # m
# and how far where pieces of constant speed are shown instead: two tenths of a pixel of a 4K frame a metre away
PIECES_OFF = 0.1e-3  # m
# steps below this many source frames are a held frame
_HELD = 1e-3
# slower than this share of normal is an eased end, which no shooting rate mends (judgement, no source)
_HOPELESS = 0.1
# a step this little short of a whole frame needs no in-between
_WHOLE = 1e-6


@dataclass(frozen=True, eq=False)
class Retime:
    """A row for each delivered frame.

    ``frames`` (N,) are delivered frame numbers, ``wanted`` (N,) m the positions along the rail; ``source`` (N,) the
    fractional shot frame, in the take's own numbers; ``speed`` (N,) source frames a delivered frame, signed, which is
    also the share of normal playing (1: every shot frame shown once, at the delivered rate): the step to the next
    frame, for the last the step before it; ``direction`` (N,) 1 with the take, -1 against it, 0 held; ``notes`` (N,)
    plain words, empty where there is nothing to say; ``sentences`` what to tell about all of it.
    """

    take: Take
    push: Push
    rate: Fraction
    frames: tuple[int, ...]
    wanted: Array
    source: Array
    speed: Array
    direction: tuple[int, ...]
    notes: tuple[str, ...]
    sentences: tuple[str, ...]

    @property
    def error(self) -> Array:
        """How far (N,) m the take's position at each source frame lies from the wanted one."""
        return np.asarray(self.take.position(self.source) - self.wanted)

    @property
    def nearest_error(self) -> Array:
        """The same (N,) m where the nearest whole shot frame is shown, without in-between frames."""
        return np.asarray(self.take.position(np.round(self.source)) - self.wanted)

    @property
    def made_up(self) -> Array:
        """In-between frames (N,) to be made up for every shot frame used: ``1 / |speed| - 1`` where that is above 0."""
        pace = np.abs(self.speed)
        lacking = (pace >= _HELD) & (pace < 1.0 - _WHOLE)
        return np.where(lacking, 1.0 / np.where(lacking, pace, 1.0) - 1.0, 0.0)

    def pieces(self, tolerance: float = TOLERANCE, off: float = PIECES_OFF) -> list[SpeedPiece]:
        """The fewest pieces of constant speed within ``tolerance`` source frames of ``source``, and within ``off`` m.

        The second binds where the hand was fast: a quarter of a frame of a quick push is half a millimetre.
        """
        lowest, highest = float(self.take.frames[0]), float(self.take.frames[-1])
        around = self.source[:, None] + tolerance * np.linspace(-1.0, 1.0, 9)
        pace = np.abs(self.take.course.derivative()(np.clip(around, lowest, highest))).max(axis=1)
        room = np.minimum(tolerance, off / np.maximum(pace, 1e-12))
        return constant_speed_pieces(self.source, room, lowest, highest)

    def pieces_error(self, pieces: Sequence[SpeedPiece]) -> float:
        """How far (m) the take's position lies at most from the retime's own where ``pieces`` are shown instead."""
        shown = np.concatenate([piece.source() for piece in pieces])
        return float(np.abs(self.take.position(shown) - self.take.position(self.source)).max())


def retimed(
    take: Take,
    wanted: ArrayLike,
    rate: Fraction,
    first_frame: int = FIRST_FRAME,
    reveal_frame: int | None = None,
    allowed: float | None = None,
) -> Retime:
    """The retime of ``take`` that follows ``wanted`` (N,) m along the rail at ``rate`` delivered frames a second.

    ``reveal_frame`` is the delivered frame whose position the take must reach at the very least: one that ends beyond
    it is held at its end, and told. Without a reveal, and at the start, the take may fall short of what is wanted by up
    to ``allowed`` m: held and told too. Unless given that is 0.05 mm, or three times the take's noise where that is
    more: a push from stop to stop cannot be told from one a hair short by such a gauge. Raises :class:`PlateError`
    where it falls shorter, and where ``wanted`` holds no frame or what is not a number.
    """
    path = np.asarray(wanted, dtype=np.float64)
    if path.ndim != 1 or not len(path) or not np.isfinite(path).all():
        raise PlateError(f"a retime needs a position for every delivered frame; found {path.size}, or not all numbers")
    if rate <= 0:
        raise PlateError(f"{rate} is not a delivered rate; expected frames a second above 0")
    frames = tuple(range(first_frame, first_frame + len(path)))
    if reveal_frame is not None and reveal_frame not in frames:
        raise PlateError(f"the reveal, frame {reveal_frame}, is no frame of the move, {frames[0]} to {frames[-1]}")
    _refuse_short(take, path, frames, reveal_frame, max(ALLOWED, 3.0 * take.noise) if allowed is None else allowed)
    source = source_frames(take, path)
    steps = np.diff(source)
    speed = np.concatenate([steps, steps[-1:]]) if len(steps) else np.zeros(1)
    direction = tuple(0 if abs(step) < _HELD else (1 if step > 0.0 else -1) for step in speed)
    push = judged(take)
    table = Retime(
        take=take,
        push=push,
        rate=rate,
        frames=frames,
        wanted=path,
        source=source,
        speed=speed,
        direction=direction,
        notes=(),
        sentences=(),
    )
    notes = _notes(table)
    return replace(table, notes=notes, sentences=tuple(_sentences(table)))


def source_frames(take: Take, wanted: ArrayLike) -> Array:
    """Fractional shot frames (...) at which the take first goes beyond each position (...) m, on its longest way.

    Where it stands at a position, the last frame of standing; where it was pulled back, the frame before. Positions
    beyond the ends of that way give its ends. Solved by halving to the last digit.
    """
    places = np.asarray(wanted, dtype=np.float64)
    first, last, direction = take.stretch()
    nodes = take.frames[first : last + 1]
    if len(nodes) == 1:
        return np.full(places.shape, nodes[0])
    forward = direction * take.rail[first : last + 1]
    furthest = np.maximum.accumulate(forward)
    sought = np.clip(direction * places, forward[0], forward[-1])
    after = np.clip(np.searchsorted(furthest, sought, side="right"), 1, len(nodes) - 1)
    low, high = nodes[after - 1], nodes[after]
    # between two frames the course is monotone, so that halving cannot miss
    for _ in range(60):
        middle = 0.5 * (low + high)
        beyond = direction * take.course(middle) > sought
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    # a position that a frame has is that frame: where the course starts flat, the last digits of a root are lost
    whole = np.round(low)
    return np.where(np.abs(low - whole) < 1e-6, whole, low)


def out_and_back(wanted: ArrayLike, held: int = 0) -> Array:
    """The move out and the same way back, mirrored: (2 N - 1 + held,) m from ``wanted`` (N,) m.

    The frame of the turn is shown once, and ``held`` times more.
    """
    path = np.asarray(wanted, dtype=np.float64)
    return np.concatenate([path, np.repeat(path[-1:], held), path[-2::-1]])


@dataclass(frozen=True)
class NeededRate:
    """The lowest shooting rate that needs no in-between frames.

    ``rate`` frames a second; ``step`` m the slowest delivered step that was counted; ``slower`` the delivered steps
    that are slower still and were not counted; ``sentence`` says all of it.
    """

    rate: float
    step: float
    slower: int
    sentence: str


def needed_rate(wanted: ArrayLike, rate: Fraction, hand_speed: float, slowest: float = 0.1) -> NeededRate:
    """The shooting rate at which a push of ``hand_speed`` m/s holds a frame for every delivered one.

    A delivered step of d m takes ``d shooting_rate / hand_speed`` shot frames; that must be 1 or more. At the ends of
    an eased move d goes to 0 and no rate is enough: steps below ``slowest`` (0 to 1) of the longest are not counted.
    Raises :class:`PlateError` for a hand that does not move.
    """
    if not hand_speed > 0.0:
        raise PlateError(f"a hand speed of {hand_speed * 1e3:g} mm/s does not move the slide; expected more than 0")
    steps = np.abs(np.diff(np.asarray(wanted, dtype=np.float64)))
    steps = steps[steps > 1e-9]
    if not len(steps):
        return NeededRate(0.0, 0.0, 0, "The move stands still: any shooting rate will do.")
    # a hair of room, so that an even move counts all its steps
    counted = steps[steps >= slowest * steps.max() * (1.0 - 1e-9)]
    step = float(counted.min())
    needed = hand_speed / step
    slower = len(steps) - len(counted)
    sentence = (
        f"Pushed at {hand_speed * 1e3:.0f} mm/s, the slide needs {needed:.0f} frames a second or more, so that no "
        f"in-between frames have to be made up (slowest step counted {mm_text(step, 2)} a delivered frame at "
        f"{rate_text(rate)})"
    )
    if slower:
        sentence += f"; {slower} steps at the slow ends, below {slowest:.0%} of the longest, are slower still"
    return NeededRate(needed, step, slower, sentence + ".")


def _refuse_short(
    take: Take, path: Array, frames: tuple[int, ...], reveal_frame: int | None, allowed: float
) -> None:
    first, last, _ = take.stretch()
    low, high = sorted((float(take.rail[first]), float(take.rail[last])))

    below, above = low - path, path - high
    short = np.maximum(below, above)
    asked = [(0, "it does not cover the start of the move")]
    if reveal_frame is not None:
        asked.append((frames.index(reveal_frame), "it never reaches the reveal"))
    # beyond the reveal the shot has done its work: what lacks to the end of the move is held, not refused
    reached = reveal_frame is not None and short[frames.index(reveal_frame)] <= allowed
    # the worst place on either side, unless that is the start, come back to at the end
    for side in (below, above):
        worst = int(np.argmax(side))
        past = reached and reveal_frame is not None and worst >= frames.index(reveal_frame)
        if not past:
            asked.append((worst, "it does not reach the end of the move"))
    told: dict[int, str] = {}
    for i, what in asked:
        if short[i] > allowed and not any(abs(path[i] - path[other]) < 1e-9 for other in told):
            told[i] = f"{what} at {mm_text(float(path[i]), 2)} (frame {frames[i]}): {mm_text(float(short[i]), 2)} short"
    if not told:
        return
    faults = " and ".join(told.values())
    raise PlateError(
        f"{take.name}: the take covers {mm_text(low, 2)} to {mm_text(high, 2)} of the rail; {faults}; "
        "push again with some run-up and run-out, or shorten rail.travel"
    )


def _notes(table: Retime) -> tuple[str, ...]:
    pace, made_up = np.abs(table.speed), table.made_up
    beyond = _beyond(table)
    notes = []
    for i in range(len(table.frames)):
        said = []
        if beyond[i]:
            said.append(f"the take ends {mm_text(abs(float(table.error[i])), 3)} before this position")
        if len(table.frames) > 1 and pace[i] < _HELD:
            said.append("held")
        if made_up[i] > 0.0:
            said.append(f"slowed to {pace[i]:.2f} of normal, {made_up[i]:.1f} in-between frames to a shot one")
        if i and table.direction[i] * table.direction[i - 1] < 0:
            said.append("turns")
        if i < len(table.frames) - 1:
            low, high = sorted((float(table.source[i]), float(table.source[i + 1])))
            for span, what in _passed(table.push):
                if min(high, span[1]) - max(low, span[0]) > 0.5 * (span[1] - span[0]):
                    said.append(f"passes over shot frames {span[0]:.6g} to {span[1]:.6g} ({what})")
        notes.append("; ".join(said))
    return tuple(notes)


def _beyond(table: Retime) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    low, high = sorted((table.push.start, table.push.end))
    return np.asarray((table.wanted < low - 1e-9) | (table.wanted > high + 1e-9))


def _passed(push: Push) -> list[tuple[tuple[float, float], str]]:
    spans = [((pause.first, pause.last), "pause") for pause in push.pauses]
    return spans + [((pull.first, pull.last), "pulled back") for pull in push.pulls]


def _sentences(table: Retime) -> list[str]:
    said = [*table.push.sentences, slowing_sentence(table.take.rate, table.rate)]
    count = len(table.frames)
    if count == 1:
        said.append(f"One delivered frame: shot frame {table.source[0]:.2f}, shown as a still.")
        return said
    pace, made_up = np.abs(table.speed), table.made_up
    for a, b in _runs(made_up > 0.0):
        slowest = float(pace[a:b].min())
        remedy = (
            f"shooting at {float(table.take.rate) / slowest:.0f} frames a second, or pushing {1.0 / slowest:.1f} times "
            "slower there, does without"
            if slowest >= _HOPELESS
            else "no rate is enough for so slow a start or stop"
        )
        said.append(
            f"{_frames_text(table.frames[a:b])} slowed to {slowest:.2f} of normal, more than the shooting rate allows: "
            f"up to {float(made_up[a:b].max()):.1f} in-between frames are made up for a shot one; {remedy}."
        )
    for a, b in _runs(pace < _HELD):
        said.append(f"{_frames_text(table.frames[a:b])} held.")
    said += _held_end(table)
    moving = pace[pace >= _HELD]
    if len(moving):
        said.append(f"Speed {float(moving.min()):.2f} to {float(moving.max()):.2f} shot frames a delivered frame.")
    if (np.array(table.direction) < 0).any():
        back = int((np.array(table.direction) < 0).sum())
        said.append(f"{back} frames play the take backwards; nothing in shot may fall, flow or smoke.")
    said.append(
        f"Shown by the nearest whole shot frame instead, the camera is up to "
        f"{mm_text(float(np.abs(table.nearest_error).max()), 2)} from where it should be."
    )
    return said


def _held_end(table: Retime) -> list[str]:
    """What the frames get whose place the take does not have."""
    beyond = _beyond(table)
    short = np.abs(table.error)[beyond]
    if not len(short):
        return []
    at, most = np.flatnonzero(beyond), float(short.max())
    text = (
        f"At {len(at)} frames the take's end is held, up to {mm_text(most, 3)} before the position wanted there "
        f"({table.frames[at[0]]} to {table.frames[at[-1]]})."
    )
    if most <= max(ALLOWED, 3.0 * table.take.noise):
        return [text]
    # how fast the wanted move goes where the picture stops dead
    steps = np.abs(np.diff(table.wanted))
    speed = float(steps[max(at[0] - 1, 0)]) * float(table.rate) if len(steps) else 0.0
    return [
        text,
        f"The picture stops dead there where the move still goes at {speed * 1e3:.1f} mm/s: push again "
        f"{mm_text(most, 1)} further and beyond, or end the move where the take does (rail.travel).",
    ]


def _frames_text(frames: tuple[int, ...]) -> str:
    return f"Frame {frames[0]} is" if len(frames) == 1 else f"Frames {frames[0]} to {frames[-1]} are"


def _runs(chosen: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], chosen.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
