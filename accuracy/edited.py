"""Faults edited into the open recordings of real engines."""

from __future__ import annotations


def text(*, quick: bool) -> str:
    """Placeholder until written."""
    return ""
