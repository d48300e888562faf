"""What the scene file says, checked and frozen."""
