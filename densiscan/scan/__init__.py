"""From an image file to a scan, its survey, and apertures on it.

`formats` has the kinds of image file and their compressions; `scan` chooses between them.
"""

__all__ = ["apertures", "cells", "channels", "places", "same_size", "scan", "survey", "threads"]
