"""From scanner signal to density, with its uncertainty; the lamp, and scattered light."""

__all__ = ["calibration", "channels", "date", "densities", "file", "findings", "glare", "lamp", "make", "map", "trust"]
__all__ += ["veil"]
__all__ += ["posterior_curve"]
__all__ += ["weighed_curve"]
