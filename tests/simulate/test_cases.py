"""The accuracy cases: complete, reproducible, and true to what they say."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy import healthy, pairs, whole
from accuracy.cases import FEWER, HEALTHY, MAKERS, PER_KIND, RANGES, cases, of_kind, of_whole
from witnessmark.simulate.mechanics import cranking_rpm
from witnessmark.simulate.run import simulate


def test_enough_of_every_kind_from_plain_to_barely_visible() -> None:
    assert PER_KIND >= 12
    assert HEALTHY >= 150
    assert set(MAKERS) | set(whole.MAKERS) == set(RANGES)
    assert all(
        len(of_whole(kind, FEWER.get(kind, PER_KIND), numbers=(0,))) == 1 for kind in (*whole.MAKERS, pairs.KIND)
    )
    for kind in MAKERS:
        some = of_kind(kind, PER_KIND)
        assert [c.severity for c in some] == pytest.approx(list(np.linspace(0.0, 1.0, PER_KIND)))
        ends = sorted((RANGES[kind].plain, RANGES[kind].barely))
        assert all(ends[0] - 1e-9 <= c.value <= ends[1] + 1e-9 for c in some)


def test_the_quick_sample_is_part_of_the_whole() -> None:
    whole = {c.id: c for kind in ("tooth-weak", "signal-lost") for c in of_kind(kind, PER_KIND)}
    quick = {c.id: c for c in cases("quick")}
    assert len(quick) == len(cases("quick"))
    shared = set(whole) & set(quick)
    assert shared
    assert all(whole[i].scenario == quick[i].scenario for i in shared)


def test_healthy_engines_are_healthy() -> None:
    for case in of_kind("healthy", HEALTHY, numbers=range(0, HEALTHY, 10)):
        assert not case.scenario.fault
        if case.truth["record"] != "running" and case.scenario.engine.cranked_by == "starter":
            mean, lowest, highest = cranking_rpm(case.scenario)
            assert mean >= healthy.SLOWEST_HEALTHY_RPM
            assert highest / lowest <= healthy.WIDEST_RIPPLE


def test_truth_is_what_the_simulator_says() -> None:
    for case in cases("quick")[::3]:
        made = simulate(case.scenario)
        assert made.truth["cause"] == case.truth.get("cause", made.truth["causes"][0] if made.truth["causes"] else None)
        assert made.truth["slot"] == case.truth.get("slot", made.truth["slot"])
        assert made.truth["turns"] > 1.5
