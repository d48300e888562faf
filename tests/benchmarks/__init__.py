"""Measured figures, one module each: ``python -m tests.benchmarks.NAME [--quick] [--json]``."""
