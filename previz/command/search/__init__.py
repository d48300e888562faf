"""The commands ``search`` and ``knock``."""
