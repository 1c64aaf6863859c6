"""Packages of the optional extra ``scan``, imported only where they are used."""

from __future__ import annotations

import importlib
import logging
from typing import Any

from witnessmark.errors import NoLink

_INSTALLED_AS = {"can": "python-can", "isotp": "can-isotp", "asammdf": "asammdf"}


def needed(module: str, what: str) -> Any:
    """The module; :class:`~witnessmark.errors.NoLink` with what to install where it is not there."""
    try:
        found = importlib.import_module(module)
    except ImportError:
        package = _INSTALLED_AS[module]
        raise NoLink(f"{what} needs {package}; install it with: pip install {package}") from None
    logger = logging.getLogger(module)
    if not logger.handlers:  # what they log reaches us as errors or notes too; standard error is for one line
        logger.addHandler(logging.NullHandler())
    return found
