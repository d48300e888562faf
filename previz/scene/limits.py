"""How much of a file made elsewhere is taken in: every limit on pixels, triangles, nodes, rows, lamps and bytes.

A small file can ask for much: what is compressed unfolds, what is written once is placed a thousand times. The
limits are such that reading any one file takes less than a gigabyte and a few seconds. Those on lamps and cards stand
in the scene file's JSON Schema too.
"""

from __future__ import annotations

from typing import Final

# a scene file is a few kilobytes; meshes and pictures are named, not included
SCENE_BYTES: Final = 256_000
FAULTS_LISTED: Final = 100
# each is baked by itself, and weighed against every other in the cautions
LAMPS: Final = 48
CARDS: Final = 48
# kinds of lamps at hand; each is tried in some dozens of places
LAMPS_AT_HAND: Final = 8

# a picture of the set, of the figure or in a mesh, decoded: 12 bytes a pixel as linear light
PICTURE_PIXELS: Final = 40_000_000
# as Pillow calls them
PICTURE_KINDS: Final = ("PNG", "JPEG", "TIFF", "WEBP", "BMP")
# a photograph for the line-up, kept as codes
PHOTOGRAPH_PIXELS: Final = 64_000_000

MESH_BYTES: Final = 200_000_000
MESH_FACES: Final = 1_500_000
# parts that a mesh is put together from, each placed by itself
MESH_NODES: Final = 2_000
# values that any one list of a mesh file may have
MESH_VALUES: Final = 3 * MESH_FACES

TABLE_BYTES: Final = 32_000_000
# a row a frame: two and a half hours of film
TABLE_ROWS: Final = 250_000
# points that are marked in a photograph by hand
POINTS: Final = 2_000
# photographs that a wall is put together from, and points and boxes that are marked in each
WALL_PHOTOS: Final = 24
WALL_POINTS: Final = 200
# heights of a measured relief, across times down
HEIGHTS: Final = 4_000_000


def millions(count: int) -> str:
    """A limit in words: ``40 million``."""
    return f"{count / 1e6:g} million"
