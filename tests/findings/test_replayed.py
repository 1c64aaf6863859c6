"""The replay beside the simulated control unit, a counter of its own that shares no code with it."""

from __future__ import annotations

from typing import Any

import pytest
from test_findings_end_to_end import found_in

from witnessmark.findings.replay_model import Replay, ReplayedAttempt, ReplayedRule
from witnessmark.recording.setup import Setup

SETUP = Setup.model_validate({
    "engine": {"cylinders": 4, "firing_order": (1, 3, 4, 2), "ignition": "coil-per-cylinder"},
    "crank_wheel": {"slots": 60, "missing": (59, 60)},
})  # fmt: skip
LINES = (
    {"role": "crank"},
    {"role": "cam"},
    *({"role": "coil", "cylinder": c} for c in (1, 2, 3, 4)),
    {"role": "battery"},
)
START: dict[str, Any] = {"duration_s": 4.0, "channel": LINES, "sensor": {"kind": "hall"}}


@pytest.mark.parametrize("seed", [1, 8])
def test_a_sound_start_is_as_quick_as_the_replay_says(seed: int) -> None:
    replay = found_in(SETUP, seed=seed, **START).replay
    assert replay is not None
    assert replay.suspects == ()
    assert replay.explains is None
    (attempt,) = replay.attempts
    known = [t for t in attempt.from_start_turns if t is not None]
    assert attempt.observed_turns is not None
    # the first spark comes within two events (a turn) of the place being known
    assert min(known) - 0.2 <= attempt.observed_turns <= max(known) + 1.0


@pytest.mark.parametrize("slot", [12, 35])
def test_a_tooth_gone_that_keeps_the_simulated_unit_out_keeps_most_rules_out(slot: int) -> None:
    found = found_in(SETUP, seed=1, fault=({"kind": "tooth-absent", "slots": (slot,)},), **START)
    replay = found.replay
    assert replay is not None
    assert replay.suspects == (slot,)
    assert replay.attempts[0].observed_turns is None  # the simulated unit never finds its place
    assert replay.explains is True
    assert 2 * replay.never_recorded > len(replay.rules)
    assert all(r.median_turns_restored is not None and r.median_turns_restored < 2.5 for r in replay.rules)
    assert "consistent with" in replay.sentence


def _rule(now: float | None, good: float | None) -> ReplayedRule:
    return ReplayedRule("x", "words", 50, now, 1.0 if now else 0.0, 0.0, good, 1.0)


def test_what_the_words_say() -> None:
    attempts = (ReplayedAttempt(1, 8.0, 6.0, (None,)),)
    both = Replay((7,), attempts, (_rule(None, 1.5), _rule(4.0, 1.4)))
    assert both.explains is True
    assert both.range_recorded == (4.0, None)
    assert both.range_restored == (1.4, 1.5)
    neither = Replay((7,), attempts, (_rule(1.6, 1.5), _rule(1.4, 1.4)))
    assert neither.explains is False
    assert "does not explain" in neither.sentence
    assert Replay((), attempts, (_rule(None, None),)).range_recorded == (None, None)
