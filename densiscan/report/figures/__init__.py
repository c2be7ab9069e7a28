"""Results as figures, all in one style."""

__all__ = ["calibration", "development", "film", "marked", "paper", "result", "style", "trends"]
