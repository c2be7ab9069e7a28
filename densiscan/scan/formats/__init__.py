"""One module for each format of image file, and what they share."""

__all__ = ["jpeg", "memory", "notes", "pixels", "png", "tiff"]
