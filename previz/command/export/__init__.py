"""The command ``export`` and what goes with it."""
