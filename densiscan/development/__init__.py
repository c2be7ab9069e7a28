"""What to change in the next development, learned from the runs logged."""

__all__ = ["advice", "carried", "contrast_curve", "developer_life", "evidence", "expected", "exposure"]
__all__ += ["exposure_index", "family", "kinetics", "names"]
__all__ += ["posterior", "prior", "repeatability", "run", "trends", "usable_readings", "verdict"]
