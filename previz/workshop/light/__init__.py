"""Irradiance baked into maps: lamps, shadows, what comes from all over, and shine."""
