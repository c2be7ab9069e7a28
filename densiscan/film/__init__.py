"""A film test: the characteristic curve, contrast and speed; long exposures."""

__all__ = ["curve", "definitions", "exposing", "few_points", "from_scan", "points", "reciprocity", "speed_and_contrast"]
__all__ += ["zones"]
