"""Values with their uncertainty, curves, least squares: what every stage reckons with."""

__all__ = [
    "arrays",
    "curves",
    "floats",
    "least_squares",
    "one_thread",
    "quantity",
    "regions",
    "robust",
    "threshold",
    "units",
]
