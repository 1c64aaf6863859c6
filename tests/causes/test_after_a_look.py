"""What comes next when the look at the part has been done and did not show it."""

from __future__ import annotations

from dataclasses import replace

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.observations import observation
from witnessmark.causes.weigh import weigh
from witnessmark.findings.model import Findings

from .made import VR, finding

KNOWN = load_knowledge()
TOOTH = finding("tooth-weak", "wheel", 0.95, slot=23)


def test_a_look_that_showed_nothing_is_not_followed_by_looks_at_the_improbable() -> None:
    result = weigh(Findings((TOOTH,), ()), VR, observations=[observation("look-at-the-tooth", "whole", KNOWN)])
    advice = result.advice
    assert advice is not None
    assert result.causes[0].id == "trigger-wheel-tooth"
    assert not advice.direct
    assert not advice.actions
    assert "did not show it" in advice.stop
    first = result.next_tests[0]
    assert "No test that is left can show" in first.why
    best = max(result.next_tests, key=lambda t: t.gain_bits / (t.cost_min or 1.0))
    assert first.id == best.id == "confirm-on-a-second-record"
    assert "tells less for its cost" in advice.why_not


def test_the_expected_cost_does_not_jump_when_a_look_is_done() -> None:
    before = weigh(Findings((TOOTH,), ()), VR).advice
    after = weigh(Findings((TOOTH,), ()), VR, observations=[observation("look-at-the-tooth", "whole", KNOWN)]).advice
    assert before is not None
    assert after is not None
    assert abs(after.cost_now_min - before.cost_now_min) < 0.1 * before.cost_now_min


def test_an_engine_that_does_not_start_gets_no_test_that_needs_it_to_run() -> None:
    needing = {t.id for t in KNOWN.test if t.running}
    assert "cylinders-off-one-by-one" in needing
    found = Findings((finding("no-start"), finding("fuel-absent")), ())
    dead = weigh(found, replace(VR, roles=frozenset({"crank", "coil", "injector"}), runs=False))
    assert dead.next_tests
    assert not needing & {t.id for t in dead.next_tests}
    weak = Findings((finding("contribution-uneven", "cycle"),), ())
    assert needing & {t.id for t in weigh(weak, replace(VR, runs=True)).next_tests}
