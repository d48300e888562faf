"""The bridge unfolded into flat pieces to cut."""
