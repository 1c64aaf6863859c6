"""The closed lists a finding draws from: its kind, and what it repeats with."""

from __future__ import annotations

from typing import Final

CRANK_KINDS: Final = (
    "tooth-absent",
    "tooth-weak",
    "tooth-displaced",
    "tooth-extra",
    "wheel-runout",
    "wheel-shifted",
    "wheel-unexpected",
    "edges-dropped",
    "signal-lost",
    "edges-spurious",
    "polarity-reversed",
    "signal-low",
    "supply-faulty",
    "line-faulty",
)
CAM_KINDS: Final = ("cam-offset", "cam-wander", "cam-edge-absent", "cam-signal-lost")
START_KINDS: Final = (
    "spark-absent",
    "fuel-absent",
    "fuel-without-spark",
    "spark-misplaced",
    "late-sync",
    "no-start",
)
ENGINE_KINDS: Final = ("cranking-slow", "battery-low", "compression-uneven", "contribution-uneven")
RECORD_KINDS: Final = (
    "record-clipped",
    "record-ac-coupled",
    "record-thinned",
    "record-blocks-lost",
    "record-rate-low",
    "record-scale-doubtful",
)
SCAN_KINDS: Final = (
    "code-stored",
    "codes-erased",
    "readiness-incomplete",
    "speed-not-seen",
    "trims-off",
    "charging-low",
    "temperature-odd",
)

FINDING_KINDS: Final[tuple[str, ...]] = (
    *CRANK_KINDS,
    *CAM_KINDS,
    *START_KINDS,
    *ENGINE_KINDS,
    *RECORD_KINDS,
    *SCAN_KINDS,
)

LOCKS: Final[tuple[str, ...]] = ("wheel", "cam", "cycle", "speed", "time", "event", "none")
