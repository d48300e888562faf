"""The command ``lineup`` and what goes with it."""
