"""The step wedge: its file, and its steps on a scan.

`look` looks for rows of even steps, here and for film and paper; `find` settles which steps they are: `count` by the
edges, `laid` and `alignment` by the levels. Thresholds of the rows are in `limits`, of the ends in `count`.
"""

__all__ = ["alignment", "find", "limits", "look", "polarity", "rows", "wedge"]
