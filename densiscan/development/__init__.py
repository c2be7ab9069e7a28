"""What to change in the next development, learned from the runs logged."""

__all__ = ["advice", "carried", "contrast_curve", "developer_life", "evidence", "expected", "exposure"]
__all__ += ["exposure_index", "falling", "family", "kinetics", "learning", "names"]
__all__ += ["posterior", "prior", "repeatability", "run", "sheets", "trends", "usable_readings", "verdict"]
__all__ += ["change"]
