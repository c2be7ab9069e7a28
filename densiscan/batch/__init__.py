"""Many scans, each by itself, and what follows from each."""

__all__ = ["assessment", "cluster", "files", "outliers", "watch", "workers"]
