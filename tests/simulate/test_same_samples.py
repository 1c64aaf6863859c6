"""What the simulator learns to do new leaves old scenarios as they were: an accuracy table rests on them."""

from __future__ import annotations

from pathlib import Path

import pytest

from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import load_scenario, parse_scenario

ROOT = Path(__file__).parents[2]
EVERY = [
    {"role": "crank"}, {"role": "cam"}, {"role": "coil", "style": "current"}, {"role": "injector"},
    {"role": "battery"}, {"role": "starter-current"},
]  # fmt: skip
SIX = {
    "seed": 3, "duration_s": 2.5, "sensor": {"kind": "hall", "startup_error_deg": 1.0}, "engine": {"cylinders": 6},
    "wheel": {"layout": "36-1"}, "channel": EVERY,
}  # fmt: skip
VANES = {
    "seed": 9, "duration_s": 1.5, "running": {"initial": "running", "targets": [[0.0, 800.0], [0.5, 2000.0]]},
    "wheel": {"layout": "4 vane"}, "sensor": {"kind": "hall"},
    "fault": [{"kind": "edges-spurious", "follows": "coil", "share": 0.5}],
}  # fmt: skip


@pytest.mark.parametrize(
    ("tables", "turns", "counts", "means"),
    [
        ("examples/bakery-van.toml", 70.601, (3998, 182, 0), {"cam sensor": 401.77, "coil 1": 25.92}),
        (SIX, 16.745, (1069, 81, 0), {"crank": 538.11, "cam": 339.81, "starter current": 310.83}),
        (VANES, 5.793, (38, 19, 4), {"crank": 288.07, "injector 1": 269.76}),
    ],
)
def test_old_scenarios_are_as_they_were(tables, turns, counts, means):
    """Figures taken before engines of other kinds, several cams and faulty probes came in."""
    made = simulate(load_scenario(ROOT / tables) if isinstance(tables, str) else parse_scenario(tables))
    run = made.run
    assert run.theta_deg[-1] / 360.0 == pytest.approx(turns, abs=2e-3)
    assert (int(run.passes[:, 4].sum()), len(run.outputs), len(run.spurious_s)) == counts
    for name, mean in means.items():
        assert float(made.channels[name].mean()) == pytest.approx(mean, abs=0.02)
