"""The network of the finder (``tests.benchmarks.finder``): shown one clip it says how likely there is a bridge in it.

It is told nothing of where the bridge is, and never sees the clean clip beside the other. It learns to say more of the
clip with the bridge than of the same without it, each seen by itself: under an exposure and a white balance of its own,
with grain of its own, cut from its frame at a place of its own, so that nothing that is below what a viewer could see
(the whole wall a code brighter, say) tells one from the other. A still is a clip in which one picture stands.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from tests.benchmarks.finderscenes import CLIP
from tests.benchmarks.finderset import Pairs

# how a clip is presented: spread of exposure (of its code values, relative), of each channel beside that, of black (in
# codes, 0 to 1), grain (the same), and the share of the frame's side that is kept
EXPOSURE: Final = 0.06
BALANCE: Final = 0.015
BLACK: Final = 0.01
GRAIN: Final = 1.5 / 255.0
KEPT: Final = 15 / 16

# channels from the finest scale to the coarsest, and looks at each of two clips that are compared in the report: on a
# graphics card, and without one
WIDTHS: Final = {"cuda": (64, 96, 128, 160), "cpu": (16, 24, 32, 48)}
LOOKS: Final = {"cuda": 8, "cpu": 2}


class Block(nn.Module):
    """Two convolutions beside a shortcut."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(width, width, 3, padding=1, bias=False), nn.BatchNorm2d(width), nn.ReLU(),
            nn.Conv2d(width, width, 3, padding=1, bias=False), nn.BatchNorm2d(width),
        )  # fmt: skip

    def forward(self, x: Tensor) -> Tensor:
        """Same shape as it came."""
        return functional.relu(x + self.body(x))


class Finder(nn.Module):
    """Clips (B, 3 T, H, W), about 0 to 1, to scores (B,); the sides are multiples of two."""

    def __init__(self, widths: tuple[int, ...] = WIDTHS["cuda"]) -> None:
        super().__init__()
        layers: list[nn.Module] = [nn.PixelUnshuffle(2)]
        before = 4 * 3 * CLIP
        for k, width in enumerate(widths):
            stride = 1 if k == 0 else 2
            layers += [
                nn.Conv2d(before, width, 3, stride, 1, bias=False), nn.BatchNorm2d(width), nn.ReLU(), Block(width),
            ]  # fmt: skip
            before = width
        layers.append(Block(before))
        self.layers = nn.Sequential(*layers)
        self.says = nn.Sequential(nn.Linear(2 * before, 128), nn.ReLU(), nn.Linear(128, 1))

    def forward(self, clips: Tensor) -> Tensor:
        """How much each looks like one with a bridge."""
        found = self.layers(clips - 0.4)
        pooled = torch.cat([found.amax(dim=(2, 3)), found.mean(dim=(2, 3))], dim=1)
        return self.says(pooled.float()).squeeze(1)


@dataclass(frozen=True, eq=False)
class Shelf:
    """Pairs on the device: of each set ``clean`` (C, T, H, W, 3) and ``seen`` (P, C, T, H, W, 3) uint8."""

    numbers: tuple[int, ...]
    paints: tuple[tuple[str, ...], ...]
    clean: tuple[Tensor, ...]
    seen: tuple[Tensor, ...]

    @classmethod
    def of(cls, paths: Iterable[Path], device: torch.device) -> Shelf:
        """The sets in these files."""
        rows = []
        for path in paths:
            pairs = Pairs.read(path)
            clean, seen = (torch.from_numpy(a).to(device) for a in (pairs.clean, pairs.seen))
            rows.append((pairs.number, pairs.paints, clean, seen))
        numbers, paints, cleans, seens = zip(*rows, strict=True)
        return cls(numbers, paints, cleans, seens)

    def __len__(self) -> int:
        return len(self.numbers)

    def below(self, number: int) -> Shelf:
        """Its sets whose numbers lie below one."""
        rows = [k for k, own in enumerate(self.numbers) if own < number]
        return Shelf(*(tuple(column[k] for k in rows) for column in (self.numbers, self.paints, self.clean, self.seen)))


def presented(clips: Tensor, rng: torch.Generator, still: Tensor | None = None) -> Tensor:
    """Clips (B, T, H, W, 3) uint8 as they are shown, (B, 3 T, h, w) float: each under its own exposure, balance, black
    and grain, mirrored or not, all of them cut at one place drawn anew.

    ``still`` (B,) int64 is the picture that stands in each, -1 where the clip runs.
    """
    count, frames, height, width, _ = clips.shape
    device = clips.device

    def drawn(*shape: int) -> Tensor:
        return torch.randn(shape, generator=rng, device=device)

    h, w = (2 * int(side * KEPT / 2) for side in (height, width))
    top, left = (
        int(torch.randint(0, room + 1, (1,), generator=rng, device=device)) for room in (height - h, width - w)
    )
    x = clips[:, :, top : top + h, left : left + w].permute(0, 1, 4, 2, 3).float() / 255.0
    gain = torch.exp(EXPOSURE * drawn(count, 1, 1, 1, 1) + BALANCE * drawn(count, 1, 3, 1, 1))
    x = x * gain + BLACK * drawn(count, 1, 1, 1, 1) + GRAIN * drawn(count, frames, 3, h, w)
    mirrored = torch.rand(count, generator=rng, device=device) < 0.5
    x = torch.where(mirrored[:, None, None, None, None], x.flip(-1), x)
    if still is not None:
        at = torch.where(still[:, None] < 0, torch.arange(frames, device=device)[None], still[:, None])
        x = x[torch.arange(count, device=device)[:, None], at]
    return x.reshape(count, 3 * frames, h, w)


@dataclass(frozen=True)
class Batch:
    """Which pairs are shown: ``at`` (B, 3) set, paint, clip; ``still`` (B,) the picture that stands, -1 for a clip."""

    at: np.ndarray
    still: np.ndarray


def batch_of(shelf: Shelf, count: int, rng: np.random.Generator) -> Batch:
    """Pairs drawn from a shelf, half of them stills."""
    sets = rng.integers(0, len(shelf), count)
    paints = [rng.integers(0, len(shelf.paints[k])) for k in sets]
    clips = [rng.integers(0, len(shelf.clean[k])) for k in sets]
    still = np.where(rng.uniform(size=count) < 0.5, rng.integers(0, CLIP, count), -1)
    return Batch(np.stack([sets, np.array(paints), np.array(clips)], axis=1), still)


def pair_of(shelf: Shelf, batch: Batch) -> tuple[Tensor, Tensor]:
    """The clips (B, T, H, W, 3) with the bridge and without."""
    seen = torch.stack([shelf.seen[s][p, c] for s, p, c in batch.at])
    clean = torch.stack([shelf.clean[s][c] for s, _, c in batch.at])
    return seen, clean


def swapped(batch: Batch, shelf: Shelf) -> np.ndarray:
    """Labels (B,) thrown once and for all for each pair, bool: what a network that must learn nothing is told."""
    return np.array(
        [np.random.default_rng([7, shelf.numbers[s], p, c]).uniform() < 0.5 for s, p, c in batch.at.tolist()]
    )


@dataclass(frozen=True)
class Training:
    """How a network is trained: ``steps`` at most and no longer than ``minutes``, ``pairs`` a step."""

    steps: int
    minutes: float
    pairs: int
    seed: int
    rate: float = 2e-3


def device_of() -> torch.device:
    """The graphics card where there is one."""
    return torch.device("cuda" if torch.cuda.is_available() else "cpu")


def trained(
    shelf: Shelf, how: Training, say: Callable[[str], None] | None = None, shuffled: bool = False
) -> tuple[Finder, int]:
    """A network that has learned from a shelf, and the steps taken; from thrown labels where ``shuffled``."""
    device = shelf.clean[0].device
    torch.manual_seed(how.seed)
    network = Finder(WIDTHS[device.type]).to(device, memory_format=torch.channels_last)
    draw, look = np.random.default_rng(how.seed), torch.Generator(device).manual_seed(how.seed)
    optimiser = torch.optim.AdamW(network.parameters(), lr=how.rate, weight_decay=1e-2)
    network.train()
    started, told = time.time(), []
    for step in range(how.steps):
        part = max(step / how.steps, (time.time() - started) / (60.0 * how.minutes))
        if part >= 1.0:
            return network, step
        # up in a twentieth of the way and down as a cosine
        for group in optimiser.param_groups:
            group["lr"] = how.rate * min(part * 20.0 + 0.01, 1.0) * 0.5 * (1.0 + np.cos(np.pi * part))
        batch = batch_of(shelf, how.pairs, draw)
        seen, clean = pair_of(shelf, batch)
        still = torch.from_numpy(batch.still).to(device)
        shown = torch.cat([presented(seen, look, still), presented(clean, look, still)])
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            says = network(shown.contiguous(memory_format=torch.channels_last))
        apart = says[: how.pairs] - says[how.pairs :]
        if shuffled:
            apart = torch.where(torch.from_numpy(swapped(batch, shelf)).to(device), -apart, apart)
        loss = functional.softplus(-apart).mean()
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        told.append((loss.detach(), (apart.detach() > 0).float().mean()))
        if say is not None and (step + 1) % 100 == 0:
            last, right = (float(torch.stack(column).mean()) for column in zip(*told, strict=True))
            say(f"step {step + 1}, {time.time() - started:.0f} s: loss {last:.3f}, {100.0 * right:.1f} % right")
            told = []
    return network, how.steps


@torch.no_grad()
def margins(network: Finder, shelf: Shelf, seed: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """By how much the network says more of the one with the bridge, mean of ``LOOKS`` at either: of each set (P, C) of
    stills, the middle pictures, and (P, C) of clips."""
    network.eval()
    device = shelf.clean[0].device
    looks = LOOKS[device.type]
    rng = torch.Generator(device).manual_seed(seed)

    def score(clips: Tensor, still: bool) -> Tensor:
        stands = torch.full((len(clips),), CLIP // 2 if still else -1, dtype=torch.int64, device=device)
        total = torch.zeros(len(clips), device=device)
        for _ in range(looks):
            with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
                shown = presented(clips, rng, stands).contiguous(memory_format=torch.channels_last)
                total += network(shown).float()
        return total / looks

    out = []
    for clean, seen in zip(shelf.clean, shelf.seen, strict=True):
        shape = seen.shape[:2]
        pair = [
            score(seen.flatten(0, 1), still).reshape(shape) - score(clean, still)[None] for still in (True, False)
        ]
        out.append((pair[0].cpu().numpy(), pair[1].cpu().numpy()))
    return out
