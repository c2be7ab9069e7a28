"""Film on a scan, and what is read from it.

`bench` is a scan as it was read, `parts` what there is on it, `reading` reads that; `seen` tells a negative from what
is none, by `signs` and `signs_paper`; thresholds are in `sign_limits` and `find/limits`.
"""

__all__ = ["bench", "channels", "options", "own_wedge", "parts", "preview", "reading", "seen", "sign_limits"]
