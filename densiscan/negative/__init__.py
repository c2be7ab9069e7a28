"""Film on a scan, and what is read from it."""

__all__ = ["bench", "channels", "options", "own_wedge", "parts", "preview", "reading", "seen"]
