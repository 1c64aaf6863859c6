"""The memory that an analysis may take, so that a monstrous recording takes neither the server nor the machine down."""

from __future__ import annotations

import contextlib
import os
import sys

SHARE = 0.8  # of the machine's memory
LIMIT = "WITNESSMARK_WORK_MB"  # environment: the limit in MB instead
FIRST_TO_GO = "500"  # of -1000 to 1000: where memory ends all the same, the system ends the work and not the server


def limited_to() -> int:
    """Bytes that an analysis may take."""
    given = os.environ.get(LIMIT, "")
    if given.isdecimal() and int(given) > 0:
        return int(given) * 10**6
    try:
        return int(SHARE * os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"))
    except (AttributeError, ValueError, OSError):
        return 2**62


def limit_memory() -> None:
    """Limit this process' own memory. Mapped recordings are not counted: the system drops them where it needs room."""
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w", encoding="ascii") as file:
        file.write(FIRST_TO_GO)
    if sys.platform == "linux":  # elsewhere the limit does not count mapped memory, or there is none
        import resource

        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_DATA, (limited_to(), limited_to()))
