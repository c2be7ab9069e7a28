"""A film test: the characteristic curve, contrast and speed; long exposures."""

__all__ = ["definitions", "from_scan", "points", "reciprocity", "speed_and_contrast"]
