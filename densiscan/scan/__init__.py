"""From an image file to a scan, its survey, and apertures on it."""

__all__ = ["apertures", "cells", "channels", "places", "scan", "survey", "threads"]
