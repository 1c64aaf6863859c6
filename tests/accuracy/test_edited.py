"""The editor of real recordings does what it says: on made lines always, on the open recordings where they are."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy import edited, editor, table
from accuracy.score import Score

RATE_HZ = 10e3
PITCH_S = 0.006
absent = edited.why_absent()
needs_recordings = pytest.mark.skipif(bool(absent), reason=absent or "open recordings there")


def made_teeth(turns: int = 6, run: int = 58, pitch_s: float = PITCH_S) -> np.ndarray:
    """Times of a 60-2 wheel turning steadily, from its tooth 3 on."""
    slots = np.arange(run)
    times = (np.arange(turns)[:, None] * (run + 2) + slots[None, :]).ravel() * pitch_s + 0.02
    return times[2:]


def made_line(times: np.ndarray, left: dict[int, float] | None = None) -> np.ndarray:
    """A line of single-tooth pulses, falling through its middle at each tooth; ``left``: share of pulse by passage."""
    t = np.arange(int((times[-1] + 0.02) * RATE_HZ)) / RATE_HZ
    out = np.zeros(t.size)
    for i, at in enumerate(times):
        x = (t - at) / (0.35 * PITCH_S)
        out += (left or {}).get(i, 1.0) * -x * np.exp(-(x**2) / 2)
    return np.round(out / 0.01) * 0.01


def test_teeth_are_counted_by_interval_ratios() -> None:
    teeth = editor.count_teeth(made_teeth(), 58, 3)
    assert teeth.place[0] == 2
    assert np.bincount(teeth.place, minlength=58).tolist() == [5, 5, *[6] * 56]
    assert teeth.pitch_s == pytest.approx(PITCH_S)


def test_teeth_that_do_not_count_are_refused() -> None:
    torn = np.delete(made_teeth(), [100, 160, 161, 250])
    with pytest.raises(ValueError, match="gaps are where counting"):
        editor.count_teeth(torn, 58, 3)


def test_a_pulse_taken_from_a_line_leaves_what_was_never_there() -> None:
    times = made_teeth()
    whole = made_line(times)
    line = editor.reluctance(whole, RATE_HZ, 58, 3)
    assert line.teeth.time_s == pytest.approx(times, abs=0.03 * PITCH_S)
    model = editor.superpose(line, 6.0, 3)
    picked = np.flatnonzero(line.teeth.place == 30)
    taken = editor.reshape(whole, picked, lambda i: -model.of(i))
    never = made_line(times, {int(i): 0.0 for i in picked})
    half = editor.reshape(whole, picked, lambda i: -0.5 * model.of(i))
    weaker = made_line(times, {int(i): 0.5 for i in picked})
    for got, want in ((taken, never), (half, weaker)):
        assert np.abs(got - want).max() < 0.1  # of a half wave of 0.6
        assert np.isin(got, whole).all()  # on the recorder's own steps
    far = np.ones(whole.size, dtype=bool)
    for at in times[picked]:
        far[int((at - 3 * PITCH_S) * RATE_HZ) : int((at + 3 * PITCH_S) * RATE_HZ)] = False
    assert (taken[far] == whole[far]).all()


def test_a_pulse_moved_on_a_line_crosses_where_it_was_put() -> None:
    times = made_teeth()
    whole = made_line(times)
    line = editor.reluctance(whole, RATE_HZ, 58, 3)
    model = editor.superpose(line, 6.0, 3)
    picked = np.flatnonzero(line.teeth.place == 30)
    late = editor.reshape(whole, picked, lambda i: model.of(i, 0.6) - model.of(i))
    now = editor.falls(late, line.middle, editor.ARM_SHARE * line.half) / RATE_HZ
    assert now.size == times.size
    moved = now - times
    assert moved[picked] == pytest.approx(0.1 * PITCH_S, abs=0.05 * PITCH_S)
    assert np.abs(np.delete(moved, picked)).max() < 0.1 * PITCH_S  # neighbours are drawn a little: their flux overlaps


def test_pulses_of_a_change_list_go_move_and_stay() -> None:
    times = made_teeth(2)
    time_s = np.concatenate(([0.0], np.column_stack([times, times + 0.4 * PITCH_S]).ravel()))
    level = np.concatenate(([0], np.tile([1, 0], times.size))).astype(np.uint8)
    rows = editor.pulses(time_s, level, 1)
    assert time_s[rows[:, 0]] == pytest.approx(times)
    left, levels = editor.without(time_s, level, rows[[5, 20]])
    assert left.size == time_s.size - 4
    assert (np.diff(levels.astype(int)) != 0).all()  # the line stays inactive: no two changes to one level
    later = editor.moved(time_s, rows[[5]], np.array([0.2 * PITCH_S]))
    assert np.flatnonzero(later != time_s).tolist() == rows[5].tolist()
    with pytest.raises(ValueError, match="neighbour"):
        editor.moved(time_s, rows[[5]], np.array([0.9 * PITCH_S]))
    shaken = editor.shaken(time_s, 0.02, np.random.default_rng(1))
    assert (np.diff(shaken) > 0).all()
    assert 0.005 < np.std(shaken - time_s) / PITCH_S < 0.04


def test_real_healthy_rows_count_as_false_alarms() -> None:
    """A finding stated on a real recording in order is an alarm like one on a simulated engine."""
    row = Score("r", edited.UNEDITED, 0.0, 0.0, "none-found", "none-found", 0.9, True, True, "60-2", None, [])
    accused = Score(**(row.__dict__ | {"stated": ["tooth-absent 4 0.9"]}))
    assert table.alarms([row]) == []
    assert table.alarms([accused]) == [accused]
    assert not table.reached([accused], table.GOALS)


def test_absent_recordings_are_said_and_give_no_cases(monkeypatch, tmp_path) -> None:
    monkeypatch.setattr(edited, "FOLDER", tmp_path)
    assert "WITNESSMARK_OPEN_DATA" in edited.why_absent()
    assert edited.edited_cases() == []


@needs_recordings
def test_every_edit_is_made_at_one_place_a_turn_and_twice_the_same() -> None:
    for case in edited.edited_cases():
        made, again = edited.edit(case), edited.edit(case)
        assert made.due_s.tolist() == again.due_s.tolist()
        if case.place is None:
            assert made.due_s.size == 0
            continue
        assert made.due_s.size >= 2
        assert np.all(np.diff(made.due_s) > 0)


@needs_recordings
def test_a_tooth_removed_leaves_a_gap_like_the_designs_own() -> None:
    """On the slow record: no crossing where the tooth was due, and a swing as a gap has it, on the recorder's steps."""
    case = next(c for c in edited.edited_cases() if c.real == "vr slow" and c.kind == edited.REMOVED and c.place == 30)
    was, _ = edited.waves("vr slow")
    info = (made := edited.edit(case)).recording.channels[0]
    now = made.recording.values(info.name, 0, info.samples)
    assert np.isin(now, np.unique(was.value)).all()
    crossings = editor.falls(now, was.middle, editor.ARM_SHARE * was.half) / was.rate_hz
    pitch = float(np.median(was.teeth.pitch_s))
    assert all(np.abs(crossings - due).min() > 0.6 * pitch for due in made.due_s)
    ratio = np.diff(crossings) / editor.local_pitch(np.diff(crossings))
    turns = made.due_s.size
    assert np.sum((ratio > 1.7) & (ratio < 2.6)) == turns  # two pitches, drawn a little
    assert np.sum(ratio > 2.8) in (turns, turns + 1)  # the gap by design, as it was


@needs_recordings
def test_unedited_recordings_are_read_as_they_are() -> None:
    case = next(c for c in edited.edited_cases() if c.kind == edited.UNEDITED and c.real == "36-2-2-2")
    made = edited.edit(case).recording
    assert [c.name for c in made.channels] == ["crank", "cam", "Channel 2"]
    assert made.format == "text table"
    assert made.changes("crank").time_s.size == 582


@needs_recordings
@pytest.mark.parametrize(
    ("real", "kind", "place"),
    [
        ("vr accelerating", edited.REMOVED, 12),  # the record clips where the tooth is gone, and in every gap
        ("vr slow", edited.MOVED, 41),  # its pulse runs into the next one's: one edge is left of two
        ("vr slow", edited.REMOVED, 30),  # 0.04 V steps: slopes of one or two steps a sample tell no polarity
    ],
)
def test_the_edited_tooth_is_named_and_nothing_else(real: str, kind: str, place: int) -> None:
    case = next(c for c in edited.edited_cases() if (c.real, c.kind, c.place) == (real, kind, place))
    score = edited.run(case)
    assert score.first == "trigger-wheel-tooth"
    assert score.slots == [place + 1]
    assert score.stated == [s for s in score.stated if s.startswith("tooth-")]
