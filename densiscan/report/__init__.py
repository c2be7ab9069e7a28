"""Results as text, JSON and tables.

`table` has the columns of the table of a folder, `folder` what is said at its end; `answer` the short answer on one
negative, `readings` the long one and its JSON, `trouble` faults; `runs` the words for what is logged of a run. `page`
is the page for the browser, `page/templates/page.css` its colours and the desk's; `figures` draws charts as files.

A sentence that judges or warns is made beside its figure, in `negative`, `development` or `paper`, and only set out
here.
"""

__all__ = ["advice", "answer", "archive", "budget", "cgats", "check", "counting", "evening", "exposing"]
__all__ += ["field_card", "film", "film_times", "finished", "fixer", "folder", "labels", "lines", "notebook", "paper"]
__all__ += ["parquet", "printing", "readings", "runs", "table", "terminal", "trends", "zones"]
