"""What an installation brings along: ``python -m tests.benchmarks.supply``, a row a package with its licence and MB.

Of this environment's packages those are listed that ``pip install .`` needs, by importlib.metadata. A licence is the
package's own word (License-Expression, or else its classifiers or License field, brought to SPDX names by ``SPDX``).
"""

from __future__ import annotations

import importlib.metadata
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.benchmarks.figures import Figure, at_most, options, report

LARGEST_MB: Final = 750.0

# SPDX names of what may be installed and called by a program under MIT, and passed on beside it
COMPATIBLE: Final = frozenset({
    "0BSD", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "HPND", "ISC",
    "MIT", "MIT-CMU", "MPL-2.0", "PSF-2.0", "Python-2.0", "Unlicense", "Zlib",
})  # fmt: skip

# what packages of before SPDX names (PEP 639) write
SPDX: Final = {
    "apache 2": "Apache-2.0",
    "apache 2.0": "Apache-2.0",
    "apache software license": "Apache-2.0",
    "apache-2.0": "Apache-2.0",
    "bsd": "BSD-3-Clause",
    "bsd license": "BSD-3-Clause",
    "bsd-3-clause": "BSD-3-Clause",
    "historical permission notice and disclaimer (hpnd)": "HPND",
    "hpnd": "HPND",
    "mit": "MIT",
    "mit license": "MIT",
    "psf-2.0": "PSF-2.0",
    "python software foundation license": "PSF-2.0",
    "unlicense": "Unlicense",
}

# packages whose metadata names none: what the licence file in them is, as read
READ: Final = {
    "embreex": "BSD-2-Clause",
    "pyglet": "BSD-3-Clause",
}

# libraries inside of wheels that are loaded dynamically and are under other terms than the package
INSIDE: Final = {
    "av": "FFmpeg with x264 and x265 (GPL-2.0-or-later)",
    "embreex": "Embree and TBB (Apache-2.0)",
    "freetype-py": "FreeType (FTL)",
    "numpy": "OpenBLAS (BSD-3-Clause), libgfortran (GPL-3.0 with the runtime exception)",
    "scipy": "OpenBLAS (BSD-3-Clause), libgfortran (GPL-3.0 with the runtime exception)",
    "shapely": "GEOS (LGPL-2.1)",
}


def needed(package: str = "stationpoint") -> list[importlib.metadata.Distribution]:
    """What ``package`` needs on this machine, without extras, and what that needs in turn; by name, without itself."""
    found: dict[str, importlib.metadata.Distribution] = {}
    waiting = [(package, frozenset[str]())]
    seen: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        one = waiting.pop()
        if one in seen:
            continue
        seen.add(one)
        name, extras = one
        distribution = importlib.metadata.distribution(name)
        found[canonicalize_name(name)] = distribution
        for line in distribution.requires or []:
            asked = Requirement(line)
            if asked.marker is None or any(asked.marker.evaluate({"extra": extra}) for extra in extras | {""}):
                waiting.append((str(canonicalize_name(asked.name)), frozenset(asked.extras)))
    del found[canonicalize_name(package)]
    return [found[name] for name in sorted(found)]


def licence_of(distribution: importlib.metadata.Distribution) -> str:
    """An SPDX expression; empty where the package does not say, or in words that are not known."""
    data = distribution.metadata
    expression = data.get("License-Expression")
    if expression:
        return SPDX.get(str(expression).lower(), str(expression))
    name = canonicalize_name(data["Name"])
    said = [line.rsplit("::", 1)[1] for line in data.get_all("Classifier") or [] if line.startswith("License ::")]
    known = [SPDX[word.lower()] for word in [*(word.strip() for word in said), (data.get("License") or "").strip()]
             if word.lower() in SPDX]
    return known[0] if known else READ.get(str(name), "")


def parts(expression: str) -> Iterator[str]:
    """The licences that an SPDX expression names, exceptions with what they except from."""
    for part in re.split(r"\s+(?:AND|OR)\s+", expression.replace("(", " ").replace(")", " ").strip()):
        yield " ".join(part.split())


def megabytes(distribution: importlib.metadata.Distribution) -> float:
    """What a package's files take, MB of 2^20 bytes, compiled Python too."""
    files = {file.locate() for file in distribution.files or []}
    return sum(place.stat().st_size for place in map(_path, files) if place.is_file()) / 2**20


def _path(place: object) -> Path:
    return Path(str(place))


def main() -> None:
    """Measure and print."""
    asked = options(str(__doc__).splitlines()[0])
    packages = needed()
    rows = [(megabytes(package), package) for package in packages]
    figures = [at_most("installed, all packages", sum(size for size, _ in rows), "MB", LARGEST_MB)]
    for size, package in sorted(rows, key=lambda row: -row[0]):
        name = str(canonicalize_name(package.metadata["Name"]))
        licence = licence_of(package) or "?"
        inside = f"; inside: {INSIDE[name]}" if name in INSIDE else ""
        figures.append(Figure(f"{name} {package.version}, {licence}{inside}", size, "MB"))
    report("supply", figures, asked.json)


if __name__ == "__main__":
    main()
