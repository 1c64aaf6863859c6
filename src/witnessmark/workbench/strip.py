"""Samples for the strip: envelopes or raw samples of a stretch, with the crank-degree scale beside them."""

from __future__ import annotations

from starlette.routing import BaseRoute


def strip_routes() -> list[BaseRoute]:
    """The routes of the strip."""
    return []
