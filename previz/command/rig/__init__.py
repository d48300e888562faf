"""The commands ``rig`` and ``optics``."""
