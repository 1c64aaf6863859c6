"""The compiled block of the compression fit against the same sums written with numpy's interp, cumsum and qr."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.engine import compression
from witnessmark.engine.compression import CLOSES_DEG, OPENS_DEG, PISTON, ROD_RATIO, STEP_DEG, Speed
from witnessmark.engine.geometry import CylinderGeometry


def folded(off_deg: np.ndarray, cycle_deg: float) -> np.ndarray:
    return np.mod(off_deg + cycle_deg / 2, cycle_deg) - cycle_deg / 2


def read(table: np.ndarray, off_deg: np.ndarray, cycle_deg: float) -> np.ndarray:
    return np.interp(np.mod(folded(off_deg, cycle_deg), 720.0), np.arange(721.0), np.append(table, table[0]))


def blown_so_far(share: np.ndarray, off_deg: np.ndarray, rad_s: np.ndarray, cycle_deg: float) -> np.ndarray:
    """One event after the other: the blow-by of this closed stretch, by time."""
    turned = np.roll(share, 360)
    turned[: int(360 + CLOSES_DEG)] = 0.0
    rise = np.diff(turned, append=0.0)
    at = folded(off_deg, cycle_deg)
    inside = (at >= CLOSES_DEG) & (at <= OPENS_DEG)
    out = np.zeros_like(off_deg)
    for event in range(off_deg.shape[1]):
        seen = 0.0
        for j in np.flatnonzero(inside[:, event]):
            step = rise[min(max(round(at[j, event] + 360.0), 0), 719)] * rad_s.mean() / rad_s[j]
            if j == 0:
                seen = float(read(share, off_deg[:1, event], cycle_deg)[0]) + step  # with what went before the block
            elif inside[j - 1, event]:
                seen += step
            else:
                seen = 0.0  # the valves have just closed
            out[j, event] = max(seen, 0.0)
    return out


def plain(part: Speed, tdc: np.ndarray, blow_by: np.ndarray, tables: compression.Tables, cycle_deg: float):
    step = int(STEP_DEG)
    fine = part.angle_deg[0] - STEP_DEG / 2 + np.arange(len(part.angle_deg) * step) + 0.5
    off = fine[:, None] - tdc[None, :]
    share = blown_so_far(tables[1], off, np.repeat(part.rad_s, step), cycle_deg)
    gas = read(tables[0], off, cycle_deg) * np.exp(-blow_by * share)
    case = read(tables[2], off, cycle_deg).sum(axis=1, keepdims=True) / len(tdc)
    work = np.cumsum(np.hstack([gas - case, -gas * share]), axis=0) * np.radians(1.0)
    rows = work.reshape(len(part.angle_deg), step, -1).mean(axis=1)
    at = np.radians(part.angle_deg[:, None] - tdc[None, :])
    sweep = np.sin(at) * (1.0 + np.cos(at) / np.sqrt(ROD_RATIO**2 - np.sin(at) ** 2))
    energy = 0.5 * part.rad_s**2 * (1.0 + PISTON * (sweep**2).sum(axis=1))
    along = np.radians(part.angle_deg - part.angle_deg[0])
    columns = np.column_stack([rows, along, np.cumsum(part.rad_s) * np.radians(STEP_DEG), energy])
    x = np.linspace(-1.0, 1.0, len(columns))
    if part.good is not None:
        columns, x = columns[part.good], x[part.good]
    own = np.linalg.qr(np.column_stack([np.ones_like(x), x, x**2]))[0]
    columns = columns - own @ (own.T @ columns)
    return columns.T @ columns


@pytest.mark.parametrize("cycle_deg", [720.0, 360.0])
@pytest.mark.parametrize("events", [1, 3, 4, 8])
def test_block_equals_numpy(events: int, cycle_deg: float) -> None:
    rng = np.random.default_rng(events)
    tables = compression.shape(CylinderGeometry())
    steps = round(2 * cycle_deg / STEP_DEG)
    for holes in (False, True):
        angle = rng.uniform(-3000, 3000) + np.arange(steps) * STEP_DEG
        speed = 26 + 2 * np.sin(np.radians(2 * angle)) + rng.normal(0, 0.1, steps)
        part = Speed(angle, speed, rng.random(steps) > 0.1 if holes else None)
        tdc = np.arange(events) * cycle_deg / events + rng.uniform(-50, 50)
        blow_by = rng.uniform(0.0, 1.0, events)
        blocks = compression._cut([part], cycle_deg)
        found = blocks.normal(blocks.energy(tdc), tdc, blow_by, compression._compiled(tables), cycle_deg)
        wanted = plain(part, tdc, blow_by, tables, cycle_deg)
        assert found.shape == (1, *wanted.shape)
        np.testing.assert_allclose(found[0], wanted, rtol=1e-9, atol=1e-12 * np.abs(wanted).max())
