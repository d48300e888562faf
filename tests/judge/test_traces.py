"""Traces: a shadow's edge is found where it runs on, whatever it crosses, and chance is no hiding place."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.stats import poisson
from skimage.color import lab2xyz

from previz import colour
from previz.judge.breaks import Break, decided, sides_of
from previz.judge.hold import FrameScore, summarised
from previz.judge.ordinary import Ordinary, ordinary_of
from previz.judge.outline import Outline, outline_of
from previz.judge.runs import RARE, ChanceRuns, not_by_chance, runs_of
from previz.judge.steps import log_light
from previz.judge.trace.traces import trace_lines, trace_of, trace_percents
from previz.judge.viewer import JND_LIGHT, Viewer
from tests.judge.walls import own_alone

Picture = np.ndarray
HEIGHT, WIDTH = 540, 720
VIEWER = Viewer(HEIGHT)
PX_PER_DEG = VIEWER.px_per_deg


def columns(rng: np.random.Generator) -> Picture:
    """Upright columns of very different lightness, with grain."""
    edges = np.sort(rng.choice(WIDTH, 60, replace=False))
    tone = rng.uniform(0.06, 0.5, 61)[np.searchsorted(edges, np.arange(WIDTH))]
    return tone[None, :] * rng.uniform(0.9, 1.1, (HEIGHT, 1))


def strata(rng: np.random.Generator) -> Picture:
    """Layers that lie across the picture at a slope."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    layer = ((y + 0.35 * x) / 14.0).astype(int)
    return rng.uniform(0.06, 0.5, layer.max() + 1)[layer]


def board(rng: np.random.Generator) -> Picture:
    """An even board with a little grain."""
    return 0.3 + 0.02 * gaussian_filter(rng.standard_normal((HEIGHT, WIDTH)), 1.0)


def wall(kind: Callable[[np.random.Generator], Picture], seed: int) -> Picture:
    rng = np.random.default_rng(seed)
    grain = np.exp(0.05 * gaussian_filter(rng.standard_normal((HEIGHT, WIDTH)), 0.8))
    tint = np.array([1.0, 0.96, 0.9])
    return np.clip((kind(rng) * grain)[..., None] * tint, 0.0, 1.0).astype(np.float32)


def shade(ratio: float, softness_px: float = 0.6) -> Picture:
    """Light: 1, and ``ratio`` of it inside a bar across the picture, its edges at a slope as a thrown shadow's are."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    inside = np.abs((x - 420.0) + 0.45 * (y - 270.0)) < 60.0
    return (1.0 - (1.0 - ratio) * gaussian_filter(inside.astype(float), softness_px))[..., None].astype(np.float32)


def cover() -> Picture:
    """A bridge that stands well away from the shadow."""
    there = np.zeros((HEIGHT, WIDTH), dtype=np.float32)
    there[180:420, 80:130] = 1.0
    return there


WALLS = (columns, strata, board)


@pytest.fixture(scope="module", params=WALLS, ids=[kind.__name__ for kind in WALLS])
def set_up(request: pytest.FixtureRequest) -> tuple[Picture, Ordinary]:
    clean = wall(request.param, 3)
    return clean, ordinary_of(clean, VIEWER)


def found(seen: Picture, clean: Picture, edges: Ordinary) -> float:
    trace = trace_of(seen, clean, cover(), edges, VIEWER)
    return max(trace_percents(None if trace is None else trace.found, outline_of(cover(), VIEWER)))


def test_a_hard_shadow_across_the_wall_is_found(set_up: tuple[Picture, Ordinary]) -> None:
    """7 dE*ab and more, 18 degrees long, on columns, strata and board: plain to anybody (seen, not published)."""
    clean, edges = set_up
    seen = clean * shade(0.72)
    step = np.linalg.norm(colour.lab(seen) - colour.lab(clean), axis=-1)[270, 420]
    assert 4.0 < step < 15.0
    assert found(seen, clean, edges) > 50.0


def test_the_same_light_with_a_wide_penumbra_has_no_contour(set_up: tuple[Picture, Ordinary]) -> None:
    """Within a degree it changes by less than an eye can tell. How it looks: ``test_patches.py``."""
    clean, _ = set_up
    assert len(trace_lines(clean * shade(0.72, 1.6 * PX_PER_DEG), clean, cover(), VIEWER)) == 0


def test_a_clean_wall_has_none(set_up: tuple[Picture, Ordinary]) -> None:
    clean, edges = set_up
    assert found(clean.copy(), clean, edges) == 0.0
    # nor has what no eye can tell
    assert found(clean * shade(float(np.exp(-0.4 * JND_LIGHT))), clean, edges) == 0.0


def test_mirrored_it_is_the_same(set_up: tuple[Picture, Ordinary]) -> None:
    """Within half a point of break and as much again for where lines happen to be laid."""
    clean, edges = set_up
    seen = clean * shade(0.72)
    there = trace_of(seen, clean, cover(), edges, VIEWER)
    other = ordinary_of(clean[:, ::-1], VIEWER)
    mirrored = trace_of(seen[:, ::-1], clean[:, ::-1], cover()[:, ::-1], other, VIEWER)
    assert there is not None
    assert mirrored is not None
    assert mirrored.found.percent == pytest.approx(there.found.percent, abs=4.0)


def test_pieces_by_themselves_do_not_see_it_across_columns() -> None:
    """Why edges are followed: the columns' own steps are larger, and a window on a piece sees those."""
    clean = wall(columns, 3)
    seen = clean * shade(0.72)
    lines = trace_lines(seen, clean, cover(), VIEWER)
    sides, ordinary = sides_of(seen, clean, lines, VIEWER), ordinary_of(clean, VIEWER)
    local = decided(sides, lines, own_alone(ordinary), VIEWER)
    followed = decided(sides, lines, ordinary, VIEWER, between_walls=True)
    assert local.percent < 20.0
    assert followed.percent > local.percent + 30.0


def test_contours_lie_where_the_light_steps() -> None:
    clean = wall(board, 1)
    lines = trace_lines(clean * shade(0.7), clean, cover(), VIEWER)
    away = np.abs(np.abs((lines.xy[:, 0] - 420.5) + 0.45 * (lines.xy[:, 1] - 270.5)) - 60.0) / np.hypot(1.0, 0.45)
    assert np.quantile(away, 0.95) < 1.0
    # both edges of the bar, from top to bottom of the picture
    assert len(lines) * lines.spacing_px == pytest.approx(2.0 * HEIGHT * np.hypot(1.0, 0.45), rel=0.05)


def upright() -> Outline:
    """A line down the middle of the picture."""
    y = np.arange(100.0, 440.0, PX_PER_DEG / 30.0)
    return Outline(
        np.column_stack([np.full(len(y), 360.0), y]), np.tile([1.0, 0.0], (len(y), 1)), np.zeros(len(y), np.int64),
        (False,), PX_PER_DEG / 30.0,
    )  # fmt: skip


def test_a_shadow_on_both_sides_of_a_crack_moves_no_edge() -> None:
    """The rock's own edge stays: the step must be the bridge's doing, not what lies on either side of it."""
    clean = np.full((HEIGHT, WIDTH, 3), 0.4, dtype=np.float32)
    clean[:, 360:] *= 0.3
    edges = ordinary_of(wall(board, 5), VIEWER)
    crack = upright()
    both = sides_of(0.7 * clean, clean, crack, VIEWER)
    one = clean.copy()
    one[:, 360:] *= 0.7
    assert decided(both, crack, edges, VIEWER, True).percent < 2.0
    assert decided(sides_of(one, clean, crack, VIEWER), crack, edges, VIEWER, True).percent > 90.0


def test_a_shadow_that_deepens_a_strong_edge_a_little_is_not_found_on_a_busy_wall() -> None:
    """A doorway's edge is there anyway: what the shadow adds to it has to stand out by itself."""
    clean = wall(columns, 3)
    clean[:, 360:] *= 0.1
    seen = clean.copy()
    seen[:, 360:] *= 0.72
    busy = ordinary_of(wall(columns, 3), VIEWER)
    assert decided(sides_of(seen, clean, upright(), VIEWER), upright(), busy, VIEWER, True).percent < 2.0
    # as much of a step where the wall is even is plain
    even = ordinary_of(wall(board, 5), VIEWER)
    assert decided(sides_of(seen, clean, upright(), VIEWER), upright(), even, VIEWER, True).percent > 50.0


def test_log_light_is_the_log_of_luminance() -> None:
    """Against scikit-image's CIELAB, for greys from L* 2 to 100."""
    lightness = np.linspace(2.0, 100.0, 40)
    grey = np.stack([lightness, np.zeros(40), np.zeros(40)], axis=-1)[None]
    assert log_light(lightness[:, None])[:, 0] == pytest.approx(np.log(lab2xyz(grey)[0, :, 1]), abs=1e-4)


def test_runs_are_weighed_by_poisson() -> None:
    """P(at least k) of the Poisson distribution, SciPy's; one half where it is ``RARE``."""
    expected = np.array([0.01, 0.4, 2.5])
    weight = np.array([3.0, 1.0, 0.2])
    tail = poisson.sf([0, 1, 2], expected)
    shown = 1.0 - np.exp2(-((RARE / tail) ** 2))
    assert not_by_chance(weight, expected) == pytest.approx(np.maximum.accumulate(shown[::-1])[::-1])
    at_limit = -np.log1p(-RARE)
    assert not_by_chance(np.array([1.0]), np.array([at_limit])) == pytest.approx([0.5])


def test_the_same_share_scattered_is_chance_and_in_one_run_is_an_edge() -> None:
    rng = np.random.default_rng(2)
    spacing = 1.0 / 30.0

    def pieces(count: int) -> Picture:
        """A clean line: one piece in ten stands out, by itself, more or less."""
        return np.where(rng.random(count) < 0.1, rng.uniform(0.2, 1.0, count), 0.0)

    def told(chance: Picture) -> float:
        runs = runs_of(chance, np.zeros(len(chance), np.int64), (False,), spacing)
        expected = clean.expected(np.array([1.0]), len(chance) * spacing, runs.weight)
        return float((chance * np.append(not_by_chance(runs.weight, expected), 0.0)[runs.number]).mean())

    long = pieces(40000)
    weights = runs_of(long, np.zeros(40000, np.int64), (False,), spacing).weight
    clean = ChanceRuns.counted([weights], [40000 * spacing])
    one_run = np.zeros(1000)
    one_run[300:400] = 1.0
    assert told(one_run) == pytest.approx(0.1, abs=1e-6)
    # a twentieth of the 6 % of such a line that stand out, and a little for the rarest of lines
    assert np.mean([told(pieces(1000)) for _ in range(50)]) < 0.01


def test_a_run_goes_on_over_the_joint_of_a_closed_line() -> None:
    chance = np.array([1.0, 0.5, 0.0, 0.0, 1.0, 0.0, 0.6])
    line = np.zeros(7, np.int64)
    closed, opened = (runs_of(chance, line, (ring,), 2.0) for ring in (True, False))
    assert sorted(closed.weight) == pytest.approx([2.0, 4.2])
    assert closed.number[0] == closed.number[1] == closed.number[6]
    assert sorted(opened.weight) == pytest.approx([1.2, 2.0, 3.0])
    assert (opened.number[[2, 3, 5]] == -1).all()


def test_a_frame_holds_only_while_both_are_at_most_5_percent() -> None:
    """DEVELOPERS.md, "What the score says"."""
    assert FrameScore(1001, 0.0, 5.0, None, 0.0, trace_pct=5.0).holds
    assert not FrameScore(1001, 0.0, 0.0, None, 0.0, trace_pct=5.1).holds
    assert not FrameScore(1001, 0.0, 5.1, None, 0.0, trace_pct=0.0).holds
    assert not FrameScore(1001, 0.0, None, None, 0.0, trace_pct=0.0).holds
    traces = (0.0, 2.0, 9.0)
    traced = [FrameScore(1001 + k, 0.001 * k, 1.0, None, 0.0, trace_pct=trace) for k, trace in enumerate(traces)]
    shot = summarised(traced, (1001, 1003), 1001, None)
    assert (shot.hold_first, shot.hold_last, shot.hidden) == (1001, 1002, False)
    assert (shot.trace_worst_pct, shot.worst_frame) == (9.0, 1003)
    assert summarised(traced, (1001, 1002), 1001, None).hidden


def test_it_is_told_in_lengths_of_the_outline() -> None:
    """A tenth of a line four times as long as the outline is four tenths of it; never more than all."""

    def line(count: int) -> Outline:
        xy = np.column_stack([np.arange(float(count)), np.zeros(count)])
        return Outline(xy, np.tile([0.0, -1.0], (count, 1)), np.zeros(count, np.int64), (False,), 1.0)

    def trace(percent: float) -> Break:
        none = np.zeros(400)
        return Break(percent, line(400), none, none > 0, none.astype(np.int8), none, by_seat=(0.0, percent, 5.0))

    assert trace_percents(trace(10.0), line(100)) == pytest.approx((0.0, 40.0, 20.0))
    assert trace_percents(trace(90.0), line(100)) == (0.0, 100.0, 20.0)
    assert trace_percents(None, line(100)) == (0.0, 0.0, 0.0)
