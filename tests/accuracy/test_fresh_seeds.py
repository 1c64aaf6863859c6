"""Healthy engines drawn with other seeds than the accuracy table's: nothing may be stated against them."""

from __future__ import annotations

import pytest

from accuracy.cases import of_kind
from accuracy.score import run


@pytest.mark.slow
@pytest.mark.parametrize("seed", [77, 78, 79, 80, 501, 502])
def test_no_healthy_engine_of_another_seed_is_accused(seed: int) -> None:
    # an engine that did not start within the record is said not to have started: that is so, and accuses nothing
    stated = {case.id: run(case).stated for case in of_kind("healthy", 40, seed=seed)}
    accused = {name: found for name, found in stated.items() if any(not f.startswith("no-start") for f in found)}
    assert not accused
