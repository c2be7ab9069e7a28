"""Where things are kept: one SQLite file.

`notebook` is what others ask: its runs, the last run, its readings; `runs`, `readings` and `materials` answer by SQL
over `store`; `history` lists what was changed. `as_read` makes a reading that was kept into one just made; `keep` puts
readings in, `merge` joins two notebooks.
"""

__all__ = ["advised", "as_read", "history", "keep", "lines", "location", "materials", "merge", "news", "notebook"]
__all__ += ["readings", "tables", "transfer"]
