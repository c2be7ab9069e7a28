"""What to change in the next development, learned from the runs logged.

`exposure` judges a frame by its shadow and says so, `verdict` its contrast, `zones` puts places of it on others; `run`
holds what is logged of a run, its agitation too; `developer_life` has after how many uses a developer is discarded,
`expected` what standing and use take off a batch; `trends` how fog, contrast, speed and developer go, and says so where
they creep; `names` are those of films and developers.
"""

__all__ = ["advice", "answered", "carried", "contrast_curve", "developer_life", "evidence", "expected", "exposure"]
__all__ += ["exposure_index", "falling", "family", "kinetics", "learning", "names"]
__all__ += ["posterior", "prior", "repeatability", "run", "sheets", "trends", "usable_readings", "verdict"]
__all__ += ["change", "fixer", "surprise", "zones"]
