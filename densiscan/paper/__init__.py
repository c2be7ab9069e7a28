"""A paper test, the grade that fits a negative, the exposure of the print, and the plan of an evening's printing.

`grade` has the table of grades and the factor of condenser light, `exposure` seconds, stops and test strip.
"""

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
