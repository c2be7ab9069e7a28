"""One module for each format of image file, and what they share.

Of a TIFF, `tiff` chooses the picture, `tiff_tags` reads the tags and `tiff_strips` decodes: a compression goes there.
"""

__all__ = ["jpeg", "memory", "notes", "pixels", "png", "tiff"]
