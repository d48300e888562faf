"""The job in order: a line about every command, an example of it, and what comes after it; loads nothing heavy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class JobStep:
    """One command's place in the job.

    ``line`` says in the list of commands what it does, 64 characters at most, so that none is cut off on a terminal of
    80. ``example`` is what is typed after ``previz``, one or more lines. ``after`` says what comes next, with
    ``{scene}`` and ``{folder}`` in it; nothing where the job ends or goes on elsewhere.
    """

    line: str
    example: tuple[str, ...]
    after: str = ""


JOB: Final[dict[str, JobStep]] = {
    "new": JobStep(
        "Write a commented starter scene, NAME.toml, to this folder.",
        ("new chasm",),
        "change numbers in {scene}; then previz check {scene}",
    ),
    "check": JobStep(
        "Read and judge a scene without drawing: numbers and cautions.",
        ("check chasm.toml",),
        "previz shoot {scene}",
    ),
    "schema": JobStep("Print the JSON Schema of scene files, for editors.", ("schema",)),
    "shoot": JobStep(
        "The main job: pictures, films and score along the move.",
        ("shoot chasm.toml", "shoot chasm.toml --width 640 --figure"),
        "look at worst.png and report.html in {folder}; if it shows, previz search {scene}; then previz paint {scene}",
    ),
    "score": JobStep(
        "Numbers only: break, trace, drift and found of every frame.",
        ("score chasm.toml", "score chasm.toml --explain 1001"),
        "previz score {scene} --explain FRAME tells what is found of a frame, and where; previz shoot {scene} draws it",
    ),
    "sheet": JobStep(
        "Contact sheet of candidate angles, best first.",
        ('sheet chasm.toml --height "120..240 mm x 3" --tilt "-10..-6 deg x 2"',),
        "look at the sheet in {folder}; put the angle that you like into {scene}, then previz shoot {scene}",
    ),
    "search": JobStep(
        "Look for what holds longest: place, lens, rail, lamps, bridge.",
        ("search chasm.toml --budget 40",),
        "previz shoot best.toml, which is in {folder}; then previz knock, for how true it must be built",
    ),
    "knock": JobStep(
        "How far camera, paint, bridge and lamps may be off.",
        ("knock chasm.toml --samples 20",),
        "build within what knock.png in {folder} shows; previz rig {scene} prints the day's card",
    ),
    "paint": JobStep(
        "Solve the paint; true-size guide, cut pattern and strings.",
        ("paint chasm.toml", "paint chasm.toml --steps 20 --paper letter"),
        'print guide.pdf in {folder} at true size; with paint = "solved" in {scene}, previz shoot {scene} shows it',
    ),
    "rig": JobStep(
        "Shot card and drawings to scale for the day.",
        ("rig chasm.toml", "rig chasm.toml --lamps"),
        "print rig.pdf in {folder}; previz markers {scene} for the day's photograph",
    ),
    "plate": JobStep(
        "Plate and miniature as one shot: retime, feet, shadow, colour.",
        ("plate chasm.toml",),
        "look at animatic.mp4 in {folder}; feet.csv and retime.csv go to whoever puts the figure in",
    ),
    "optics": JobStep(
        "What a lens, a stop and a light give; needs no scene.",
        ('optics --lens "35 mm" --stop f/22 --focus "0.7 m"',),
    ),
    "markers": JobStep(
        "Marker sheets at true size, and where to fix them.",
        ("markers chasm.toml",),
        "print them, fix them, photograph the set; then previz lineup {scene} PHOTO",
    ),
    "lineup": JobStep(
        "Where the real camera is, from a photograph with the markers.",
        ("lineup chasm.toml photo.jpg",),
        "move the camera as it says, and photograph it again until it says that it stands",
    ),
    "export": JobStep(
        "The set and the move for other software, in open formats.",
        ("export chasm.toml --gltf --svg",),
    ),
    "bench": JobStep(
        "A live page in the browser: drag the camera, see what breaks.",
        ("bench chasm.toml",),
    ),
}


def example_of(command: str) -> str:
    """A command's examples as its help shows them; \b keeps click from filling the lines."""
    lines = JOB[command].example
    return "\n".join(["\b", "Example:" if len(lines) == 1 else "Examples:", *(f"  previz {line}" for line in lines)])


def after(command: str, scene: str, folder: str) -> str:
    """What comes after a command on a ``scene`` whose results lie in ``folder``; empty where nothing does."""
    return JOB[command].after.format(scene=scene, folder=folder) if command in JOB else ""
