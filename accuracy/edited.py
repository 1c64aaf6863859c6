"""Faults edited into open recordings of real engines, and the same recordings as they are.

The recordings are no part of the project: they are found by the environment variable WITNESSMARK_OPEN_DATA or in
../shared/open-data beside the project, read through the project's own reader, and edited in memory.
"""

from __future__ import annotations

import os
import zlib
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from accuracy import editor
from accuracy.editor import Floats, Ints, Reluctance, Superposition, Teeth
from accuracy.memory import Arrays
from accuracy.score import Score, judge
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import ChannelSetup, CrankWheel, Setup
from witnessmark.report.model import Analysis

SEED = 2026
FOLDER = Path(os.environ.get("WITNESSMARK_OPEN_DATA", Path(__file__).parents[2] / "shared" / "open-data"))
REMOVED, MOVED, WEAKENED = "real: tooth removed", "real: tooth moved", "real: tooth weakened"
NOISE, UNEDITED = "real: noise added", "real: unedited"
HEALTHY_KINDS = (NOISE, UNEDITED)
TRUTH_KIND = {REMOVED: "tooth-absent", MOVED: "tooth-displaced", WEAKENED: "tooth-weak"}

# plain and barely visible, with the unit, for the table
SPANS: dict[str, tuple[float, float, str]] = {
    REMOVED: (15.0, 3.0, "turns kept, or all there are"),
    MOVED: (0.40, 0.10, "pitch"),
    WEAKENED: (0.08, 0.6, "of a sound pulse left; two-level: passes seen"),
    NOISE: (0.02, 0.06, "of a half wave; two-level: a third of it in pitches"),
    UNEDITED: (0.0, 0.0, "as recorded"),
}


@dataclass(frozen=True)
class Real:
    """A recording whose teeth can be counted by plain interval ratios: ``run`` teeth, then ``gap`` pitches.

    until_s: where counting ends (the input clips and the rate is too low after it); since_s: where it begins (the
    input switches on both flanks before). active: level of a pulse. like: the record that shows what one pulse of this
    kind of sensor looks like.
    """

    file: str
    run: int
    gap: int
    fitted: dict[str, Any]
    setup: CrankWheel
    until_s: float | None = None
    since_s: float | None = None
    active: int = 1
    turn_teeth: int | None = None
    like: str = ""
    known: tuple[str, ...] = ()  # findings that are true of the recording as it is
    numbered: bool = True  # the first tooth after the only gap is slot 1: the slot is known by counting


def _wheel(slots: int, missing: tuple[int, ...]) -> dict[str, Any]:
    return {"fitted": {"slots": slots, "missing": list(missing)}, "setup": CrankWheel(slots=slots, missing=missing)}


_VANES = (0.0, 70.0, 180.0, 250.0)
REALS: dict[str, Real] = {
    "vr slow": Real("vr-60-2-slow.csv", 58, 3, **_wheel(60, (59, 60))),
    "vr accelerating": Real(
        "vr-60-2-accelerating-clipped.csv", 58, 3, **_wheel(60, (59, 60)), until_s=1.15, like="vr slow",
        known=("record-clipped",),
    ),
    "36-2": Real("logic-36-2-noisy.csv", 34, 3, **_wheel(36, (35, 36))),
    "36-2-2-2": Real(
        "logic-36-2-2-2-two-cams-cranking.csv", 10, 3, **_wheel(36, (11, 12, 23, 24, 35, 36)),
        turn_teeth=30, numbered=False,
    ),
    "24 coded": Real("logic-24-width-coded-cranking.csv", 24, 1, **_wheel(24, ()), numbered=False),
    "four teeth": Real(
        "logic-four-tooth-crank-cam-cranking.csv", 4, 1,
        {"slots": 4, "missing": [], "teeth_deg": list(_VANES)}, CrankWheel(teeth_deg=_VANES), active=0, since_s=6.77,
        numbered=False,
    ),
}  # fmt: skip

# recording, place of the tooth in the run (0: the first after the gap), with setup; severity rises down the list
REMOVED_IN = (
    ("36-2-2-2", 4, False), ("vr slow", 30, False), ("36-2", 7, False), ("24 coded", 9, False),
    ("vr accelerating", 44, False), ("36-2", 33, False), ("vr slow", 57, False), ("36-2-2-2", 25, True),
    ("vr accelerating", 12, True), ("36-2", 20, True), ("four teeth", 2, False), ("vr slow", 11, True),
)  # fmt: skip
MOVED_IN = (
    ("vr slow", 14, False), ("36-2", 9, True), ("36-2-2-2", 15, False), ("vr accelerating", 20, False),
    ("36-2", 26, False), ("vr slow", 41, True), ("36-2-2-2", 6, True), ("vr accelerating", 50, True),
    ("vr slow", 27, False), ("36-2", 17, False), ("36-2-2-2", 24, False), ("vr slow", 5, True),
)  # fmt: skip
WEAKENED_IN = (
    ("vr slow", 22, False), ("36-2", 12, False), ("36-2-2-2", 17, True), ("vr accelerating", 35, False),
    ("36-2", 29, True), ("vr slow", 46, True), ("36-2-2-2", 4, False), ("vr accelerating", 15, True),
    ("vr slow", 9, False), ("36-2", 5, False), ("36-2", 23, True), ("vr slow", 33, False),
)  # fmt: skip
QUICK = {REMOVED: (11,), MOVED: (10,), WEAKENED: (9,), UNEDITED: (0,)}


@dataclass(frozen=True)
class EditedCase:
    """One recording with one edit (or none). place: of the tooth edited, by counting from the gap."""

    id: str
    kind: str
    severity: float
    value: float
    real: str
    place: int | None
    with_setup: bool
    undecidable: bool = False
    slot_modulo: int | None = None


@dataclass(frozen=True)
class Edit:
    """The edited recording, and when the edited tooth was due (s)."""

    recording: Recording
    due_s: Floats


def why_absent() -> str:
    """Why the open recordings cannot be used, "" when they can."""
    missing = [real.file for real in REALS.values() if not (FOLDER / real.file).is_file()]
    if not missing:
        return ""
    return f"open recordings absent ({', '.join(missing[:2])}...): set WITNESSMARK_OPEN_DATA to their folder"


def edited_cases(which: Literal["all", "quick"] = "all") -> list[EditedCase]:
    """Every edit from barely visible to plain in even steps, and the unedited ones; none without the recordings."""
    if why_absent():
        return []
    out: list[EditedCase] = []
    for kind, rows in ((REMOVED, REMOVED_IN), (MOVED, MOVED_IN), (WEAKENED, WEAKENED_IN)):
        for number, (real, place, told) in enumerate(rows):
            severity = number / (len(rows) - 1)
            out.append(_case(kind, number, severity, real, place, told))
    for number, (real, told) in enumerate((r, t) for t in (False, True) for r in REALS):
        out.append(_case(UNEDITED, number, 0.0, real, None, told))
        out.append(_case(NOISE, number, number / (2 * len(REALS) - 1), real, None, told))
    if which == "quick":
        return [c for c in out if int(c.id.rsplit("-", 1)[1]) in QUICK.get(c.kind, ())]
    return out


def _case(kind: str, number: int, severity: float, real: str, place: int | None, told: bool) -> EditedCase:
    plain, barely, _ = SPANS[kind]
    known = REALS[real]
    ends = place is not None and known.gap > 1 and place % known.run in (0, known.run - 1)
    # beside the gap the crank line alone cannot say which side lost the tooth; without a gap a loss makes another wheel
    unclear = kind == REMOVED and (ends or (known.gap == 1 and not told))
    value = barely + severity * (plain - barely)
    name = f"{kind.replace(': tooth ', '-').replace(': ', '-')}-{number:02d}"
    return EditedCase(name.replace(" ", "-"), kind, severity, value, real, place, told, unclear)


def _opened(real: Real) -> Recording:
    return open_recording(FOLDER / real.file)


def _countable(real: Real) -> Recording:
    """The recording from where its teeth can be counted."""
    recording = _opened(real)
    if real.since_s is None:
        return recording
    held: list[NDArray[Any] | Changes] = []
    for info in recording.channels:
        was = recording.changes(info.name)
        first = int(np.searchsorted(was.time_s, real.since_s, side="right")) - 1
        time_s = was.time_s[first:].copy()
        time_s[0] = real.since_s
        held.append(Changes(time_s, was.level[first:], was.end_s))
    infos = tuple(
        replace(i, samples=len(c.time_s), start_s=real.since_s)
        for i, c in zip(recording.channels, held, strict=True)
        if isinstance(c, Changes)
    )
    return replace(recording, channels=infos, source=Arrays(held))


def setup_of(case: EditedCase) -> Setup:
    """With setup: the crank channel named and its wheel described; else nothing."""
    if not case.with_setup:
        return Setup()
    return Setup(channel=(ChannelSetup(name="1", role="crank"),), crank_wheel=REALS[case.real].setup)


def cause_of(case: EditedCase) -> str:
    """The cause that the edit stands for."""
    return "none-found" if case.kind in HEALTHY_KINDS else "trigger-wheel-tooth"


def run(case: EditedCase) -> Score:
    """Edit, analyse and judge."""
    made = edit(case)
    return judge_edited(case, made, analyze_recording(made.recording, setup_of(case)))


def judge_edited(case: EditedCase, made: Edit, analysis: Analysis) -> Score:
    """Compare an analysis with what was edited."""
    kind = TRUTH_KIND.get(case.kind)
    slots = [] if case.place is None else [_slot(case, made, analysis)]
    truth = {
        "cause": cause_of(case),
        "kind": kind,
        "slots": slots,
        "fitted": REALS[case.real].fitted,
    }
    score = judge(case, truth, analysis)
    known = REALS[case.real].known
    stated = [s for s in score.stated if s.split()[0] not in known]
    return replace(score, stated=stated, where=f"{case.real}, slot {slots[0]}" if slots else case.real)


def _slot(case: EditedCase, made: Edit, analysis: Analysis) -> int:
    """The slot edited: counted from the gap, or where numbering has no single gap the one due at the edited times."""
    assert case.place is not None
    if REALS[case.real].numbered:
        return case.place + 1
    passes, layout = analysis.wheel.passes, analysis.wheel.layout
    if layout is None or not passes.time_s.size:
        return 0
    order = np.argsort(passes.time_s)
    times = passes.time_s[order]
    near = np.clip(np.searchsorted(times, made.due_s), 1, times.size - 1)
    near -= made.due_s - times[near - 1] < times[near] - made.due_s
    slots = np.array(layout.tooth_slots)[passes.tooth[order][near]]
    names, counts = np.unique(slots, return_counts=True)
    return int(names[counts.argmax()]) if counts.max() > 0.6 * counts.sum() else 0


def edit(case: EditedCase) -> Edit:
    """The recording with the case's edit in memory; the file is only read."""
    rng = np.random.default_rng([SEED, zlib.crc32(case.id.encode())])
    real = REALS[case.real]
    if case.kind == UNEDITED:
        return Edit(_opened(real), np.zeros(0))
    recording = _countable(real)
    if recording.channels[0].kind == "changes":
        return _edit_changes(case, real, recording, rng)
    return _edit_samples(case, recording, rng)


def chosen(teeth: Teeth, case: EditedCase) -> Ints:
    """Passages of the case's tooth: one in each turn."""
    assert case.place is not None
    real = REALS[case.real]
    turn = real.turn_teeth or real.run
    count = np.arange(teeth.time_s.size) - int(np.flatnonzero(teeth.place == 0)[0])
    return np.flatnonzero(count % turn == case.place)


def _end_after(case: EditedCase, teeth: Teeth) -> float:
    """When the case's number of turns is over (s), a little into the next pitch."""
    real = REALS[case.real]
    count = round(case.value * (real.turn_teeth or real.run))
    if count >= teeth.time_s.size:
        return float("inf")
    return float(teeth.time_s[count] + 0.3 * teeth.pitch_s[count])


def _edit_changes(case: EditedCase, real: Real, recording: Recording, rng: np.random.Generator) -> Edit:
    was = recording.changes(recording.channels[0].name)
    time_s, level, end_s = was.time_s, was.level, was.end_s
    due = np.zeros(0)
    if case.kind == NOISE:
        time_s = editor.shaken(time_s, case.value / 3.0, rng)
    else:
        rows = editor.pulses(time_s, level, real.active)
        teeth = editor.count_teeth(time_s[rows[:, 1 - int(real.active == 0)]], real.run, real.gap)
        picked = chosen(teeth, case)
        due = teeth.time_s[picked]
        if case.kind == MOVED:
            time_s = editor.moved(time_s, rows[picked], _way(case) * case.value * teeth.pitch_s[picked])
        elif case.kind == WEAKENED:
            missed = np.sort(rng.permutation(picked.size)[: max(1, round((1.0 - case.value) * picked.size))])
            time_s, level = editor.without(time_s, level, rows[picked[missed]])
            due = due[missed]
        else:
            time_s, level = editor.without(time_s, level, rows[picked])
            end_s = min(end_s, _end_after(case, teeth))
            keep = time_s < end_s
            time_s, level, due = time_s[keep], level[keep], due[due < end_s]
    return Edit(_with_crank(recording, Changes(time_s, level, end_s), end_s), due)


@lru_cache(maxsize=2)
def waves(name: str) -> tuple[Reluctance, Superposition]:
    """A reluctance recording, counted and taken apart into pulses."""
    real = REALS[name]
    recording = _countable(real)
    info = recording.channels[0]
    rate = float(info.rate_hz or 0.0)
    count = info.samples if real.until_s is None else int(real.until_s * rate)
    line = editor.reluctance(recording.values(info.name, 0, count), rate, real.run, real.gap)
    like = waves(real.like)[1] if real.like else None
    return line, editor.superpose(line, 360.0 / real.fitted["slots"], real.gap, like)


def _edit_samples(case: EditedCase, recording: Recording, rng: np.random.Generator) -> Edit:
    line, model = waves(case.real)
    if case.kind == NOISE:
        ends = (line.value == line.value.min()) | (line.value == line.value.max())  # what was cut off stays cut off
        shaken = line.value + np.where(ends, 0.0, rng.normal(0.0, case.value * line.half, line.value.size))
        return Edit(_with_crank(recording, editor.as_recorded(shaken, line.value)), np.zeros(0))
    picked = chosen(line.teeth, case)
    pitch = 360.0 / REALS[case.real].fitted["slots"]

    def change(passage: int) -> Floats:
        if case.kind == MOVED:
            return model.of(passage, _way(case) * case.value * pitch) - model.of(passage)
        left = case.value if case.kind == WEAKENED else 0.0
        return (left - 1.0) * model.of(passage)

    value = editor.reshape(line.value, picked, change)
    if case.kind == REMOVED:
        value = value[: int(min(_end_after(case, line.teeth), 1e6) * line.rate_hz)]
    due = line.teeth.time_s[picked]
    return Edit(_with_crank(recording, value), due[due < value.size / line.rate_hz])


def _way(case: EditedCase) -> float:
    """Early and late by turns."""
    return 1.0 if int(case.id[-2:]) % 2 else -1.0


def _with_crank(recording: Recording, crank: Floats | Changes, end_s: float | None = None) -> Recording:
    """The recording with its first channel exchanged, cut where the new one ends."""
    infos: list[ChannelInfo] = []
    held: list[NDArray[Any] | Changes] = []
    for place, info in enumerate(recording.channels):
        if info.kind == "changes":
            now = crank if place == 0 else recording.changes(info.name)
            assert isinstance(now, Changes)
            stop = recording.end_s if end_s is None else end_s
            keep = now.time_s < stop
            now = Changes(now.time_s[keep], now.level[keep], stop)
            infos.append(replace(info, samples=now.time_s.size))
            held.append(now)
            continue
        assert place == 0
        assert not isinstance(crank, Changes)
        assert info.rate_hz is not None
        infos.append(replace(info, samples=crank.size, gain=1.0, offset=0.0))
        held.append(crank)
        end_s = info.start_s + crank.size / info.rate_hz
    return replace(
        recording, channels=tuple(infos), source=Arrays(held), end_s=recording.end_s if end_s is None else end_s
    )
