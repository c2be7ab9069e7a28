"""Results as figures, all in one style."""

__all__ = ["calibration", "development", "film", "paper", "style", "trends"]
