"""Results as figures, all in one style."""

__all__ = ["calibration", "development", "film", "paper", "result", "style", "trends"]
