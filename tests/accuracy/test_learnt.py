"""A learnt setup is worth what the page says: on kinds that no table holds, it halves what is wrong without one."""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.learnt import SEED, kind_of, measure, specimen, with_fault
from witnessmark.simulate.scenario import parse_scenario


def test_engines_of_a_kind_share_the_design_and_nothing_else():
    rng = np.random.default_rng(1)
    kind = kind_of(rng)
    a, b = specimen(rng, kind), specimen(rng, kind)
    for table in ("wheel", "cam"):
        shared = {k: v for k, v in kind[table].items() if k not in ("pitch_error_deg", "runout_deg")}
        for engine in (a, b):
            assert {k: v for k, v in engine[table].items() if k in shared} == shared
    assert a["seed"] != b["seed"]  # the seed draws the teeth's errors
    assert a["engine"]["trapped"] != b["engine"]["trapped"]
    assert with_fault(rng, a, "tooth-displaced") != 0.0
    parse_scenario(a)
    assert "fault" not in b
    assert "fault" not in kind


@pytest.mark.slow
def test_it_halves_what_is_wrong_without_one():
    """Simulated; a seed that the page's figures do not rest on."""
    tallies, _, faulty, sound = measure(3, SEED + 1)
    untold, learnt = tallies["nothing told"], tallies["learnt"]
    assert (faulty, sound) == (18, 6)
    assert learnt.alarms == 0
    assert 2 * learnt.causes_wrong <= untold.causes_wrong
    assert 2 * learnt.slots_wrong <= max(untold.slots_wrong, 1)
    assert learnt.cams_unmeasured == 0
    assert np.mean(learnt.cam_error_deg) < 0.5 * np.mean(untold.cam_error_deg)
