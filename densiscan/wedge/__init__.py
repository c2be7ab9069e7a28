"""The step wedge: its file; its steps on a scan, how many they are, and which way round."""

__all__ = ["alignment", "find", "limits", "look", "polarity", "rows", "wedge"]
