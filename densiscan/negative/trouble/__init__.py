"""What went wrong: fog, leaks, uneven development, specks and marks, a module each.

From what size on something counts is in `limits`; `inspection` calls them all.
"""

__all__ = ["finding", "fog", "inspection", "picture"]
