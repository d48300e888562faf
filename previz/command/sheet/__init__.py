"""The command ``sheet`` and what goes with it."""
