"""A second opinion that no paint was solved for: ``python -m tests.benchmarks.finder [--quick] [--json] [--out F]``.

A small network learns to tell delivered frames and short clips with the bridge from the same without it, on sets drawn
by number (``finderscenes.py``) in all paints that others would lay. A second one learns from solved paint too. Both are
tried on sets that neither has seen (``findertable.py``): of two, with and without, which has the bridge?

``--learned``, ``--solved`` and ``--unseen`` say how many sets of each are made, ``--minutes`` when no more is begun.
``--folder`` keeps them, and goes on with what lies there; ``--make`` stops when they are made. ``--record`` keeps what
was found for the tests and the README, ``--recorded`` measures nothing and takes it from there. Needs torch (the extra
"bench"); a graphics card is used where there is one, and the networks are smaller where there is none.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.benchmarks.figures import machine, report
from tests.benchmarks.finderscenes import CLIP, CLIPS, unseen
from tests.benchmarks.finderset import WITH_SOLVED, Pairs, kept_in, make, orders
from tests.benchmarks.findertable import (
    NETWORKS,
    RECORD,
    WAYS,
    Outcome,
    figures_of,
    merged,
    order_figures,
    surest,
    table,
)

SEED = 17
# pictures of the surest finds of what the judge calls hidden
SHOWN = 10


def arguments(words: Sequence[str] | None = None) -> argparse.Namespace:
    """Read the command line; what is not said is a small version for two cores."""
    parser = argparse.ArgumentParser(description="Does a trained network find what the judge calls hidden?")
    parser.add_argument("--quick", action="store_true", help="smaller still; its figures mean little")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument("--markdown", action="store_true", help="print the tables of the README")
    parser.add_argument("--record", action="store_true", help="keep what was found for the tests")
    parser.add_argument("--recorded", action="store_true", help="take what was kept, measure nothing")
    parser.add_argument("--out", type=Path, help="leaves finder.json, finder.md and the surest finds there")
    parser.add_argument("--folder", type=Path, help="keeps the sets, and goes on with those that lie there")
    parser.add_argument("--make", action="store_true", help="make the sets and stop")
    parser.add_argument("--learned", type=int, help="sets to learn from")
    parser.add_argument("--solved", type=int, help="sets with solved paint to learn from")
    parser.add_argument("--unseen", type=int, help="sets for the report")
    parser.add_argument("--workers", type=int, default=2, help="sets at a time")
    parser.add_argument("--minutes", type=float, default=60.0, help="begin no set after so many minutes")
    parser.add_argument("--width", type=int, help="width of the pictures, px")
    parser.add_argument("--steps", type=int, help="steps of learning, of each network")
    parser.add_argument("--train-minutes", type=float, default=10.0, help="minutes of learning, of each network")
    parser.add_argument("--pairs", type=int, help="pairs in a step of learning")
    asked = parser.parse_args(words)
    small = {"learned": 1, "solved": 1, "unseen": 1, "steps": 4, "pairs": 4, "width": 192}
    usual = {"learned": 12, "solved": 2, "unseen": 2, "steps": 100, "pairs": 8, "width": 320}
    for name, value in (small if asked.quick else usual).items():
        if getattr(asked, name) is None:
            setattr(asked, name, value)
    if asked.quick and asked.record:
        parser.error("--quick measures too little to keep anything")
    return asked


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def made_in(folder: Path, asked: argparse.Namespace) -> dict[str, list[Path]]:
    """Make what is asked for and lacks; the files by what they are for."""
    wanted = orders(asked.learned, asked.solved, asked.unseen, asked.width, asked.quick)
    started, seconds, none = time.time(), [], 0
    for number, why, took in make(wanted, folder, asked.workers, asked.minutes):
        if why:
            none += 1
            if took:
                _say(f"set {number}: {why}")
            continue
        seconds.append(took)
        if len(seconds) % 25 == 0 or took > 60.0:
            _say(f"{time.time() - started:.0f} s: {len(seconds)} sets, {none} not; the last took {took:.0f} s")
    _say(f"{time.time() - started:.0f} s: {len(seconds)} sets made, {none} not, {np.mean(seconds or [0.0]):.1f} s each")
    files = kept_in(folder)
    return {
        "learned": [p for p in files if int(p.stem) < WITH_SOLVED],
        "solved": [p for p in files if int(p.stem) >= WITH_SOLVED and not unseen(int(p.stem))],
        "unseen": [p for p in files if unseen(int(p.stem))],
    }


def measured(files: dict[str, list[Path]], asked: argparse.Namespace) -> Outcome:
    """Train the networks and try them on the sets kept for it; the networks stay in the folder asked for, if any."""
    import torch

    from tests.benchmarks.findernet import Shelf, Training, device_of, margins, trained

    device = device_of()
    kept = Shelf.of(files["unseen"], device)
    whole = Shelf.of([*files["learned"], *files["solved"]], device)
    learned = whole.below(WITH_SOLVED)
    _say(f"{len(whole)} sets to learn from are read")
    facts: dict[str, object] = {f"{name} sets": len(paths) for name, paths in files.items()}
    host = machine()
    card = torch.cuda.get_device_name() if device.type == "cuda" else "no graphics card"
    facts |= {"machine": f"{host['processor']}, {host['cores']} cores, {card}"}
    facts |= {"width": asked.width, "seed": SEED, "pairs a step": asked.pairs}
    found = []
    for name in NETWORKS:
        # what is thrown has nothing to be learned: a quarter of the time
        share = 0.25 if name == "thrown" else 1.0
        how = Training(max(round(asked.steps * share), 1), asked.train_minutes * share, asked.pairs, SEED)
        shelf = whole if name == "second" else learned
        network, steps = trained(
            shelf, how, lambda text, name=name: _say(f"{name}: {text}"), shuffled=name == "thrown"
        )
        facts[f"steps of the {name} network"] = steps
        found.append(margins(network, kept, SEED))
        if asked.out is not None and name != "thrown":
            asked.out.mkdir(parents=True, exist_ok=True)
            torch.save(network.state_dict(), asked.out / f"{name}.pt")
        _say(f"{name} network tried")
    rows = []
    for k, path in enumerate(files["unseen"]):
        pairs = Pairs.read(path)
        for p, paint in enumerate(kept.paints[k]):
            for c in range(len(CLIPS)):
                margin = np.array([each[k][way][p, c] for each in found for way in range(len(WAYS))])
                rows.append((pairs.number, pairs.lamps, paint, c, pairs.judged[p, c], margin))
    return merged(facts, rows)


def pictures(outcome: Outcome, folder: Path, out: Path) -> list[str]:
    """Write the surest finds of what the judge calls hidden, with and without the bridge; a line on each."""
    from PIL import Image

    lines = []
    for column in ("first still", "first clip", "second still"):
        for rank, row in enumerate(surest(outcome, column, SHOWN), 1):
            number, paint, clip = int(outcome.number[row]), str(outcome.paint[row]), int(outcome.clip[row])
            pairs = Pairs.read(folder / f"{number}.npz")
            both = (pairs.seen[pairs.paints.index(paint), clip], pairs.clean[clip])
            # of a clip its first and its last picture
            at = (CLIP // 2,) if column.endswith("still") else (0, CLIP - 1)
            picture = np.concatenate([np.concatenate([one[k] for one in both], axis=1) for k in at], axis=0)
            name = f"{column.replace(' ', '-')}-{rank:02}.png"
            Image.fromarray(picture).save(out / name)
            judged = ", ".join(f"{v:.2f}" for v in outcome.judged[row])
            sure = f"margin {outcome.of(column)[row]:.2f}; break, trace, drift, found {judged}"
            lines.append(f"{name}: {pairs.title}, {paint}, frame {CLIPS[clip] + CLIP // 2}, {sure}")
    return lines


def main() -> None:
    """Measure and print."""
    asked = arguments()
    if asked.recorded:
        outcome = Outcome.read(RECORD)
    else:
        with tempfile.TemporaryDirectory() as temporary:
            folder = asked.folder or Path(temporary)
            files = made_in(folder, asked)
            if asked.make:
                return
            lacking = [name for name, paths in files.items() if not paths]
            if lacking:
                raise SystemExit(f"no set made: {', '.join(lacking)}; give more --minutes")
            outcome = measured(files, asked)
            if asked.out is not None:
                asked.out.mkdir(parents=True, exist_ok=True)
                outcome.written(asked.out / "finder.json")
                (asked.out / "finder.md").write_text(table(outcome) + "\n", encoding="utf-8")
                for line in pictures(outcome, folder, asked.out):
                    _say(line)
    if asked.record:
        outcome.written(RECORD)
    if asked.markdown:
        print(table(outcome))
        return
    left_out = [
        "targets", "all but one set of each kind", "all but four steps of learning", "most paints",
        "orders of paints and frames",
    ]  # fmt: skip
    if asked.quick:
        # one set says nothing of any target
        figures = [replace(figure, target="", met=None) for figure in figures_of(outcome)]
        report("finder", figures, asked.json, left_out)
        return
    report("finder", [*figures_of(outcome), *order_figures(outcome)], asked.json)


if __name__ == "__main__":
    main()
