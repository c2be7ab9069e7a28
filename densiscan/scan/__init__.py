"""From an image file to a scan, its survey, and apertures on it."""

__all__ = ["apertures", "cells", "channels", "places", "same_size", "scan", "survey", "threads"]
