"""Film on a scan, and what is read from it."""

__all__ = ["channels", "own_wedge", "parts", "preview", "reading", "seen", "sign_limits"]
