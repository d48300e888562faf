"""stationpoint: plan, paint and shoot a miniature walkway that cannot be seen until the camera slides."""

__version__ = "0.1.0"
