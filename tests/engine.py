"""The engine that this machine draws with, where no word about it is wanted."""

from previz.look.choose import choose_engine
from previz.look.view import Engine


def open_engine(want: str | None = None) -> Engine:
    """The engine of :func:`previz.look.choose.choose_engine` alone."""
    return choose_engine(want).engine
