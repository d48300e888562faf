"""A set made ready, looked at, delivered and judged: what every question needs."""
