"""The command ``paint`` and what goes with it."""
