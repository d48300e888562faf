"""The commands ``new``, ``check`` and ``schema``."""
