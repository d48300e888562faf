"""How every benchmark says what it measured: a table for people, one JSON object for machines."""

from __future__ import annotations

import argparse
import json as json_text
import math
import os
import platform
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path


@dataclass(frozen=True)
class Figure:
    """One measured figure.

    ``target`` is the wanted value in words such as ``"<= 5"``; empty where the figure is only reported. ``met``
    is None then, and False, never left out, where a target was missed.
    """

    name: str
    value: float | int | str
    unit: str
    target: str = ""
    met: bool | None = None


def at_most(name: str, value: float, unit: str, limit: float) -> Figure:
    """A figure that must not exceed ``limit``."""
    return Figure(name, value, unit, f"<= {limit:g}", bool(value <= limit))


def at_least(name: str, value: float, unit: str, limit: float) -> Figure:
    """A figure that must reach ``limit``."""
    return Figure(name, value, unit, f">= {limit:g}", bool(value >= limit))


def within(name: str, value: float, unit: str, wanted: float, tolerance: float) -> Figure:
    """A figure that must lie within ``tolerance`` of ``wanted``."""
    return Figure(name, value, unit, f"{wanted:g} +- {tolerance:g}", bool(abs(value - wanted) <= tolerance))


@dataclass(frozen=True)
class Options:
    """What was asked of a benchmark on its command line."""

    quick: bool
    json: bool


def options(description: str, arguments: Sequence[str] | None = None) -> Options:
    """Read ``--quick`` and ``--json`` from ``arguments``, or from the command line."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--quick", action="store_true", help="less than 45 s; says which figures it left out")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    read = parser.parse_args(arguments)
    return Options(quick=read.quick, json=read.json)


def _processor() -> str:
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text(encoding="utf-8", errors="replace").splitlines():
            if line.lower().startswith("model name"):
                return line.split(":", 1)[1].strip()
    if sys.platform == "darwin":
        found = subprocess.run(
            ["sysctl", "-n", "machdep.cpu.brand_string"], capture_output=True, text=True, check=False
        )
        if found.stdout.strip():
            return found.stdout.strip()
    return os.environ.get("PROCESSOR_IDENTIFIER") or platform.processor() or platform.machine() or "unknown"


def machine() -> dict[str, str | int]:
    """The machine in words that do not tell whose it is: processor, cores, system, Python."""
    if hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:
        cores = os.cpu_count() or 1
    return {
        "processor": _processor(),
        "cores": cores,
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
    }


def _plain(figure: Figure) -> dict[str, object]:
    row: dict[str, object] = asdict(figure)
    if isinstance(figure.value, float):
        # JSON knows neither infinity nor "not a number"
        row["value"] = float(f"{figure.value:.6g}") if math.isfinite(figure.value) else None
    return row


def _shown(value: float | int | str) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def report(name: str, figures: Sequence[Figure], json: bool = False, left_out: Sequence[str] = ()) -> None:
    """Print the figures on standard output. A missed target is said, and is not an error of the run.

    ``left_out`` names the figures that a quick run did not measure.
    """
    missed = [figure.name for figure in figures if figure.met is False]
    host = machine()
    if json:
        whole = {
            "name": name,
            "machine": host,
            "figures": [_plain(figure) for figure in figures],
            "left_out": list(left_out),
        }
        print(json_text.dumps(whole, indent=2, ensure_ascii=False, allow_nan=False))
        return
    word = {True: "yes", False: "NO", None: ""}
    rows = [("figure", "value", "unit", "target", "met")]
    rows += [(f.name, _shown(f.value), f.unit, f.target, word[f.met]) for f in figures]
    widths = [max(len(row[i]) for row in rows) for i in range(5)]
    print(f"{name}: {host['processor']}, {host['cores']} cores, {host['system']}, Python {host['python']}")
    for row in rows:
        cells = [row[i].rjust(widths[i]) if i == 1 else row[i].ljust(widths[i]) for i in range(5)]
        print("  ".join(cells).rstrip())
    if left_out:
        print(f"left out by --quick: {', '.join(left_out)}")
    if missed:
        print(f"not met: {', '.join(missed)}")
