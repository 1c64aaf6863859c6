"""Recordings for the benchmarks: the bakery's delivery van as simulated, laid end to end as long as is wanted.

Ten seconds of it begin and end with the engine at rest and hold two start attempts that fail, so that one after the
other they are what a recorder left running would hold. Everything is simulated.
"""

from __future__ import annotations

import tomllib
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario

SCENARIO = Path(__file__).parents[1] / "examples" / "bakery-van.toml"
PIECE_S = 10.0
MORE = (
    {"role": "coil", "name": "coil 2", "cylinder": 2},
    {"role": "injector", "name": "injector 2", "cylinder": 2},
)


@dataclass(frozen=True)
class Piece:
    """Ten seconds of the van: native codes by channel, values = code * gain, in these units."""

    channels: dict[str, NDArray[np.int16]]
    gains: dict[str, float]
    units: dict[str, str]
    rate_hz: float


def piece(rate_hz: float) -> Piece:
    """Simulate the ten seconds at this rate: eight lines of int16."""
    tables = tomllib.loads(SCENARIO.read_text(encoding="utf-8"))
    tables["sampling"]["rate_hz"] = rate_hz
    tables["duration_s"] = PIECE_S
    tables["cranking"]["attempts"] = tables["cranking"]["attempts"][:2]
    tables["channel"] += MORE
    made = simulate(parse_scenario(tables, "bench"))
    return Piece(made.channels, {n: g for n, (g, _) in made.gains.items()}, made.units, rate_hz)


def write(path: Path, made: Piece, pieces: int, channels: int = 8) -> int:
    """An uncompressed NPZ of ``pieces`` times the piece; returns its samples. It is never in memory as a whole."""
    names = list(made.channels)[:channels]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        _array(archive, "rate_hz", np.float64(made.rate_hz))
        for name in names:
            _array(archive, f"gain__{name}", np.float64(made.gains[name]))
            _array(archive, f"unit__{name}", np.str_(made.units[name]))
        for name in names:
            x = np.ascontiguousarray(made.channels[name])
            header = {"descr": x.dtype.str, "fortran_order": False, "shape": (pieces * len(x),)}
            with archive.open(f"{name}.npy", "w", force_zip64=True) as file:
                np.lib.format.write_array_header_1_0(file, header)
                for _ in range(pieces):
                    file.write(memoryview(x).cast("B"))
    return pieces * sum(len(made.channels[name]) for name in names)


def _array(archive: zipfile.ZipFile, name: str, value: np.generic) -> None:
    with archive.open(f"{name}.npy", "w") as file:
        np.lib.format.write_array(file, np.asarray(value))
