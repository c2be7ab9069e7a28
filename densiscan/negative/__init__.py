"""Film on a scan, and what is read from it.

`bench` is a scan as it was read, `parts` what there is on it, `reading` reads that; `seen` tells a negative from what
is none, by `signs` and `signs_paper`. `find` finds film, rebate and frames; `trouble` what went wrong with them: leaks,
bands, streaks. Thresholds: `find/limits`, `sign_limits` (negative or not), `trouble/limits`.
"""

__all__ = ["bench", "channels", "options", "own_wedge", "parts", "preview", "reading", "seen", "sign_limits"]
