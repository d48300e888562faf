"""The rig: what the lamps give away, and what would mend it."""
