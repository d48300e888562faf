"""Frames, films, sheets, plots and tables: writes, never computes."""
