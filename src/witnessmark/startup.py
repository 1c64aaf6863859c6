"""A quick start for a process of our own: the command line's, which lives for a second or two.

Measured of a start of the analysis, imports and all: numba's optional parts 20 %, collecting garbage among modules that
all stay 8 %, looking for plug-ins of the checker of setup files 4 %. And of an analysis of five seconds, half of the
processor time (seven eighths where other processes wanted the cores, too): threads of the linear algebra that wait for
one another in products of a few dozen numbers.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

UNUSED_BY_KERNELS = ("scipy.linalg", "cffi")
"""What numba offers kernels where it is installed (linear algebra, C interfaces) and ours do not use."""

ENVIRONMENT = {"PYDANTIC_DISABLE_PLUGINS": "__all__", "OPENBLAS_NUM_THREADS": "1"}
"""Read by libraries when they are loaded; what the user has set stays. Our own threads are in threads.py."""


def set_environment() -> None:
    """Before numpy is loaded, for this process and those it starts."""
    for name, value in ENVIRONMENT.items():
        os.environ.setdefault(name, value)


@contextmanager
def quick_imports() -> Iterator[None]:
    """Imports within this block load numba lean and collect no garbage; what they made is not searched for it later.

    Where numba is loaded already, it stays as it is: the process is not ours alone then.
    """
    set_environment()
    collecting = gc.isenabled()
    gc.disable()
    try:
        if "numba" not in sys.modules:
            _load_lean()
        yield
    finally:
        gc.freeze()
        if collecting:
            gc.enable()


def _load_lean() -> None:
    hidden = [name for name in UNUSED_BY_KERNELS if name not in sys.modules]
    for name in hidden:
        sys.modules[name] = None  # type: ignore[assignment]  # as if it were not installed
    try:
        import numpy as np

        from witnessmark.signals.medians import rolling_median

        rolling_median(np.zeros(1), 0)  # numba looks for its parts at the first call, not before
    finally:
        for name in hidden:
            del sys.modules[name]
