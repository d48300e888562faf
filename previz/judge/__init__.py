"""Break, mismatch, slip and hold: what a viewer can find."""
