"""From scanner signal to density, with its uncertainty; the lamp, and scattered light."""

__all__ = ["calibration", "channels", "date", "densities", "file", "findings", "glare", "lamp", "look", "make", "map"]
__all__ += ["posterior_curve", "several_looks", "trust", "usable_steps", "veil", "weighed_curve"]
