"""Paper, labels, plans and elevations: drawing, true to size."""
