"""A paper test, the grade that fits a negative, and the exposure of the print."""

__all__ = ["curve", "exposure", "file", "finished", "from_scan", "grade", "tested_range"]
