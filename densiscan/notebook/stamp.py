"""How something came into the notebook."""

from __future__ import annotations

from dataclasses import dataclass, field
from uuid import uuid4


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """When (ISO 8601), by which version, by which command line; changes of one `act` are undone together."""

    made: str
    version: str
    arguments: str
    act: str = field(default_factory=lambda: uuid4().hex)
