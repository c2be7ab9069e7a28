"""Results as one page for the browser."""

__all__ = [
    "again",
    "archive",
    "drawings",
    "field_card",
    "labels",
    "negative",
    "notebook",
    "page",
    "pair",
    "pictures",
    "print_plan",
    "result",
    "templating",
]
