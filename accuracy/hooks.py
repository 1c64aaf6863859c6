"""What is hooked up and to what engine: the parts that cases of the whole engine are made of."""

from __future__ import annotations

from typing import Any

import numpy as np

from accuracy import draw
from accuracy.draw import Draft

# wheels whose pattern tells the place in the turn by itself: what is asked here is not the wheel
PLAIN_WHEELS = {"60-2": 6, "36-1": 3, "36-2": 2, "24-1": 1, "40-1": 1}

# edges of one cam in crank degrees after the first: half-moon, two wide and two narrow vanes, three unequal, four even
# and one more
PATTERNS: tuple[tuple[float, ...], ...] = (
    (0.0, 360.0), (0.0, 180.0, 270.0, 360.0), (0.0, 140.0, 200.0, 340.0, 420.0, 470.0),
    (0.0, 60.0, 180.0, 300.0, 360.0, 420.0, 540.0, 660.0),
)  # fmt: skip


def edges(rng: np.random.Generator) -> list[list[Any]]:
    """Edges of one cam wheel over the cycle, turned at will."""
    pattern = PATTERNS[int(rng.integers(0, len(PATTERNS)))]
    turn = float(rng.uniform(0.0, 720.0))
    rows = [((a + turn) % 720.0, "rising" if i % 2 == 0 else "falling") for i, a in enumerate(pattern)]
    return [[round(a, 2) % 720.0, kind] for a, kind in sorted(rows)]


def cams(rng: np.random.Generator, made: Draft, both: bool, vr: bool = False) -> None:
    """A cam, or intake and exhaust on every bank; the lines that belong to them are added."""
    banks = [int(b) for b in made.tables["engine"].get("banks", {"1": []})]
    rows: list[dict[str, Any]] = []
    for bank in banks:
        for shaft in ("intake", "exhaust") if both else ("intake",):
            rows.append({
                "name": f"cam b{bank} {shaft[:2]}", "bank": bank, "camshaft": shaft, "edges_deg": edges(rng),
                "jitter_deg": float(rng.uniform(0.1, 0.5)), "sensor": "vr" if vr else "hall",
                "phaser_range_deg": 45.0,
            })  # fmt: skip
    made.tables["cam"] = rows
    drop(made, "cam")
    made.tables["channel"] += [{"role": "cam", "cam": n, "name": row["name"]} for n, row in enumerate(rows, start=1)]


def drop(made: Draft, role: str) -> None:
    """Take every line of this role off."""
    made.tables["channel"] = [c for c in made.tables["channel"] if c["role"] != role]


def hook(made: Draft, *rows: dict[str, Any]) -> None:
    """Add lines that are not there yet."""
    for row in rows:
        same = [c for c in made.tables["channel"] if c["role"] == row["role"] and c.get("of") == row.get("of")]
        if not any(c.get("cylinder", 1) == row.get("cylinder", 1) for c in same):
            made.tables["channel"].append(row)


def outputs(made: Draft, coil_style: str = "command") -> None:
    """One coil and one injector line a cylinder."""
    n = made.tables["engine"]["cylinders"]
    drop(made, "coil")
    drop(made, "injector")
    made.tables["channel"] += [{"role": "coil", "cylinder": k + 1, "style": coil_style} for k in range(n)]
    made.tables["channel"] += [{"role": "injector", "cylinder": k + 1} for k in range(n)]


def engine(rng: np.random.Generator, made: Draft, vee: float = 0.4) -> None:
    """Often a V engine, its cylinders numbered along the banks."""
    if rng.random() >= vee:
        return
    n = int(rng.choice([6, 6, 8]))
    half = n // 2
    made.tables["engine"] |= {
        "cylinders": n, "banks": {"1": list(range(1, half + 1)), "2": list(range(half + 1, n + 1))},
        "firing_order": [1, 4, 2, 5, 3, 6] if n == 6 else [1, 5, 4, 2, 6, 3, 7, 8],
        "trapped": [float(rng.normal(1.0, 0.015)) for _ in range(n)],
        "inertia_kg_m2": float(rng.uniform(0.2, 0.32)),
    }  # fmt: skip
    if made.record != "running":  # a larger engine has a larger starter and battery
        made.tables["cranking"] |= {
            "stall_torque_nm": 225.0 * n / 4.0, "stall_current_a": 850.0 * n / 4.0, "battery_resistance_ohm": 0.02 / n,
        }  # fmt: skip


def base(rng: np.random.Generator, records: tuple[str, ...], sensor: str = "", vee: float = 0.4) -> Draft:
    """A sound engine, in line or V, on a wheel that tells its place; 20 to 200 kHz."""
    made = draw.draft(rng, PLAIN_WHEELS, records, sensor)
    made.tables["sampling"]["rate_hz"] = min(made.tables["sampling"]["rate_hz"], 200e3)
    made.tables["sampling"]["bits"] = max(made.tables["sampling"]["bits"], 10)
    for row in made.tables["channel"]:
        row.pop("name", None)
    engine(rng, made, vee)
    return made


def lasts(made: Draft, seconds: float) -> None:
    """At least this long after the starter engages (or from the start of a running record)."""
    t = made.tables
    start = 0.0 if made.record == "running" else t["cranking"]["attempts"][-1]["start_s"]
    t["duration_s"] = max(t["duration_s"], start + seconds)
    if made.record == "attempts":
        t["cranking"]["attempts"][-1]["end_s"] = max(t["cranking"]["attempts"][-1]["end_s"], start + seconds)


def fault(made: Draft, **settings: Any) -> None:
    """Add a fault."""
    made.tables["fault"] = [*made.tables.get("fault", []), settings]


def sweep(rng: np.random.Generator, made: Draft, seconds: float = 4.0) -> None:
    """Up and down through the speeds: what grows with speed shows."""
    made.tables["running"]["targets"] = [[0.0, 750.0], [0.8, float(rng.uniform(2200.0, 3200.0))], [2.4, 900.0]]
    made.tables["duration_s"] = max(made.tables["duration_s"], seconds)


def ends(made: Draft) -> None:
    """The crank line's other end, and the supply and ground of a sensor that has them."""
    name = next(c.get("name") or "crank" for c in made.tables["channel"] if c["role"] == "crank")
    roles = ("second-tap", "sensor-supply", "sensor-ground") if made.hall else ("second-tap",)
    hook(made, *({"role": role, "of": name} for role in roles))
