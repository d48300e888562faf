"""The command ``plate`` and what goes with it."""
