"""Files read within limits and written whole; tables, documents, results as plain data."""

__all__ = ["atomic", "documents", "gray_profile", "serialise", "shown", "tables"]
