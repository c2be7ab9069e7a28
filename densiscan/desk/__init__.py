"""The whole job as a local page in the browser."""

__all__ = ["server"]
