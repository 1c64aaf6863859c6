"""The constants and the state of a run, as the numba loop takes them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Bool = NDArray[np.bool_]

TABLE = 1440  # rows of the 720 degree tables, half a degree apart
NO_SPARK = 1e9
LONG = 0.6  # log of an interval over the expected one, in step: one tooth missed gives +0.69, one more -0.69
SHORT = 0.9  # the same for an early one while still searching
MOVING_RAD_S = 0.05  # below this the crank is taken to stand when friction can hold it


class Mechanics(NamedTuple):
    """Constants of the engine, tables over one cylinder's 720 degrees from its firing TDC (TABLE rows)."""

    ratio: F64  # cylinder pressure over trapped pressure, valves closed (1 while open)
    closed: Bool
    inlet: Bool  # open and on the inlet side
    arm_m3: F64  # piston area times dx/dtheta, m3/rad, positive going down
    recip_kg_m2: F64  # inertia of one piston at the crank
    recip_slope: F64  # its derivative by angle
    tdc_deg: F64  # firing TDC of each cylinder, 0..720
    trapped: F64  # share of the full charge each cylinder traps
    burns: F64  # probability that a lit charge burns, by cylinder
    leak_s: F64  # time constant of blow-by, by cylinder
    period_deg: float  # 720, two-stroke 360
    inertia: float
    friction: float
    friction_per_rad_s: float
    combustion: float


class Starter(NamedTuple):
    """Starter and battery at the crank; engaged in [start, end) of each attempt."""

    start_s: F64
    end_s: F64
    ocv_v: F64
    battery_ohm: F64
    motor_ohm: float
    volt_s: float  # back voltage per rad/s at the crank
    nm_per_a: float
    release_after_s: float
    motor_rad_s: float  # speed that a motor on the crank holds; 0: a starter


class Edges(NamedTuple):
    """Wheel edges in one turn, by angle from slot 1: what the line shows and what the control unit listens to."""

    angle_deg: F64
    tooth: I64
    marking: Bool
    amplitude: F64  # variable reluctance: half wave before the crossing in V per rad/s; two-level: 0
    miss: F64  # probability that a passage gives nothing
    miss_below: F64  # the same, only below the speed beside it
    below_rad_s: F64
    jitter_deg: float
    startup_deg: float  # scale of the error of the first three edges
    offset_deg: float  # wheel angle = crank angle + offset
    two_level: bool
    delay_s: float  # every edge comes this late on the line
    loose_deg: float  # the wheel turns on its seat by this, from pull to drag
    visible: bool  # two-level line crosses the control unit's input levels


class Unit(NamedTuple):
    """The control unit's rules and its own idea of the wheel."""

    teeth_deg: F64
    length: F64  # interval that ends at each tooth, in pitches
    by_cam: bool  # the crank pattern does not tell the turn's start: the cam does
    cam_deg: float  # crank angle 0..720 of the cam edge it counts from
    offset_deg: float  # its wheel angle = crank angle + offset
    tolerance: float  # of the log of an interval against the expected one
    early: float  # the same on the short side once in step: first fire halves a wide interval
    min_v: float
    adapt: float
    decay: float
    confirm: int  # intervals right before it trusts the position
    tolerant_rad_s: float
    errors_to_lose: int
    ready_s: float
    advance_cranking: float
    advance_running: float
    dwell_s: float
    inject_cranking_s: float
    inject_running_s: float
    prime_s: float
    withhold_spark: bool
    withhold_fuel: bool
    may_start: bool
    coil_gives: F64  # probability that a spark is commanded, by cylinder
    inject_gives: F64  # the same for an injection
    spark_shift_deg: float  # commanded late by this
    coil_period_deg: float  # 720; wasted spark and two-stroke 360
    by_injection: bool  # compression ignition: no coils, the charge burns as it is injected
    lock_spark_s: float  # spark withheld from this long after the first synchronised moment (0: never given)
    lock_fuel_s: float
    reset_start_s: F64  # the unit restarts in [start, end)
    reset_end_s: F64
    reset_below_v: float  # and when its supply falls below this


class Noise(NamedTuple):
    """What disturbs the crank line in time."""

    lost_start_s: F64
    lost_end_s: F64
    spurious_s: F64  # times drawn beforehand, rising
    spurious_v: float
    follows: int  # 0 none, 1 coil, 2 injector
    lag_s: float
    share: float


class Governor(NamedTuple):
    """Speed targets: from time_s on, rad_s."""

    time_s: F64
    rad_s: F64


# control unit state, floats
T_LAST, TAU, PEAK, OFFSET, EDGES_CAM, FIRST_SYNC, RESET_UNTIL, N_F = 0, 1, 2, 3, 4, 5, 6, 7
# control unit state, integers
SYNC, POS, UNIQUE, ERRORS, SINCE_ERROR, SEEN, PRIMED, N_I = 0, 1, 2, 3, 4, 5, 6, 7
# run state, floats
THETA, OMEGA, MANIFOLD, INTEGRAL, SLOW, HIGH_SINCE, LOOSE, N_X = 0, 1, 2, 3, 4, 5, 6, 7
# run state, integers
PASSES, OUTPUTS, SPURIOUS, QUEUED, DRAWN, CURSOR, POWERED, N_N = 0, 1, 2, 3, 4, 5, 6, 7


class State(NamedTuple):
    """Everything that changes in a run. x, n: see the indices above; f, i, cand: the control unit's own.

    By cylinder: charge (bar trapped), burn (angle at which combustion starts), vigour, fuel, lit, was (valves closed),
    coil_on (s, -1 off). shown: tooth gives its pulse in this passage. queue: disturbances to come. passes, outputs,
    spurious: logs.
    """

    x: F64
    n: I64
    f: F64
    i: I64
    cand: Bool
    charge: F64
    burn: F64
    vigour: F64
    fuel: Bool
    lit: Bool
    was: Bool
    coil_on: F64
    released: Bool
    shown: Bool
    queue: F64
    passes: F64
    outputs: F64
    spurious: F64


def new_state(steps: int, dt: float, m: Mechanics, edges: Edges, unit: Unit, noise: Noise, attempts: int) -> State:
    """The state of an engine at rest, control unit unpowered."""
    c = len(m.tdc_deg)
    outputs = np.empty((40 * c * (int(steps * dt) + 2), 6))
    x = np.zeros(N_X)
    x[MANIFOLD], x[HIGH_SINCE] = 0.97, -1.0
    f = np.zeros(N_F)
    f[FIRST_SYNC] = -1.0
    return State(
        x=x, n=np.zeros(N_N, np.int64), f=f, i=np.zeros(N_I, np.int64),
        cand=np.ones(len(unit.teeth_deg), np.bool_), charge=np.ones(c), burn=np.full(c, NO_SPARK), vigour=np.ones(c),
        fuel=np.zeros(c, np.bool_), lit=np.zeros(c, np.bool_), was=np.zeros(c, np.bool_), coil_on=np.full(c, -1.0),
        released=np.zeros(attempts, np.bool_), shown=np.ones(int(edges.tooth.max(initial=0)) + 1, np.bool_),
        queue=np.empty(64), passes=np.empty((3 * steps + 64, 6)), outputs=outputs,
        spurious=np.empty(len(noise.spurious_s) + len(outputs)),
    )  # fmt: skip
