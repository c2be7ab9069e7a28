"""What went wrong: fog, leaks, uneven development, specks and marks."""

__all__ = ["finding", "fog", "inspection", "picture"]
