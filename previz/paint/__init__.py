"""What to paint on the bridge."""
