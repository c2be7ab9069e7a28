"""How far the scanner can be trusted: by a wedge, an empty bed, a slot, and over time."""

__all__ = ["bed", "check", "slot", "wedge"]
