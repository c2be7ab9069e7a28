"""What went wrong: fog, leaks, uneven development, specks and marks, a module each.

The thresholds are in `limits`; what the scanner may make by itself, against which a difference is held, in `yardstick`.
`inspection` calls them all.
"""

__all__ = ["finding", "fog", "inspection", "limits", "picture"]
