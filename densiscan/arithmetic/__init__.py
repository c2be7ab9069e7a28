"""Values with their uncertainty, curves, least squares: what every stage reckons with."""

__all__ = ["curves", "floats", "least_squares", "one_thread", "quantity", "regions", "threshold"]
