"""Where the film, its clear edges and its frames lie."""

__all__ = ["film", "limits", "not_film", "outlines", "rebate"]
