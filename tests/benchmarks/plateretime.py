"""Figures of the retime, for ``python -m tests.benchmarks.plate``: made-up takes whose true course is known."""

from __future__ import annotations

import csv
import io
from fractions import Fraction

import numpy as np
import opentimelineio as otio
from scipy.interpolate import PchipInterpolator

from previz.deliver.plate.retimes import retime_csv, retime_otio
from previz.geometry import Array
from previz.plate.retime import Retime, out_and_back, retimed
from previz.plate.take import take_of
from previz.rail import eased
from tests.benchmarks.figures import Figure, at_most, within
from tests.plate.pushes import KINDS, pushed

MM = 1e-3
SHOT, DELIVERED = Fraction(50), Fraction(25)
TRAVEL, FRAMES = 120 * MM, 100
NOISES_MM = (0.0, 0.02, 0.05, 0.1, 0.2)
TAKES, QUICK_TAKES = 25, 5


def _shown_by_otio(table: Retime) -> Array:
    """Source frames (N,) that the pieces show, worked out by opentimelineio's own time arithmetic."""
    timeline = otio.adapters.read_from_string(retime_otio(table, "take"), "otio_json")
    (track,) = timeline.tracks
    shown = []
    for number in range(len(table.frames)):
        now = otio.opentime.RationalTime(number, float(table.rate))
        clip = track.child_at_time(now)
        gone = now - track.range_of_child(clip).start_time
        warped = otio.opentime.TimeTransform(scale=clip.effects[0].time_scalar).applied_to(gone)
        start = clip.source_range.start_time
        shown.append(start.value_rescaled_to(float(SHOT)) + warped.value_rescaled_to(float(SHOT)))
    return np.array(shown)


def figures(quick: bool) -> list[Figure]:
    """The retime's figures; ``quick`` takes fewer takes of each kind."""
    takes = QUICK_TAKES if quick else TAKES
    wanted = out_and_back(TRAVEL * eased(np.linspace(0.0, 1.0, FRAMES), 0.1))
    composed: dict[str, float] = dict.fromkeys(KINDS, 0.0)
    beneath: dict[float, list[Array]] = {noise: [] for noise in NOISES_MM}
    noise_found, pieces, off, off_mm = [], [], 0.0, 0.0
    for kind in KINDS:
        for seed in range(takes):
            true = pushed(kind, seed)
            course = PchipInterpolator(np.arange(1, 201), true)
            for noise_mm in NOISES_MM:
                measured = true + np.random.default_rng(seed).normal(0.0, noise_mm * MM, len(true))
                take = take_of(np.arange(1, 201), measured, SHOT)
                table = retimed(take, wanted, DELIVERED)
                # as written: the numbers of retime.csv, composed by scipy
                rows = list(csv.DictReader(io.StringIO(retime_csv(table))))
                source = np.array([float(row["source_frame"]) for row in rows])
                error_mm = np.abs(PchipInterpolator(take.frames, take.rail)(source) - wanted).max() / MM
                composed[kind] = max(composed[kind], float(error_mm))
                beneath[noise_mm].append((course(source) - wanted) / MM)
                if noise_mm == 0.1:
                    noise_found.append(take.noise / (noise_mm * MM))
                    shown = _shown_by_otio(table)
                    off = max(off, float(np.abs(shown - table.source).max()))
                    course_mm = PchipInterpolator(take.frames, take.rail)(shown) / MM
                    off_mm = max(off_mm, float(np.abs(course_mm - wanted / MM).max()))
                    pieces.append(len(table.pieces()))
    found = [
        at_most(f"retime: composed with the take, out and back, {kind} takes, worst", composed[kind], "mm", 0.05)
        for kind in KINDS
    ]
    for noise_mm in NOISES_MM:
        errors = np.abs(np.concatenate(beneath[noise_mm]))
        name = f"retime: true position beneath a noise of {noise_mm:g} mm"
        found += [
            Figure(f"{name}, root mean square", float(np.sqrt(np.mean(errors**2))), "mm"),
            Figure(f"{name}, worst", float(errors.max()), "mm"),
        ]
    stops = []
    for seed in range(takes):
        true = pushed("uneven", seed, start=0.0, end=TRAVEL)
        measured = true + np.random.default_rng(seed).normal(0.0, 0.1 * MM, len(true))
        table = retimed(take_of(np.arange(1, 201), measured, SHOT), wanted, DELIVERED)
        stops.append(np.abs(PchipInterpolator(np.arange(1, 201), true)(table.source) - wanted).max() / MM)
    stop_to_stop = "retime: pushed from stop to stop, true position beneath a noise of 0.1 mm, worst"
    found += [
        Figure(stop_to_stop, float(max(stops)), "mm"),
        within("retime: noise found / noise put in, mean", float(np.mean(noise_found)), "", 1.0, 0.1),
        at_most("retime: pieces read by opentimelineio, off the table by at most", off, "source frames", 0.25 + 1e-6),
        at_most("retime: pieces read by opentimelineio, off the wanted place by at most", off_mm, "mm", 0.2),
        Figure(f"retime: pieces for {len(wanted)} delivered frames, median", float(np.median(pieces)), ""),
    ]
    return found
