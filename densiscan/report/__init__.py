"""Results as text, JSON and tables."""

__all__ = [
    "advice",
    "answer",
    "budget",
    "check",
    "counting",
    "evening",
    "exposing",
    "film",
    "film_times",
    "finished",
    "folder",
    "labels",
    "notebook",
]
__all__ += ["paper", "printing", "readings", "runs", "table", "terminal", "trends"]
