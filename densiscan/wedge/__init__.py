"""The step wedge: its file, and its steps on a scan."""

__all__ = ["count", "find", "polarity", "rows", "view", "wedge"]
