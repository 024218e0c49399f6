"""What a process that exports is told, as one text."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel

from gateway.plant.site import Site

from .order import Order


class Job(BaseModel):
    """An order over a site and a history file; parquet: else CSV."""

    site: Site
    order: Order
    store: Path
    parquet: bool
