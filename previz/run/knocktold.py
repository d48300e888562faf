"""What ``previz knock`` has left in a folder of results, for what is printed there later."""

from __future__ import annotations

import json

from previz.run.output import OutputFolder


def knock_lines(folder: OutputFolder, sha256: str) -> list[str]:
    """What ``previz knock`` has found for the same scene file, where its results lie in the folder."""
    ask = ["Not worked out yet for this scene: previz knock tells how far the camera may drift."]
    try:
        told = json.loads((folder.path / "knock.json").read_text(encoding="utf-8"))
        sentences = [str(line) for line in told["sentences"]]
        same = told["scene_sha256"] == sha256
    except (OSError, ValueError, KeyError, TypeError):
        return ask
    return [f"{line[:1].upper()}{line[1:]}." for line in sentences] if same else ask
