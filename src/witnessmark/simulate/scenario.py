"""The scenario file: engine, start, wheel, sensor, control unit, recorder, faults."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from witnessmark.errors import BadScenario
from witnessmark.simulate import layouts

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Engine(_Part):
    """Reciprocating engine. Lengths in mm, inertia in kg m2, torques in Nm at the crank.

    firing_angles_deg: by firing order, from cylinder 1's firing TDC; even where not given.
    """

    cylinders: Annotated[int, Field(ge=1, le=12)] = 4
    strokes: Literal[2, 4] = 4
    ignition: Literal["coil-per-cylinder", "wasted-spark", "distributor", "compression"] = "coil-per-cylinder"
    cranked_by: Literal["starter", "motor"] = "starter"
    firing_order: tuple[int, ...] = ()
    firing_angles_deg: tuple[float, ...] = ()
    banks: dict[str, tuple[int, ...]] = {}
    bore_mm: Positive = 86.0
    stroke_mm: Positive = 86.0
    rod_mm: Positive = 143.0
    compression_ratio: Annotated[float, Field(gt=4.0, le=24.0)] = 10.0
    inertia_kg_m2: Positive = 0.18
    reciprocating_kg: Annotated[float, Field(ge=0.0)] = 0.5
    friction_nm: Annotated[float, Field(ge=0.0)] | None = None  # None: by displacement
    friction_nm_per_krpm: Annotated[float, Field(ge=0.0)] = 4.0
    trapped: tuple[Positive, ...] = ()  # share of the full charge each cylinder traps (1 = sound), by cylinder number
    leak_s: Positive = 0.6  # time constant of blow-by
    polytropic: Annotated[float, Field(gt=1.0, lt=1.5)] = 1.28
    valve_closed_deg: tuple[float, float] = (-130.0, 130.0)  # inlet closes, exhaust opens, after firing TDC
    combustion: Positive = 2.4  # rise of pressure at full burn over the motored one

    def order(self) -> tuple[int, ...]:
        """Firing order, the usual one where none is given."""
        usual = {
            1: (1,), 2: (1, 2), 3: (1, 3, 2), 4: (1, 3, 4, 2), 5: (1, 2, 4, 5, 3), 6: (1, 5, 3, 6, 2, 4),
            7: (1, 3, 5, 7, 2, 4, 6), 8: (1, 6, 2, 5, 8, 3, 7, 4), 10: (1, 6, 5, 10, 2, 7, 3, 8, 4, 9),
            12: (1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),
        }  # fmt: skip
        return self.firing_order or usual.get(self.cylinders) or tuple(range(1, self.cylinders + 1))

    @property
    def cycle_deg(self) -> float:
        """Crank degrees of one working cycle."""
        return 360.0 if self.strokes == 2 else 720.0

    def angles(self) -> tuple[float, ...]:
        """Firing TDC by firing order."""
        even = tuple(self.cycle_deg / self.cylinders * k for k in range(self.cylinders))
        return self.firing_angles_deg or even

    def pair_of(self, cylinder: int) -> tuple[int, ...]:
        """The cylinders that share a coil with this one on a wasted-spark ignition: firing 360 degrees apart."""
        at = dict(zip(self.order(), self.angles(), strict=True))
        return tuple(c for c in sorted(at) if abs((at[c] - at[cylinder]) % 360.0) < 1.0)

    @model_validator(mode="after")
    def _can_be_built(self) -> Engine:
        if self.rod_mm <= self.stroke_mm / 2:
            raise ValueError("rod_mm must be more than half of stroke_mm")
        if self.firing_order and sorted(self.firing_order) != list(range(1, self.cylinders + 1)):
            raise ValueError("firing_order must name every cylinder once")
        if self.trapped and len(self.trapped) != self.cylinders:
            raise ValueError("trapped needs one value a cylinder")
        angles = self.firing_angles_deg
        if angles and (len(angles) != self.cylinders or list(angles) != sorted(angles) or angles[-1] >= self.cycle_deg):
            raise ValueError("firing_angles_deg needs one rising angle a cylinder within the cycle")
        placed = sorted(c for bank in self.banks.values() for c in bank)
        if placed and placed != list(range(1, self.cylinders + 1)):
            raise ValueError("banks must place every cylinder once")
        if self.ignition == "wasted-spark" and any(len(self.pair_of(c)) != 2 for c in self.order()):
            raise ValueError("wasted-spark needs cylinders that fire 360 degrees apart in pairs")
        return self


class Attempt(_Part):
    """Starter engaged from start_s; let go at end_s or ``release_after_s`` after the engine runs.

    battery_ocv_v, battery_resistance_ohm: the supply from this attempt on (a booster put on), None as before.
    """

    start_s: Annotated[float, Field(ge=0.0)]
    end_s: Positive
    battery_ocv_v: Positive | None = None
    battery_resistance_ohm: Positive | None = None

    @model_validator(mode="after")
    def _lasts(self) -> Attempt:
        if self.end_s <= self.start_s:
            raise ValueError("end_s must come after start_s")
        return self


class Cranking(_Part):
    """Battery and starter, seen at the crank."""

    attempts: tuple[Attempt, ...] = (Attempt(start_s=0.3, end_s=1e9),)
    key_on_s: float = 0.1
    stall_torque_nm: Positive = 225.0  # at 12 V on the terminals of the motor circuit
    no_load_rpm: Positive = 370.0
    stall_current_a: Positive = 850.0
    battery_ocv_v: Positive = 12.6
    battery_resistance_ohm: Positive = 0.005
    release_after_s: float = 0.35
    motor_rpm: Positive = 1000.0  # speed that a motor on the crank holds, where engine.cranked_by is "motor"


class Running(_Part):
    """What happens once the engine fires; targets are [time s, rpm] steps of the speed governor."""

    initial: Literal["standstill", "running"] = "standstill"
    targets: tuple[tuple[float, float], ...] = ((0.0, 800.0),)
    may_start: bool = True  # False: ignition withheld, the engine only cranks
    charging_v: float = 14.1


class WheelSpec(_Part):
    """The wheel as designed. ``layout`` by name, or slots and missing, or teeth_deg with optional widths_deg."""

    layout: str = ""
    slots: Annotated[int, Field(ge=1, le=360)] | None = None
    missing: tuple[int, ...] = ()
    teeth_deg: tuple[float, ...] = ()
    widths_deg: tuple[float, ...] = ()
    duty: Annotated[float, Field(gt=0.02, lt=0.98)] = 0.5
    tdc_slot: float | None = None
    pitch_error_deg: Annotated[float, Field(ge=0.0)] = 0.03  # standard deviation of a sound wheel's edges
    runout_deg: Annotated[float, Field(ge=0.0)] = 0.0  # amplitude within tolerance, no fault

    def wheel(self) -> layouts.Wheel:
        """The drawn wheel."""
        if self.teeth_deg:
            return layouts.unequal(self.teeth_deg, self.widths_deg or None, self.duty)
        if self.slots is not None:
            return layouts.regular(self.slots, self.missing, self.duty)
        return layouts.named(self.layout or "60-2", self.duty)

    @model_validator(mode="after")
    def _one_way(self) -> WheelSpec:
        if sum((bool(self.layout), self.slots is not None, bool(self.teeth_deg))) > 1:
            raise ValueError("give one of layout, slots or teeth_deg")
        if self.teeth_deg and (list(self.teeth_deg) != sorted(self.teeth_deg) or self.teeth_deg[-1] >= 360.0):
            raise ValueError("teeth_deg must rise within one turn")
        if self.widths_deg and len(self.widths_deg) != len(self.teeth_deg):
            raise ValueError("widths_deg needs one value a tooth")
        self.wheel()
        return self


class Sensor(_Part):
    """The crank sensor and what its line picks up."""

    kind: Literal["hall", "vr"] = "vr"
    edge: Literal["falling", "rising"] = "falling"  # the edge that marks a tooth
    # two-level
    low_v: float = 0.15
    high_v: float = 5.0
    tooth_high: bool = True
    jitter_deg: Annotated[float, Field(ge=0.0)] = 0.05
    rise_s: Annotated[float, Field(ge=0.0)] = 4e-6
    fall_s: Annotated[float, Field(ge=0.0)] = 1e-6
    startup_error_deg: Annotated[float, Field(ge=0.0)] = 0.0  # first three edges after power-up, up to this far off
    # variable reluctance
    peak_v: Positive = 0.6  # half wave of a regular tooth at 200 rpm
    blur: Annotated[float, Field(gt=0.08, le=0.45)] | None = None  # width of a tooth's flux in pitches; None: by pitch
    modulation: Annotated[float, Field(ge=0.0, lt=0.9)] = 0.0  # once-per-turn change of amplitude on a sound wheel
    clip_v: Positive = 1e9
    # both
    offset_v: float = 0.0
    noise_v: Annotated[float, Field(ge=0.0)] = 0.01
    hum_v: Annotated[float, Field(ge=0.0)] = 0.0
    hum_hz: Positive = 50.0
    ignition_pickup_v: Annotated[float, Field(ge=0.0)] = 0.0


class Cam(_Part):
    """One cam line; edges in crank degrees after cylinder 1's firing TDC, as designed, phaser parked.

    phaser: [time s, degrees late] it is moved to once the engine runs. A variable-reluctance line falls through zero at
    its "falling" edges and shows no others.
    """

    name: str = ""
    bank: Annotated[int, Field(ge=1)] = 1
    camshaft: Literal["intake", "exhaust"] = "intake"
    sensor: Literal["hall", "vr"] = "hall"
    startup_error_deg: Annotated[float, Field(ge=0.0)] = 0.0  # first three edges after power-up, up to this far off
    phaser_range_deg: Annotated[float, Field(ge=0.0)] = 0.0
    phaser: tuple[tuple[float, float], ...] = ()
    edges_deg: tuple[tuple[float, Literal["rising", "falling"]], ...] = (
        (40.0, "rising"), (220.0, "falling"), (310.0, "rising"), (400.0, "falling"),
    )  # fmt: skip
    jitter_deg: float = 0.3


class Control(_Part):
    """The control unit: what it needs before it fires, and what makes it give up.

    It sees the crank line only: edges that pass its input threshold (variable reluctance: ``min_v`` or ``adapt`` of the
    decaying peak, whichever is more), interval ratios against its layout, the count between gaps, the cam for the turn.
    """

    min_v: Positive = 0.12
    adapt: Share = 0.35
    decay_per_tooth: Share = 0.85
    confirm_turns: Annotated[float, Field(ge=0.0, le=4.0)] = 0.5
    tolerant_above_rpm: float = 450.0
    errors_to_lose: int = 6  # in a row, each within a quarter turn of the last
    advance_cranking_deg: float = 6.0
    advance_running_deg: float = 12.0
    dwell_ms: Positive = 3.5
    inject_cranking_ms: Positive = 12.0
    inject_running_ms: Positive = 2.8
    prime_ms: Annotated[float, Field(ge=0.0)] = 0.0
    withhold_spark: bool = False
    withhold_fuel: bool = False
    cam_fallback_turns: Annotated[float, Field(ge=0.0, le=40.0)] = 4.0  # turns more without a cam to tell the turn
    reset_below_v: Annotated[float, Field(ge=0.0)] = 0.0  # the unit restarts when its supply falls below this


class Sampling(_Part):
    """The recorder: one clock for all channels."""

    rate_hz: Annotated[float, Field(ge=1000.0, le=2e6)] = 100_000.0
    bits: Annotated[int, Field(ge=8, le=16)] = 12
    noise_share: Annotated[float, Field(ge=0.0, le=0.2)] = 0.0005  # of the range, added to every channel


class Channel(_Part):
    """One recorded line; range_v is [low, high] of the recorder's input in the channel's unit."""

    role: Literal[
        "crank", "cam", "coil", "injector", "battery", "starter-current", "cylinder-pressure", "intake-pressure",
        "exhaust-pressure", "sensor-supply", "sensor-ground", "second-tap", "temperature", "marker",
    ]  # fmt: skip
    name: str = ""
    cylinder: int = 1
    cam: Annotated[int, Field(ge=1)] = 1  # which of the cams, from 1
    of: str = ""  # for a supply, ground or second tap: the channel it belongs to; "" is the crank line
    style: Literal["", "command", "current"] = ""
    range: tuple[float, float] | None = None


WHERE = {"polarity-reversed": ("", "sensor", "probe"), "signal-lost": ("", "line", "sensor", "supply")}


class Fault(_Part):
    """One fault; which fields count depends on kind."""

    kind: Literal[
        "tooth-absent", "tooth-weak", "tooth-displaced", "tooth-extra", "wheel-runout", "wheel-unexpected",
        "edges-dropped", "signal-lost", "edges-spurious", "polarity-reversed", "signal-low", "cranking-slow",
        "compression-low", "misfire", "coil-command-absent", "coil-current-poor", "spark-shifted",
        "injector-command-absent", "fuel-starved", "lockout", "unit-silent", "unit-resets", "brown-out",
        "cam-jumped", "chain-stretched", "phaser-stuck", "phaser-hunting", "cam-target", "cam-dead", "cam-lost",
        "wheel-moved", "wheel-loose", "sensor-delay", "supply-drop", "ground-lift", "probe",
    ]  # fmt: skip
    slots: tuple[int, ...] = ()
    amplitude: Share = 0.4  # tooth-weak (vr): pulse left of a sound one; signal-low: swing left
    share: Share = 0.5  # tooth-weak (hall): passes missed; edges-dropped: probability an edge; edges-spurious: an event
    below_rpm: float = 1e9  # tooth-weak (hall): missed only below this speed
    deg: float = 0.0  # tooth-displaced: late positive; wheel-runout: amplitude; tooth-extra: angle after slot 1
    phase_deg: float = 0.0  # wheel-runout
    amplitude_runout: Share = 0.0  # wheel-runout (vr)
    layout: str = ""  # wheel-unexpected: the wheel really fitted
    tdc_shift_deg: float = 0.0
    stretches: tuple[tuple[float, float], ...] = ()  # signal-lost: [start s, length s]
    follows: Literal["time", "coil", "injector", "starter"] = "time"  # edges-spurious; supply-drop, ground-lift
    rate_hz: float = 20.0  # edges-spurious, follows time: mean rate
    lag_ms: float = 0.4  # edges-spurious, follows coil or injector
    width_us: Positive = 60.0
    level_v: float | None = None  # edges-spurious (vr): pulse size; signal-lost: level the line goes to
    # polarity-reversed: sensor (default) or probe; signal-lost: line (default, between sensor and control unit), sensor
    # (both ends go) or supply (its supply goes too)
    where: Literal["", "sensor", "probe", "line", "supply"] = ""
    cause: Literal["battery", "starter", "friction"] = "battery"  # cranking-slow
    rpm: Positive = 90.0  # cranking-slow, brown-out: mean cranking speed it leaves
    cylinder: Annotated[int, Field(ge=1, le=12)] = 1  # compression-low, misfire, coil-current-poor
    cylinders: tuple[int, ...] = ()  # coil-command-absent, injector-command-absent: () is all of them
    how: Literal["trapped", "leak"] = "trapped"  # compression-low
    mode: Literal["fuel", "spark", "both"] = "fuel"  # lockout: what is withheld
    cams: tuple[int, ...] = ()  # cam faults: which cams, from 1; () is all of them
    teeth: int = 1  # cam-jumped: teeth of the crank sprocket, late positive
    sprocket_teeth: Annotated[int, Field(ge=8)] = 18
    wander_deg: Annotated[float, Field(ge=0.0)] = 0.0  # chain-stretched: with torque; cam-target: standard deviation
    hz: Positive = 1.0  # phaser-hunting
    edge: Annotated[int, Field(ge=0)] = 0  # cam-target: place in the cam's edges_deg
    absent: bool = False  # cam-target: the edge is gone
    delay_us: Annotated[float, Field(ge=0.0)] = 0.0  # sensor-delay
    v: Annotated[float, Field(ge=0.0)] | None = None  # supply-drop: what is left; ground-lift: how far it rises
    shared: bool = False  # ground-lift: the cam sensors hang on the same ground
    channel: str = "crank"  # probe: name or role of the line
    what: Literal["ac", "clip", "ratio", "thinned", "blocks-lost", "inverted"] = "ac"  # probe
    corner_hz: Positive = 1.0  # probe, ac
    factor: Positive = 0.1  # probe: ratio; clip: share of the half swing that is left
    every: Annotated[int, Field(ge=2)] = 16  # probe, thinned: samples held
    after_s: Annotated[float, Field(ge=0.0)] | None = None  # lockout: seconds after synchronising; None: never given


def _listed(value: Any) -> Any:
    """One cam table stands for a list of one."""
    return value if isinstance(value, list | tuple) else (value,)


class Scenario(_Part):
    """Everything needed to simulate one recording, reproducible by its seed."""

    seed: int = 1
    title: str = ""
    complaint: str = ""
    duration_s: Annotated[float, Field(gt=0.02, le=120.0)] = 4.0
    start_deg: float | None = None  # crank angle at the start, after cylinder 1's firing TDC; None: by seed
    engine: Engine = Engine()
    cranking: Cranking = Cranking()
    running: Running = Running()
    wheel: WheelSpec = WheelSpec()
    sensor: Sensor = Sensor()
    cam: Annotated[tuple[Cam, ...], BeforeValidator(_listed)] = (Cam(),)
    control: Control = Control()
    sampling: Sampling = Sampling()
    channel: tuple[Channel, ...] = (
        Channel(role="crank"), Channel(role="cam"), Channel(role="coil"), Channel(role="injector"),
        Channel(role="battery"), Channel(role="starter-current"),
    )  # fmt: skip
    fault: tuple[Fault, ...] = ()

    @model_validator(mode="after")
    def _channels_fit(self) -> Scenario:
        for channel in self.channel:
            if channel.role == "cam" and channel.cam > len(self.cam):
                raise ValueError(f"channel of cam {channel.cam}: there are {len(self.cam)} cams")
        return self

    @model_validator(mode="after")
    def _faults_fit(self) -> Scenario:
        slots = set(self.wheel.wheel().tooth_slots)
        for fault in self.fault:
            if fault.kind in ("tooth-absent", "tooth-weak", "tooth-displaced") and not fault.slots:
                raise ValueError(f"fault {fault.kind} needs slots")
            if not slots.issuperset(fault.slots):
                raise ValueError(f"fault {fault.kind}: slots {list(fault.slots)} are not all teeth of the wheel")
            if fault.kind == "polarity-reversed" and self.sensor.kind != "vr":
                raise ValueError("fault polarity-reversed needs a variable-reluctance sensor (sensor.kind = 'vr')")
            if fault.kind == "wheel-unexpected":
                layouts.named(fault.layout)
            if fault.cams and max(fault.cams) > len(self.cam):
                raise ValueError(f"fault {fault.kind}: there are {len(self.cam)} cams")
            if fault.kind in WHERE and fault.where not in WHERE[fault.kind]:
                raise ValueError(f"fault {fault.kind}: where must be one of {', '.join(WHERE[fault.kind][1:])}")
            named = {fault.cylinder} | set(fault.cylinders)
            if named and max(named) > self.engine.cylinders:
                raise ValueError(f"fault {fault.kind}: the engine has {self.engine.cylinders} cylinders")
        return self


def parse_scenario(data: dict[str, Any], path: str = "scenario") -> Scenario:
    """Validate; BadScenario (one line, names the key) when a key is unknown or a value impossible."""
    try:
        return Scenario.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        where = "".join(f"[{p + 1}]" if isinstance(p, int) else f".{p}" for p in first["loc"])[1:] or "the file"
        if first["type"] == "extra_forbidden":
            raise BadScenario(f"{path}: {where}: unknown key; remove or correct it") from None
        what = first["msg"].removeprefix("Value error, ").replace("\n", " ")
        what = what.replace("Input should be", "expected")
        raise BadScenario(f"{path}: {where}: {what}; correct this key") from None


def load_scenario(path: str | Path) -> Scenario:
    """Read a scenario TOML file; BadScenario with one line when it cannot be used."""
    try:
        with Path(path).open("rb") as file:
            data = tomllib.load(file)
    except OSError as error:
        what = str(error.strerror or error).lower()
        raise BadScenario(f"{path}: {what}; expected a readable TOML file, check path and permissions") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadScenario(f"{path}: not valid TOML ({error}); correct the file") from None
    return parse_scenario(data, str(path))
