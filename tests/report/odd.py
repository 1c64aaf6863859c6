"""Odd but possible analyses: no crank line, two bad teeth, an extra or displaced tooth, few vanes, many attempts."""

from dataclasses import replace
from functools import cache

import numpy as np

from witnessmark.causes.model import Cause, Verdict
from witnessmark.engine.model import Attempt, EngineResult, Phase, Timeline
from witnessmark.findings.model import Finding, Findings, NotAssessed
from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.setup import Setup
from witnessmark.report.model import Analysis
from witnessmark.report.where import whereabouts
from witnessmark.signals.model import Levels, Line, Signals
from witnessmark.spans import Evidence
from witnessmark.wheel.model import (
    Alternative,
    CrankAngle,
    Extras,
    Layout,
    Motion,
    Passes,
    Segment,
    Tooth,
    WheelResult,
)

from . import fixtures


@cache
def no_crank():
    """Only battery and injector were recorded."""
    base = fixtures.undecodable()
    wheel = replace(base.wheel, channel=None, why_not="")
    signals = replace(base.signals, lines=tuple(ln for ln in base.signals.lines if ln.role in ("battery", "injector")))
    unseen = NotAssessed("Is the crank signal good?", "no channel carries it", "the crank sensor's line")
    causes = (Cause("none-of-these", 0.6, "", ()), Cause("none-found", 0.4, "Nothing can be told.", ()))
    return replace(
        base, wheel=wheel, signals=signals, findings=Findings((), (unseen,)), verdict=Verdict(causes, (), ())
    )


@cache
def two_teeth():
    """Slots 23 and 41 both weak, and a hint at a third."""
    base = fixtures.weak_tooth()
    rows, kt, ka, segments, extra = fixtures.decode(
        lambda slot, speed, turn, rng: slot not in (23, 41) or speed > 420.0
    )
    crank_edges, wheel = fixtures.wheel_result(rows, kt, ka, segments, extra, {23: 0.3, 41: 0.35})
    found = []
    for number, slot in enumerate((23, 41), start=1):
        lost = np.flatnonzero((wheel.passes.edge < 0) & (wheel.passes.tooth == slot - 1))
        ranges = fixtures.stretches(wheel.passes, lost)
        found.append(
            Finding(f"F{number}", "tooth-weak", "crank", "wheel", f"Slot {slot} is weak.", 0.9, ranges, slot=slot)
        )
    found.append(replace(found[0], id="F3", slot=7, confidence=0.3, statement="Slot 7 may be weak."))
    causes = (
        Cause("trigger-wheel-tooth", 0.9, "Teeth.", ("F1", "F2"), 23, "sensor-wrong"),
        Cause("none-of-these", 0.1, "", ()),
    )
    lines = tuple(replace(ln, edges=crank_edges) if ln.role == "crank" else ln for ln in base.signals.lines)
    return replace(
        base, wheel=wheel, signals=replace(base.signals, lines=lines), findings=Findings(tuple(found), ()),
        verdict=Verdict(causes, base.verdict.next_tests, ()),
        whereabouts=whereabouts(wheel, base.engine, base.setup, (23, 41)),
    )  # fmt: skip


@cache
def displaced():
    """Slot 12's edge comes 1.5 degrees late; no edge is missing."""
    base = fixtures.healthy()
    late = tuple(replace(t, error_deg=1.5, error_sd_deg=0.06) if t.slot == 12 else t for t in base.wheel.teeth)
    passes = base.wheel.passes
    mine = np.flatnonzero(passes.tooth == 11)
    found = Finding("F1", "tooth-displaced", "crank", "wheel", "Slot 12's edge comes 1.50 deg late.", 0.95,
                    fixtures.stretches(passes, mine), slot=12, value=1.5, unit="deg")  # fmt: skip
    wheel = replace(base.wheel, teeth=late)
    causes = (Cause("trigger-wheel-tooth", 1.0, "Bent.", ("F1",), 12),)
    return replace(
        base, wheel=wheel, findings=Findings((found,), ()), verdict=Verdict(causes, (), ()),
        whereabouts=whereabouts(wheel, base.engine, None, (12,)),
    )  # fmt: skip


@cache
def extra():
    """An edge in the gap, slot 59, in every third turn."""
    base = fixtures.dropouts()
    wheel = base.wheel
    tooth = Tooth(59, False, 16, 47, None, None, None, None, None)
    ranges = tuple(
        Evidence(
            "crank",
            float(t - 0.01),
            float(t + 0.01),
            int((t - 0.01) * fixtures.RATE),
            int((t + 0.01) * fixtures.RATE),
            int(a // 360),
        )
        for t, a in zip(wheel.extras.time_s, wheel.extras.angle_deg, strict=True)
    )
    found = Finding("F1", "tooth-extra", "crank", "wheel", "An edge comes at slot 59.", 0.8, ranges, slot=59)
    wheel = replace(wheel, teeth=(*wheel.teeth, tooth))
    causes = (Cause("trigger-wheel-tooth", 0.9, "Metal in the gap.", ("F1",), 59), Cause("none-of-these", 0.1, "", ()))
    return replace(
        base, wheel=wheel, findings=Findings((found,), ()), verdict=Verdict(causes, (), ()),
        whereabouts=whereabouts(wheel, base.engine, base.setup, (59,)),
    )  # fmt: skip


class Wire:
    """One two-level line as a change list."""

    def __init__(self, times, levels, end):
        self.kept = Changes(times, levels, end)

    def changes(self, index):
        return self.kept

    def read(self, index, start, stop):
        raise AssertionError("a change list has no samples")


@cache
def vanes():
    """Four unequal vanes as a change list, turning from the first edge on; no name, no setup, no start attempt."""
    teeth = (0.0, 70.0, 180.0, 250.0)
    layout = Layout(
        "4 vanes 70/110", 4, (), teeth, (1, 2, 3, 4), regular=False, widths_deg=(20.0, 40.0, 20.0, 40.0), periods=2
    )
    angles = np.concatenate([np.array(teeth) + 360.0 * turn for turn in range(12)])
    times = 0.1 + angles / (6.0 * 110.0)
    fall = times + np.tile(np.array(layout.widths_deg), 12) / (6.0 * 110.0)
    changes = np.sort(np.concatenate([[0.0], times, fall]))
    levels = (np.arange(len(changes)) % 2).astype(np.uint8)
    end = float(changes[-1] + 0.2)
    info = ChannelInfo("1", 1, "changes", len(changes), None, 0.0)
    edges = fixtures.edges_of("1", changes[1:], levels[1:] == 1, 1.0)
    edges = replace(edges, sample=np.arange(1, len(changes)), fraction=np.zeros(len(changes) - 1, np.float32))
    line = Line(info, "1", "crank", "inferred", 0.8, "the only line", "hall", "inferred",
                Levels(0, 1, 0.5, 0, 0, 1, 0, True), edges)  # fmt: skip
    n = len(times)
    nan = np.full(n, np.nan)
    passes = Passes(np.tile(np.arange(4, dtype=np.int32), 12), np.repeat(np.arange(12, dtype=np.int32), 4), times,
                    np.arange(n) * 2, np.zeros(n), np.full(n, 110.0), nan, nan, nan,
                    np.ones(n, bool), np.zeros(n, np.uint8))  # fmt: skip
    none = np.zeros(0)
    wheel = WheelResult(
        "1", layout, "inferred", 0.7, (Alternative(replace(layout, name="8 vanes", slots=8), 0.3, "", (2, 4)),), True,
        CrankAngle(times, angles, (Segment(0, n, float(times[0]), float(times[-1]), float(angles[-1]) / 360.0),)),
        passes, Extras(none.astype(np.int64), none, none, none),
        tuple(Tooth(i + 1, True, 12, 12, 0.0, 0.1, 0.03, None, None) for i in range(4)), (Motion(0.1, end),),
        "slot 1 is the first decoded; the pattern repeats twice a turn", None, None, None, None, None, None,
        undecidable="The record cannot decide which of the two halves of the turn is which.",
    )  # fmt: skip
    engine = EngineResult(Phase(False, False, None, "", 0.0, "0 to 360 from slot 1"), (), (), (),
                          Timeline(*[None] * 6, 11.7, None, None, 110.0), None)  # fmt: skip
    return Analysis(
        Recording("C:\\captures\\wire 1.csv", (info,), Wire(changes, levels, end), end, format="csv"), Setup(), None,
        Signals((line,)), wheel, engine, Findings((), (), ("A bound.",)),
        Verdict((Cause("none-found", 1.0, "Nothing wrong was seen.", ()),), (), ()), (),
    )  # fmt: skip


@cache
def many_attempts():
    """Twelve short attempts in one record, a stated no-start without a fault of the crank signal."""
    base = fixtures.healthy()
    attempts = tuple(Attempt(0.5 + 0.7 * i, 1.0 + 0.7 * i, 2.0, False, None, None) for i in range(12))
    found = Finding(
        "F1", "no-start", "crank", "none", "No attempt started.", 0.9, (Evidence("crank", 0.5, 9.0, 10_000, 180_000),)
    )
    return replace(
        base, engine=replace(base.engine, attempts=attempts), findings=Findings((found,), ()),
        verdict=Verdict((Cause("fuel-supply", 0.4, "Fuel.", ("F1",)), Cause("none-of-these", 0.6, "", ())), (), ()),
    )  # fmt: skip


ALL = {
    "no crank": no_crank,
    "two teeth": two_teeth,
    "displaced": displaced,
    "extra": extra,
    "vanes": vanes,
    "many attempts": many_attempts,
}
