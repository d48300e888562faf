"""The command ``shoot`` and what goes with it."""
