"""Numbers of the rig that follow from the scene alone: exposure, focus, flicker, support."""
