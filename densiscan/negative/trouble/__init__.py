"""What went wrong: fog, leaks, uneven development, specks and marks, a module each.

From what size on something counts is in `limits`, what is told from grain and dust in `thresholds`;
`inspection` calls them all.
"""

__all__ = ["finding", "fog", "inspection", "picture", "thresholds"]
