"""What a viewer of the film finds that no single frame shows."""
