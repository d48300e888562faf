"""Photographs of the real wall: printed markers in them, and the wall laid flat and true to size."""
