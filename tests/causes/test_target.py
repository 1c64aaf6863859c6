"""Where a cause is said to be: only on a line that can be its place."""

from __future__ import annotations

from dataclasses import replace

import pytest

from witnessmark.causes.weigh import Context

from .made import finding, verdict


@pytest.mark.parametrize("crank_channel", [None, ""])
def test_without_a_crank_line_its_causes_have_no_target(crank_channel) -> None:
    """What only follows from the fault was noticed on a line where the fault is not."""
    blind_ = Context(crank_judged=False, crank_channel=crank_channel, roles=frozenset({"battery", "coil"}), runs=False)
    found = (finding("spark-absent", channel="coil 1"), finding("no-start", channel="battery"))
    causes = {c.id: c for c in verdict(*found, context=blind_).causes}
    for cause in ("crank-circuit", "crank-sensor", "sensor-air-gap", "sensor-wrong", "electrical-interference",
                  "trigger-wheel-runout", "trigger-wheel-tooth", "cranking-system", "fuel-supply"):  # fmt: skip
        assert causes[cause].target is None, cause
    assert causes["crank-circuit"].because
    assert causes["ignition-output"].target == "coil 1"  # the place of a fault of that output
    with_line = replace(blind_, crank_channel="crank", roles=frozenset({"battery", "coil", "crank"}))
    late = (finding("late-sync", channel="crank"), finding("spark-absent", channel="coil 1"))
    causes = {c.id: c for c in verdict(*late, context=with_line).causes}
    assert causes["crank-circuit"].target == "crank"
