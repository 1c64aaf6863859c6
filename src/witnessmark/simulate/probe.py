"""Faults of the measurement: what a wrong probe, coupling, range or recorder makes of a sound line."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from witnessmark.simulate.scenario import Channel, Fault, Scenario

F64 = NDArray[np.float64]


@njit(cache=True)
def _high_pass(line: F64, decay: float) -> F64:
    """First-order high pass."""
    out = np.empty(len(line))
    last_in, y = line[0], 0.0
    for i in range(len(line)):
        y = decay * (y + line[i] - last_in)
        last_in = line[i]
        out[i] = y
    return out


def _mine(fault: Fault, channel: Channel, name: str) -> bool:
    return fault.kind == "probe" and fault.channel in (name, channel.role)


def spoil(line: F64, channel: Channel, name: str, scenario: Scenario) -> F64:
    """The line as a faulty probe shows it."""
    rate = scenario.sampling.rate_hz
    for f in scenario.fault:
        if not _mine(f, channel, name):
            continue
        if f.what == "ac":
            line = _high_pass(line, float(np.exp(-2.0 * np.pi * f.corner_hz / rate)))
        elif f.what == "inverted":
            line = -line
        elif f.what == "ratio":
            line = line * f.factor
        elif f.what == "clip":
            middle, half = 0.5 * (line.max() + line.min()), 0.5 * (line.max() - line.min())
            line = np.clip(line, middle - f.factor * half, middle + f.factor * half)
    return line


def held(codes: NDArray[np.int16], channel: Channel, name: str, scenario: Scenario) -> NDArray[np.int16]:
    """The codes of a recorder that keeps every n-th sample and fills up between them."""
    for f in scenario.fault:
        if _mine(f, channel, name) and f.what == "thinned":
            codes = np.repeat(codes[:: f.every], f.every)[: len(codes)]
    return codes


def cut_spans(scenario: Scenario) -> list[tuple[float, float]]:
    """(start, end) in s of what a recorder that loses blocks leaves out of every channel."""
    return [(a, a + b) for f in scenario.fault if f.kind == "probe" and f.what == "blocks-lost" for a, b in f.stretches]


def cut(line: F64, scenario: Scenario) -> F64:
    """The samples that were kept, run together as if no time had passed."""
    keep = np.ones(len(line), bool)
    for start, end in cut_spans(scenario):
        keep[int(start * scenario.sampling.rate_hz) : int(end * scenario.sampling.rate_hz)] = False
    return line[keep]
