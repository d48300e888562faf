"""Tests of stationpoint: run with pytest from the repository root."""
