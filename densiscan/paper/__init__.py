"""A paper test, the grade that fits a negative, the exposure of the print, and the plan of an evening's printing."""

__all__ = [
    "curve",
    "drying",
    "exposure",
    "file",
    "finished",
    "from_scan",
    "grade",
    "places",
    "plan",
    "positive",
    "split",
    "tested_range",
]
