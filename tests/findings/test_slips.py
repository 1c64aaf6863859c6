"""Pauses that are no loss: pulses too low for the recorder, gaps that the decoding missed, a decoding out of step."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.findings.made import Scene, kinds
from witnessmark.findings import stalls
from witnessmark.findings.layout import turn_guessed
from witnessmark.findings.measured import Measured
from witnessmark.signals.model import Levels
from witnessmark.wheel import layouts
from witnessmark.wheel.model import Alternative

IN_A_ROW = [(20, 7), (21, 7), (22, 7), (23, 7)]


def levels(noise: float, step: float) -> Levels:
    return Levels(-0.5, 0.5, 0.0, noise, -1.0, 1.0, 0.0, True, step)


@pytest.mark.parametrize(("residual", "lost"), [(0.0, True), (1.0, False)])
def test_pulses_that_are_there_and_too_low_to_be_read_are_no_lost_signal(residual: float, lost: bool) -> None:
    found = Scene(turns=20, missing=IN_A_ROW, residual=residual).found()
    assert ("signal-lost" in kinds(found, stated=False) + kinds(found)) is lost


@pytest.mark.parametrize(
    ("noise", "step", "rpm", "pitches", "faint"),
    [
        (0.0451, 0.15625, 100.0, 4, True),  # 0.25 V of half wave: two steps are armed, and one is lost in rounding
        (0.0451, 0.15625, 200.0, 4, False),  # 0.5 V
        (0.001, 0.0024, 100.0, 4, False),  # a finer recorder
        (0.0451, 0.15625, 100.0, 12, False),  # 72 degrees: no compression keeps the crank slow for so long
    ],
)
def test_a_pulse_is_faint_by_its_size_at_the_speed_there(
    noise: float, step: float, rpm: float, pitches: int, faint: bool
) -> None:
    """Size proportional to speed (Faraday): 0.5 V at 200 rpm is 0.25 V at 100 rpm."""
    m = Scene(turns=20, levels=levels(noise, step)).made()
    pace = 1.0 / rpm  # 6 degrees at 6 * rpm degrees a second
    assert stalls.faint(m, np.array([0.0, pitches * pace]), 0, pace) is faint


def with_tall_flanks(m: Measured, turn: int) -> tuple[Measured, float, float]:
    """The record with the half waves of one gap three times as high, and the gap's start and end in s."""
    p = m.wheel.passes
    last = int(np.flatnonzero((p.turn == turn) & (p.tooth == m.teeth - 1))[0])
    assert m.line is not None
    e = m.line.edges
    after, before = e.peak_after_v.copy(), e.peak_before_v.copy()
    after[p.edge[last]] *= 3.0
    before[p.edge[last + 1]] *= 3.0
    line = replace(m.line, edges=replace(e, peak_after_v=after, peak_before_v=before))
    return replace(m, signals=replace(m.signals, lines=(line,))), float(p.time_s[last]), float(p.time_s[last + 1])


def test_a_gap_shows_by_its_length_and_its_tall_flanks() -> None:
    plain = Scene(turns=20).made()
    m, start_s, end_s = with_tall_flanks(plain, 7)
    assert stalls.gap_shaped(m, start_s, end_s)
    assert not stalls.gap_shaped(plain, start_s, end_s)  # a line cut off and back has no flanks
    lost = Scene(turns=20, missing=IN_A_ROW).made()
    p = lost.wheel.passes
    a, b = (float(p.time_s[(p.tooth == tooth) & (p.turn == 7)][0]) for tooth in (19, 24))
    assert not stalls.gap_shaped(lost, a, b)


@pytest.mark.parametrize(
    ("before", "after", "slipped"), [(1500.0, 700.0, True), (3000.0, 2700.0, False), (225.0, 525.0, False)]
)
def test_a_crank_does_not_lose_half_its_speed_within_a_few_teeth(before: float, after: float, slipped: bool) -> None:
    """From 225 to 525 rpm is the most a first fire does (common practice: 100 to 300 rpm within one event)."""
    at = 7 * 360.0 + 21.5 * 6.0

    def when(angle: np.ndarray) -> np.ndarray:
        return np.asarray(np.minimum(angle, at) / (6.0 * before) + np.maximum(angle - at, 0.0) / (6.0 * after))

    m = Scene(turns=20, when=when, missing=IN_A_ROW).made()
    p = m.wheel.passes
    a, b = (float(p.time_s[(p.tooth == tooth) & (p.turn == 7)][0]) for tooth in (19, 24))
    assert stalls.out_of_step(m, a, b) is slipped


@pytest.mark.parametrize(("other", "share", "guess"), [(36, 0.3, True), (36, 0.05, False), (60, 0.3, False)])
def test_a_turn_is_a_guess_while_designs_of_another_count_are_open(other: int, share: float, guess: bool) -> None:
    rivals = (Alternative(layouts.even(other), share, ""),)
    m = Scene(turns=20, wheel_more={"belief": 0.6, "alternatives": rivals}).made()
    assert turn_guessed(m) is guess


@pytest.mark.parametrize(("ratio", "goes_on"), [(1.0, True), (1.3, True), (2.0, False)])
def test_a_line_whose_marks_come_on_and_on_is_not_silent(ratio: float, goes_on: bool) -> None:
    """Four teeth are missing by the decoding where three edges stand, each interval ``ratio`` times the one before."""
    m = Scene(turns=20, missing=IN_A_ROW).made()
    p = m.wheel.passes
    a, b = (float(p.time_s[(p.tooth == tooth) & (p.turn == 7)][0]) for tooth in (19, 24))
    steps = ratio ** np.array([0.0, 1.0, 0.0, -1.0]) if ratio > 1.0 else np.ones(4)
    inside = a + (b - a) * np.cumsum(steps)[:3] / steps.sum()
    assert m.line is not None
    assert not stalls.goes_on(m, a, b, 4.0)
    e = m.line.edges
    at = np.searchsorted(e.time_s, inside)
    rows = {name: np.insert(getattr(e, name), at, getattr(e, name)[0]) for name in ("rising", "label")}
    edges = replace(e, time_s=np.insert(e.time_s, at, inside), **rows)
    again = replace(m, signals=replace(m.signals, lines=(replace(m.line, edges=edges),)))
    assert stalls.goes_on(again, a, b, 4.0) is goes_on


@pytest.mark.parametrize(("source", "hint"), [("family", True), ("catalogue", False), ("setup", False)])
def test_two_rare_faults_at_once_on_a_wheel_in_no_list_are_rather_another_wheel(source: str, hint: bool) -> None:
    layout = replace(layouts.single_gap(14, 1), source=source)  # type: ignore[arg-type]
    missing = [(6, turn) for turn in range(31)]
    stray = [(360.0 * turn + 9.4 * 360.0 / 14.0, 1.2) for turn in range(31)]
    scene = Scene(layout=layout, missing=missing, stray=stray)
    places = {"tooth-absent", "tooth-extra"}
    assert places & set(kinds(scene.found())) == (set() if hint else places)
    alone = Scene(layout=layout, missing=missing)
    assert "tooth-absent" in kinds(alone.found())


@pytest.mark.parametrize(("beside", "counted"), [(1.0, True), (0.8, True), (0.6, False)])
def test_pulses_too_small_for_the_decoded_speed_deny_the_edge_missed_beside_them(beside: float, counted: bool) -> None:
    """At the slowest point the gap was taken for an edge lost: half the speed makes half the pulse (Faraday)."""
    m = Scene(turns=20, missing=[(20, 7)]).made()
    p = m.wheel.passes
    near = (p.turn == 7) & np.isin(p.tooth, (18, 19, 21, 22))
    passes = replace(p, amplitude_v=np.where(near, beside * p.amplitude_v, p.amplitude_v))
    assert replace(m, wheel=replace(m.wheel, passes=passes)).believed_missing.any() == counted
