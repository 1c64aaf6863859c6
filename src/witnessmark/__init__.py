"""Witnessmark: from a recording of an engine's signals to a proven verdict."""

__version__ = "0.1.0"

__all__ = ["__version__"]
