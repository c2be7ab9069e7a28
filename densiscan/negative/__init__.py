"""Film on a scan, and what is read from it.

`parts` says what there is to read, `reading` reads it, `seen` tells a negative from what is none, by `signs` and
`signs_paper`; where each sign begins is in `sign_limits`, where film and frames are told in `find/limits`.
"""

__all__ = ["channels", "own_wedge", "parts", "preview", "reading", "seen", "sign_limits"]
