"""One module for each format of image file, and what they share."""

__all__ = ["jpeg", "notes", "pixels", "png", "tiff"]
