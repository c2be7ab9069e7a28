"""The step wedge: its file, and its steps on a scan."""

__all__ = ["alignment", "find", "limits", "look", "polarity", "rows", "wedge"]
