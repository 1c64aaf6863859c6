"""Start attempts and the timeline: motion, first fuel, first spark, synchronisation, first firing, running."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.facts import Facts
from witnessmark.engine.model import Attempt, Phase, Timeline
from witnessmark.engine.outputs import Commands
from witnessmark.engine.rotation import GRID_S, Rotation, Speed, speed_over, starter_stretches
from witnessmark.engine.starting import StartingSystem, measure
from witnessmark.engine.sync import first_sync
from witnessmark.engine.unroll import Unrolled
from witnessmark.recording.model import Recording
from witnessmark.signals.model import Signals
from witnessmark.wheel.model import Layout

Array = NDArray[np.float64]

RUNNING_RPM = 450.0
RUNNING_HELD_S = 0.4
# The starter brings the crank to speed within about 0.3 s (common practice: one to two compressions).
SPIN_UP_S = 0.3
# First fire lifts the speed by 100 to 300 rpm within one event (common practice) at 150 to 250 rpm of cranking: a rise
# to 1.4 times the cranking speed, counted from where it leaves 1.12 times.
FIRED, LEAVES = 1.4, 1.12
# A mean over an event that is cut short where decoding begins is high for less than this, a fired charge lasts longer.
LIFT_HELD_S = 0.08
# Speed is a mean over an event: a motor's steady cranking is left half an event, a quarter turn of four cylinders,
# before the charge that lifts it.
SEEN_AHEAD_TURNS = 0.25
# A rise shows in the mean over events up to so many turns after the charge that made it burnt: it has to stand out of
# the plateau over a whole window (up to one turn), which begins with the spark.
SHOWS_WITHIN_TURNS = 1.25
LIFT_RPM = 70.0  # below those 100: a slow crank that stalls at one compression passes the next at twice the mean speed
# A motor on the crank has run up where its speed is this share of the level that it then holds.
REACHED = 0.9
# A run-down falls through this share of the cranking speed and never comes back.
LETS_GO = 0.8
# In a record that joins an engine half-way, a first spark or injection within this many turns is not a first one.
FIRST_AFTER_TURNS = 3.0
# An output that was not recorded for longer than this before its first command may have begun before (working choice:
# a quarter of a turn of slow cranking); one not recorded over more than this share of an attempt was not there to be
# silent.
UNRECORDED_S, UNRECORDED_SHARE = 0.05, 0.1


@dataclass(frozen=True, slots=True)
class _Marks:
    """Moments of one rotation in s."""

    running_s: float | None
    firing_s: float | None
    cranking_end_s: float


def held(time_s: Array, rpm: Array, least_rpm: float, held_s: float) -> float | None:
    """First time from which the speed stays at or above ``least_rpm`` for ``held_s``; None if never."""
    above = rpm >= least_rpm
    edge = np.flatnonzero(np.diff(np.concatenate(([0], above.astype(np.int8), [0]))))
    for a, b in zip(edge[::2], edge[1::2], strict=True):
        if time_s[b - 1] - time_s[a] >= held_s - 1e-9:
            return float(time_s[a])
    return None


def _by_motor(speed: Speed, start_s: float) -> tuple[float | None, float]:
    """(speed that a motor on the crank holds, when it is reached); None where it holds none."""
    use = speed.decoded & (speed.time_s >= start_s + SPIN_UP_S)
    if use.sum() * GRID_S < RUNNING_HELD_S:
        return None, start_s
    level = float(np.quantile(speed.rpm[use], 0.4))
    return level, float(speed.time_s[int(np.argmax(speed.rpm >= REACHED * level))])


def _plateau(speed: Speed, start_s: float, limit_s: float) -> float | None:
    """Cranking speed as a level: median after spin-up and before ``limit_s``, slow part only."""
    for skip in (SPIN_UP_S, 0.0):
        use = (speed.time_s >= start_s + skip) & (speed.time_s <= limit_s) & (speed.rpm < RUNNING_RPM)
        if use.sum() * GRID_S >= 0.15:
            # the half-way quantile would lie in the rise where the engine catches at once; a third does not
            return float(np.quantile(speed.rpm[use], 0.4))
    return None


def _first_firing(speed: Speed, plateau: float, from_s: float) -> float | None:
    """Where the speed first leaves the cranking level for 1.4 times of it, and by what a charge that fires lifts it.

    Only where it is the mean over an event: counted over less, it swings as much from stall to stall.
    """
    lifted = speed.decoded & (speed.time_s >= from_s) & (speed.rpm > max(FIRED * plateau, plateau + LIFT_RPM))
    first = held(speed.time_s, lifted.astype(np.float64), 1.0, LIFT_HELD_S)
    if first is None:
        return None
    i = int(np.searchsorted(speed.time_s, first))
    slow = np.flatnonzero(speed.rpm[: i + 1] <= LEAVES * plateau)
    return float(speed.time_s[slow[-1]]) if len(slow) else None


def _believed(speed: Speed) -> Array:
    """Speed with what lies before the first and after the last measured part taken as standing."""
    known = np.flatnonzero(speed.measured)
    out = np.zeros(len(speed.rpm))
    out[known[0] : known[-1] + 1] = speed.rpm[known[0] : known[-1] + 1]
    return out


def _running(speed: Speed) -> float | None:
    """When the engine runs: 450 rpm held at every instant (over a short angle), else at least in the mean over events.

    The two differ where the engine idles so slowly that its ripple dips below 450.
    """
    mean = held(speed.time_s, _believed(speed), RUNNING_RPM, RUNNING_HELD_S)
    if mean is None:
        return None
    fine = np.where(np.isfinite(speed.fine_rpm), speed.fine_rpm, _believed(speed))
    exact = held(speed.time_s, fine, RUNNING_RPM, RUNNING_HELD_S)
    return exact if exact is not None else mean


def _marks(
    rotation: Rotation, speed: Speed, starter: Sequence[tuple[float, float]], by_motor: bool, not_before_s: float
) -> _Marks:
    """The moments of a rotation; no charge fires before ``not_before_s``."""
    end = rotation.forward_end_s
    if not speed.known:
        over = [b for a, b in starter if a < end and b > rotation.start_s]
        return _Marks(None, None, min([end, *over]))
    running = None if by_motor else _running(speed)
    if rotation.turning_at_start and len(speed.rpm) and speed.rpm[0] >= RUNNING_RPM:
        return _Marks(running, None, rotation.start_s)
    begin = rotation.start_s + (SPIN_UP_S if running is None else 0.0)
    if by_motor:
        plateau, begin = _by_motor(speed, rotation.start_s)
    else:
        plateau = _plateau(speed, rotation.start_s, running if running is not None else end)
    firing = None
    if plateau is not None:
        firing = _first_firing(speed, plateau, max(begin, not_before_s))
        if running is not None and (firing is None or firing > running):
            firing = running
    if firing is not None:
        return _Marks(firing if by_motor else running, firing, firing)
    if running is not None:
        return _Marks(running, None, running)
    return _Marks(None, None, _let_go(rotation, speed, starter, plateau))


def _not_before(around: Surroundings, rotation: Rotation) -> float:
    """The first spark where every cylinder's coil is recorded: no charge fires before it."""
    mine = {c.line.cylinder for c in around.coils}
    count = around.facts.cylinders or len(mine)
    if around.facts.ignition == "compression" or count < 2 or not mine >= set(range(1, count + 1)):
        return rotation.start_s
    spark, _ = _first(around.coils, rotation.start_s, rotation.end_s)
    return rotation.end_s if spark is None else spark


def _fired_by(marks: _Marks, sync_s: float | None, speed: Speed, by_motor: bool) -> _Marks:
    """The first firing put at the first correctly timed spark where the speed rises right after it."""
    rise = marks.firing_s
    if rise is None or sync_s is None or not speed.known:
        return marks
    turned = (speed.turns_at(rise) or 0.0) - (speed.turns_at(sync_s) or 0.0)
    if not -(SEEN_AHEAD_TURNS if by_motor else 0.0) <= turned <= SHOWS_WITHIN_TURNS:
        return marks
    return _Marks(sync_s if by_motor else marks.running_s, sync_s, sync_s)


def _let_go(rotation: Rotation, speed: Speed, starter: Sequence[tuple[float, float]], plateau: float | None) -> float:
    """When the starter lets go: its current ends, else the speed falls away for good."""
    mine = [b for a, b in starter if a < rotation.forward_end_s and b > rotation.start_s]
    if mine:
        return min(mine[-1], rotation.forward_end_s)
    if plateau is None or rotation.turning_at_end:
        return rotation.forward_end_s
    up = np.flatnonzero(speed.rpm >= LETS_GO * plateau)
    return float(speed.time_s[up[-1]]) if len(up) else rotation.forward_end_s


def _first(commands: Sequence[Commands], start_s: float, end_s: float) -> tuple[float | None, int]:
    """(first event, number of events) of some lines within an attempt."""
    times = [c.main_s[(c.main_s >= start_s) & (c.main_s <= end_s)] for c in commands]
    count = sum(len(t) for t in times)
    return (float(min(t[0] for t in times if len(t))) if count else None), count


def _extreme_rpm(
    unrolled: Unrolled, start_s: float, end_s: float, pitch_deg: float
) -> tuple[float | None, float | None]:
    """Lowest and highest speed within compression events of steady cranking, over 12 degrees or two pitches."""
    if end_s - start_s < 0.2:
        return None, None
    t = np.arange(start_s, end_s, GRID_S / 2)
    rpm = unrolled.angle.rpm(t, max(12.0, 2 * pitch_deg))
    rpm = rpm[np.isfinite(rpm)]
    if len(rpm) < 20:
        return None, None
    # single grid points next to a doubtful edge are no extreme of the engine
    low, high = np.quantile(rpm, [0.005, 0.995])
    return float(low), float(high)


@dataclass(frozen=True)
class Surroundings:
    """What an attempt is measured against."""

    signals: Signals
    recording: Recording
    unrolled: Unrolled
    phase: Phase
    facts: Facts
    commands: tuple[Commands, ...]
    layout: Layout | None
    event_deg: float
    starter: tuple[tuple[float, float], ...]
    edge_s: Array  # solid edges of the crank line
    edges_per_turn: float

    @property
    def coils(self) -> list[Commands]:
        """Lines that spark."""
        return [c for c in self.commands if c.role == "coil"]

    @property
    def injectors(self) -> list[Commands]:
        """Lines that inject."""
        return [c for c in self.commands if c.role == "injector"]


def describe(rotation: Rotation, rest_from_s: float, around: Surroundings) -> Attempt:
    """Everything about one attempt."""
    speed = speed_over(rotation, around.unrolled, around.event_deg, around.edge_s, around.edges_per_turn)
    first = rotation.start_s if rotation.turning_at_start else _not_before(around, rotation)
    marks = _marks(rotation, speed, around.starter, around.facts.cranked_by_motor, first)
    moving = rotation.turning_at_start
    sync = first_sync(rotation.start_s, rotation.end_s, around.coils, around.unrolled, around.phase, around.facts)
    marks = _fired_by(marks, sync, speed, around.facts.cranked_by_motor)
    cranked = marks.cranking_end_s > rotation.start_s + 2 * GRID_S
    system = (
        measure(around.signals, around.recording, rotation.start_s, marks.cranking_end_s, rest_from_s, not moving)
        if cranked
        else StartingSystem()
    )
    fuel, injections = _first(around.injectors, rotation.start_s, rotation.end_s)
    spark, sparks = _first(around.coils, rotation.start_s, rotation.end_s)
    fuel = _if_recorded(fuel, around.injectors, rotation, around)
    spark, sync = (_if_recorded(x, around.coils, rotation, around) for x in (spark, sync))
    pitch = around.layout.pitch_deg if around.layout else 6.0
    steady = rotation.start_s + (0.0 if moving else SPIN_UP_S)
    low, high = _extreme_rpm(around.unrolled, steady, marks.cranking_end_s, pitch) if speed.known else (None, None)
    running = marks.running_s
    after = (
        speed.rpm[(speed.time_s >= running) & speed.measured] if running is not None and speed.known else np.empty(0)
    )
    started_before = moving and not cranked
    if started_before:
        fuel = spark = sync = None  # the first ones lie before the record
    elif moving:
        fuel, spark, sync = (_really_first(x, speed) for x in (fuel, spark, sync))
    return Attempt(
        start_s=rotation.start_s,
        end_s=rotation.end_s,
        turns=float(speed.turns[-1]) if speed.known else 0.0,
        started=running is not None,
        cranking_rpm=_cranking_rpm(speed, rotation.start_s, marks.cranking_end_s),
        turns_to_sync=speed.turns_at(sync) if sync is not None and not moving else None,
        first_fuel_s=fuel,
        first_spark_s=spark,
        sync_s=sync,
        running_s=None if started_before else running,
        running_rpm=float(np.median(after)) if len(after) else None,
        cranking_rpm_min=low,
        cranking_rpm_max=high,
        battery_rest_v=system.rest_v,
        battery_min_v=system.min_v,
        battery_cranking_v=system.cranking_v,
        starter_current_a=system.current_a,
        sparks=_counted(sparks, around.coils, rotation, around),
        injections=_counted(injections, around.injectors, rotation, around),
        turning_at_start=moving,
        turning_at_end=rotation.turning_at_end,
        first_firing_s=marks.firing_s,
        cranking_end_s=marks.cranking_end_s if cranked else None,
        inrush_a=system.inrush_a,
        seen_on=rotation.seen_on,
    )


def _if_recorded(
    time_s: float | None, lines: Sequence[Commands], rotation: Rotation, around: Surroundings
) -> float | None:
    """A first event; None where one of these lines was not recorded all the way to it: others may lie before it."""
    if time_s is None or time_s <= rotation.start_s:
        return time_s
    lost = [around.recording.unrecorded_s(c.line.name, rotation.start_s, time_s) for c in lines]
    return time_s if max(lost, default=0.0) <= UNRECORDED_S else None


def _counted(number: int, lines: Sequence[Commands], rotation: Rotation, around: Surroundings) -> int | None:
    """How many commands there were; None without such lines, or where lines not recorded throughout show none."""
    if not lines:
        return None
    if number:
        return number
    lost = [around.recording.unrecorded_s(c.line.name, rotation.start_s, rotation.end_s) for c in lines]
    return number if max(lost) <= UNRECORDED_SHARE * (rotation.end_s - rotation.start_s) else None


def _really_first(time_s: float | None, speed: Speed) -> float | None:
    """A first event of a record that joins the engine half-way; None where earlier ones may lie before the record."""
    if time_s is None or not speed.known:
        return None
    turns = speed.turns_at(time_s)
    return time_s if turns is not None and turns > FIRST_AFTER_TURNS else None


def _cranking_rpm(speed: Speed, start_s: float, end_s: float) -> float | None:
    """Mean speed (turns over time) from motion to first firing or the end of cranking."""
    if not speed.known or end_s - start_s < 2 * GRID_S:
        return None
    # undecoded stretches are filled by the speed on both sides; more of them than decoded ones is no measurement
    inside = (speed.time_s >= start_s) & (speed.time_s <= end_s)
    if speed.measured[inside].mean() < 0.5:
        return None
    turns = np.interp([start_s, end_s], speed.time_s, speed.turns)
    return float(60.0 * (turns[1] - turns[0]) / (end_s - start_s))


def find_attempts(rotations: Sequence[Rotation], around: Surroundings) -> tuple[Attempt, ...]:
    """Every stretch of rotation in order of time; one that runs from the record's start on is no start attempt."""
    rest_from = around.recording.start_s
    out: list[Attempt] = []
    for rotation in rotations:
        out.append(describe(rotation, rest_from, around))
        rest_from = rotation.end_s + 0.3  # the battery recovers
    return tuple(out)


def starter_on(signals: Signals, recording: Recording) -> tuple[tuple[float, float], ...]:
    """Stretches in which the starter draws current."""
    return tuple(s for line in signals.by_role("starter-current") for s in starter_stretches(recording, line))


def is_start(attempt: Attempt) -> bool:
    """Whether a stretch of rotation is a start attempt: the record does not join an engine that runs already."""
    return not (attempt.turning_at_start and attempt.cranking_end_s is None)


def timeline_of(attempts: Sequence[Attempt]) -> Timeline:
    """The last stretch of rotation; what the record does not hold is None."""
    if not attempts:
        return Timeline(None, None, None, None, None, None, 0.0, None, None, None)
    a = attempts[-1]
    return Timeline(
        motion_s=None if a.turning_at_start else a.start_s,
        first_fuel_s=a.first_fuel_s,
        first_spark_s=a.first_spark_s,
        sync_s=a.sync_s,
        running_s=a.running_s,
        end_s=None if a.turning_at_end else a.end_s,
        turns=a.turns,
        turns_to_sync=a.turns_to_sync,
        cranking_rpm=a.cranking_rpm,
        running_rpm=a.running_rpm,
    )
