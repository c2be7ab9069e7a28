"""The commands: parse, call, show."""

__all__ = ["app", "options"]
