"""Where things are kept: one SQLite file."""

__all__ = [
    "advised",
    "keep",
    "lines",
    "location",
    "materials",
    "merge",
    "news",
    "notebook",
    "readings",
    "recall",
    "tables",
]
__all__ += ["transfer"]
