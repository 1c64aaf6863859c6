"""The closed list of causes."""

from __future__ import annotations

from typing import Final

CAUSES: Final[tuple[str, ...]] = (
    "trigger-wheel-tooth",
    "trigger-wheel-runout",
    "trigger-wheel-shifted",
    "trigger-wheel-loose",
    "trigger-wheel-wrong",
    "crank-sensor",
    "crank-circuit",
    "electrical-interference",
    "sensor-air-gap",
    "sensor-polarity",
    "sensor-wrong",
    "cam-timing",
    "cam-phaser",
    "cam-target",
    "cam-sensor",
    "cam-circuit",
    "cranking-system",
    "cylinder-compression",
    "cylinder-misfire",
    "ignition-output",
    "fuel-output",
    "fuel-supply",
    "security-lockout",
    "control-unit",
    "measurement-fault",
    "none-of-these",
    "none-found",
)
NONE_FOUND: Final = "none-found"
NONE_OF_THESE: Final = "none-of-these"
MEASUREMENT: Final = "measurement-fault"
