"""Results as text, JSON and tables.

`table` has the columns of the table of a folder, `folder` what is said at its end; `answer` the short answer on one
negative, `readings` the long one and its JSON, `trouble` faults; `runs` the words for what is logged of a run.
"""

__all__ = [
    "advice",
    "answer",
    "archive",
    "budget",
    "cgats",
    "check",
    "counting",
    "evening",
    "exposing",
    "film",
    "film_times",
]
__all__ += [
    "finished",
    "folder",
    "labels",
    "lines",
    "notebook",
    "paper",
    "parquet",
    "printing",
    "readings",
    "runs",
    "table",
    "terminal",
]
__all__ += ["trends"]
