"""Where things are kept: one SQLite file."""

__all__ = ["advised", "history", "keep", "location", "materials", "merge", "news", "notebook", "readings", "recall"]
__all__ += ["tables", "transfer"]
