"""Ways in which a file that a run has kept can be damaged."""

from __future__ import annotations

DAMAGES = ("cut", "flipped", "empty", "text")


def damaged(whole: bytes, how: str) -> bytes:
    """A file's bytes cut in half, with one byte in the middle turned, gone, or others."""
    middle = len(whole) // 2
    return {
        "cut": whole[:middle],
        "flipped": whole[:middle] + bytes([whole[middle] ^ 0xFF]) + whole[middle + 1 :],
        "empty": b"",
        "text": b"not what was kept\n",
    }[how]
