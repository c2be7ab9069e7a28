"""Where things are kept: one SQLite file.

`notebook` is what others ask: its runs, the last run, its readings; `runs`, `readings` and `materials` answer by SQL
over `store`. `as_read` makes a reading that was kept into one just made; `keep` puts readings in, `merge` joins two
notebooks.
"""

__all__ = ["advised", "as_read", "keep", "lines", "location", "materials", "merge", "news", "notebook", "readings"]
__all__ += ["tables", "transfer"]
