"""The setup file: what the user knows about vehicle, engine, wheels and lines, checked before anything is read.

Every key is optional; ``None`` (an empty tuple for the lists of tables) means "not said". Attribute names are the
file's keys. :func:`load_setup` turns any mistake into a :class:`~witnessmark.errors.BadSetup` of one line.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Annotated, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from witnessmark.recording.naming import split_unit
from witnessmark.recording.setup_errors import SETUP_ERROR, load_checked

Role = Literal[
    "crank",
    "cam",
    "coil",
    "injector",
    "battery",
    "starter-current",
    "cylinder-pressure",
    "intake-pressure",
    "exhaust-pressure",
    "sensor-supply",
    "sensor-ground",
    "second-tap",
    "temperature",
    "marker",
    "other",
]
EdgeKind = Literal["falling", "rising"]
Cylinder = Annotated[int, Field(ge=1, le=16)]
Bank = Annotated[int, Field(ge=1, le=4)]
Positive = Annotated[float, Field(gt=0)]
TeethError = Annotated[float, Field(ge=-20, le=20)]

# Trouble code form (published: SAE J2012 / ISO 15031-6; clause not re-opened); the two hex digits after the dash are
# the failure type some control units add.
_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?")
# Letters I, O and Q do not occur in a VIN (published: ISO 3779, 49 CFR 565); "*" is a masked character.
_VIN = re.compile(r"[A-HJ-NPR-Z0-9*]{17}")


def _wrong(key: str, text: str) -> NoReturn:
    raise PydanticCustomError(SETUP_ERROR, "{text}", {"key": key, "text": text})


class _Table(BaseModel):
    """Common rules: no unknown keys, no silent conversion, finite numbers, never changed after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Vehicle(_Table):
    """Who the patient is. ``vin`` is personal data: it is never repeated in an error message."""

    description: str | None = None
    vin: str | None = None
    complaint: str | None = None
    codes: tuple[str, ...] | None = None

    @field_validator("vin")
    @classmethod
    def _vin_form(cls, vin: str | None) -> str | None:
        if vin is not None and len(vin) != 17:
            _wrong("", f'has {len(vin)} characters, expected 17; write all 17 ("*" masks one) or leave it out')
        if vin is not None and not _VIN.fullmatch(vin):
            _wrong("", "expected capital letters and digits without I, O and Q; read it again from the vehicle")
        return vin

    @field_validator("codes")
    @classmethod
    def _code_form(cls, codes: tuple[str, ...] | None) -> tuple[str, ...] | None:
        for code in codes or ():
            if not _CODE.fullmatch(code):
                _wrong("", f'"{code}" is no trouble code, expected a form like "P0336"; correct it or leave it out')
        return codes


class Engine(_Table):
    """The engine's build. Angles in crank degrees from cylinder 1's firing TDC, lengths in mm."""

    cylinders: Cylinder | None = None
    strokes: Literal[2, 4] | None = None
    ignition: Literal["coil-per-cylinder", "wasted-spark", "distributor", "compression"] | None = None
    cranked_by: Literal["starter", "motor"] | None = None
    firing_order: tuple[int, ...] | None = None
    firing_angles_deg: tuple[float, ...] | None = None
    banks: dict[str, tuple[int, ...]] | None = None
    bore_mm: Positive | None = None
    stroke_mm: Positive | None = None
    rod_mm: Positive | None = None
    compression_ratio: Annotated[float, Field(gt=1, le=50)] | None = None
    exhaust_opens_deg: Annotated[float, Field(ge=60, le=240)] | None = None
    intake_closes_deg: Annotated[float, Field(ge=480, le=690)] | None = None
    valve_tolerance_deg: Annotated[float, Field(gt=0, le=45)] | None = None

    @property
    def cylinder_count(self) -> int | None:
        """Number of cylinders as said or as the firing order implies; None when not said."""
        if self.cylinders is not None:
            return self.cylinders
        return None if self.firing_order is None else len(self.firing_order)

    def bank_of(self, cylinder: int) -> int | None:
        """The bank this cylinder stands in; None when not said."""
        for key, members in (self.banks or {}).items():
            if cylinder in members:
                return int(key)
        return None

    @model_validator(mode="after")
    def _consistent(self) -> Engine:
        self._check_firing()
        self._check_banks()
        if self.rod_mm is not None and self.stroke_mm is not None and self.rod_mm <= self.stroke_mm / 2:
            _wrong("rod_mm", f"{self.rod_mm:g} mm is no longer than half the stroke ({self.stroke_mm:g} mm): such a "
                   "crank cannot turn; give the distance between the rod's two bearing centres")  # fmt: skip
        return self

    def _check_firing(self) -> None:
        order, angles = self.firing_order, self.firing_angles_deg
        if order is not None and (not order or sorted(order) != list(range(1, (self.cylinders or len(order)) + 1))):
            _wrong("firing_order", f"{list(order)} does not name each cylinder from 1 to "
                   f"{self.cylinders or max(len(order), 1)} once; write each of them, in firing order")  # fmt: skip
        if angles is None:
            return
        count, cycle = self.cylinder_count, 360 if self.strokes == 2 else 720
        if count is not None and len(angles) != count:
            _wrong(
                "firing_angles_deg",
                f"has {len(angles)} angles for {count} cylinders; give one for each, by firing order",
            )
        if any(b <= a for a, b in pairwise(angles)):
            _wrong("firing_angles_deg", "must rise from one cylinder to the next; give them by firing order")
        if not angles or angles[0] < 0 or angles[-1] >= cycle:
            _wrong(
                "firing_angles_deg",
                f"must lie from 0 to below {cycle}; count crank degrees from cylinder 1's firing TDC",
            )
        if order is not None and angles[order.index(1)] != 0:
            _wrong(
                "firing_angles_deg", "must be 0 for cylinder 1; begin firing_order with 1 and count from its firing TDC"
            )

    def _check_banks(self) -> None:
        seen: dict[int, str] = {}
        for key, members in (self.banks or {}).items():
            if key not in {"1", "2", "3", "4"}:
                _wrong(
                    "banks", f'"{key}" is no bank, expected 1 to 4; write for example banks = {{ 1 = [1, 2, 3, 4] }}'
                )
            for cylinder in members:
                if not 1 <= cylinder <= (self.cylinder_count or 16):
                    _wrong(
                        f"banks.{key}",
                        f"cylinder {cylinder} is not among 1 to {self.cylinder_count or 16}; correct the number",
                    )
                if cylinder in seen:
                    _wrong(
                        f"banks.{key}",
                        f"cylinder {cylinder} stands in bank {seen[cylinder]} already; name each one once",
                    )
                seen[cylinder] = key


def _numbered(slots: int, missing: tuple[int, ...]) -> list[int] | None:
    """The missing slots counted from the first tooth after a longest gap; None where they are counted so already."""
    gone = set(missing)
    before = {}  # for each tooth, how many slots are missing right before it
    for tooth in set(range(slots)) - {m - 1 for m in gone}:
        before[tooth] = next(k for k in range(slots) if (tooth - k - 1) % slots + 1 not in gone)
    longest = max(before.values())
    if before.get(0) == longest:
        return None
    first = min(t for t, k in before.items() if k == longest)
    return sorted((m - 1 - first) % slots + 1 for m in gone)


class CrankWheel(_Table):
    """The toothed wheel by design: slots and missing (regular), or teeth_deg and widths_deg (unequal).

    What a good recording taught of it besides: how well its TDC is known; by tooth, in order of rotation from slot 1,
    how late each edge comes (crank degrees) and how large its pulse is (of the median tooth's); once per turn, how far
    the whole wheel stands off.
    """

    slots: Annotated[int, Field(ge=2, le=3600)] | None = None
    missing: tuple[int, ...] | None = None
    teeth_deg: tuple[float, ...] | None = None
    widths_deg: tuple[float, ...] | None = None
    edge: EdgeKind | None = None
    tdc_slot: float | None = None
    tdc_tolerance_deg: Annotated[float, Field(gt=0, le=30)] | None = None
    teeth_error_deg: tuple[TeethError, ...] | None = None
    teeth_amplitude: tuple[Positive, ...] | None = None
    teeth_tolerance_deg: Annotated[float, Field(ge=0, le=5)] | None = None
    runout_deg: Annotated[float, Field(ge=0, le=5)] | None = None
    runout_phase_deg: Annotated[float, Field(ge=0, lt=360)] | None = None

    @property
    def tooth_count(self) -> int | None:
        """Teeth of one turn; None where the wheel is not described."""
        if self.teeth_deg is not None:
            return len(self.teeth_deg)
        return None if self.slots is None else self.slots - len(self.missing or ())

    @model_validator(mode="after")
    def _consistent(self) -> CrankWheel:
        self._check_regular()
        self._check_unequal()
        self._check_learnt()
        count = self.slots if self.slots is not None else (len(self.teeth_deg) if self.teeth_deg else None)
        if self.tdc_slot is not None and not 0 < self.tdc_slot < (count or 3600) + 1:
            _wrong("tdc_slot", f"{self.tdc_slot:g} is no slot of this wheel, expected 1 to {count or 3600}; slot 1 "
                   "is the first tooth after the longest gap")  # fmt: skip
        return self

    def _check_regular(self) -> None:
        slots, missing = self.slots, self.missing
        if self.teeth_deg is not None:
            if missing or (slots is not None and slots != len(self.teeth_deg)):
                _wrong("slots" if slots is not None else "missing", "contradicts teeth_deg; describe the wheel either "
                       "by slots and missing or by teeth_deg")  # fmt: skip
            return
        if not missing:
            return
        if slots is None:
            _wrong("missing", "says nothing without slots; add slots, the number of equal divisions of one turn")
        for slot in missing:
            if not 1 <= slot <= slots:
                _wrong(
                    "missing",
                    f"slot {slot} is not on a wheel of {slots} slots, expected 1 to {slots}; correct the number",
                )
        if len(set(missing)) != len(missing):
            _wrong("missing", "names a slot twice; name each missing slot once")
        if len(missing) >= slots:
            _wrong("missing", f"leaves none of {slots} teeth, expected at least 1; list only the slots "
                   "that have no tooth by design")  # fmt: skip
        numbered = _numbered(slots, missing)
        if numbered is not None:
            _wrong("missing", f"{list(missing)} is numbered otherwise, expected slot 1 to be the first tooth after the "
                   f"longest gap; write missing = {numbered}, and count tdc_slot so too")  # fmt: skip

    def _check_learnt(self) -> None:
        for key in ("teeth_error_deg", "teeth_amplitude"):
            values, teeth = getattr(self, key), self.tooth_count
            if values is not None and teeth is None:
                _wrong(key, "says nothing without the wheel; add slots and missing, or teeth_deg")
            if values is not None and len(values) != teeth:
                _wrong(key, f"has {len(values)} values for {teeth} teeth; give one for each tooth, from slot 1 on")
        if (self.runout_deg is None) != (self.runout_phase_deg is None):
            have, need = ("runout_deg", "runout_phase_deg")[:: 1 if self.runout_phase_deg is None else -1]
            _wrong(have, f"says nothing without {need}; give both or neither")

    def _check_unequal(self) -> None:
        teeth, widths = self.teeth_deg, self.widths_deg
        if teeth is None:
            if widths is not None:
                _wrong("widths_deg", "says nothing without teeth_deg; add teeth_deg, the marking edges of one turn")
            return
        if len(teeth) < 1 or any(b <= a for a, b in pairwise(teeth)) or teeth[0] < 0 or teeth[-1] >= 360:
            _wrong("teeth_deg", "must rise within 0 to below 360 degrees; give the marking edges of one turn in order")
        if widths is None:
            return
        if len(widths) != len(teeth):
            _wrong("widths_deg", f"has {len(widths)} for {len(teeth)} teeth; give one width for each tooth")
        for i, (width, tooth) in enumerate(zip(widths, teeth, strict=True)):
            room = (teeth[i + 1] if i + 1 < len(teeth) else teeth[0] + 360) - tooth
            if not 0 < width < room:
                _wrong(f"widths_deg[{i + 1}]", f"{width:g} does not fit, expected above 0 and below the {room:g} "
                       "degrees to the next tooth; correct the width")  # fmt: skip


class CamWheel(_Table):
    """One camshaft line by design: its edges in crank degrees 0..720 after cylinder 1's firing TDC, phaser parked."""

    channel: str | None = None
    bank: Bank | None = None
    camshaft: Literal["intake", "exhaust"] | None = None
    edges_deg: tuple[tuple[float, EdgeKind], ...] | None = None
    tolerance_deg: Annotated[float, Field(gt=0, le=90)] | None = None
    phaser_range_deg: Annotated[float, Field(ge=0, le=180)] | None = None

    @field_validator("edges_deg")
    @classmethod
    def _edges_in_cycle(
        cls, edges: tuple[tuple[float, EdgeKind], ...] | None
    ) -> tuple[tuple[float, EdgeKind], ...] | None:
        if edges is None:
            return None
        angles = [angle for angle, _ in edges]
        if not edges or min(angles) < 0 or max(angles) >= 720:
            _wrong("", "needs angles from 0 to below 720; count crank degrees after cylinder 1's firing TDC")
        if len(set(angles)) != len(angles):
            _wrong("", "has two edges at one angle; a line can change only once there")
        return edges


class ChannelSetup(_Table):
    """What the user says about one channel. value = raw * scale + offset."""

    name: str | None = None
    label: str | None = None
    role: Role | None = None
    of: str | None = None
    sensor: Literal["hall", "vr", "analog"] | None = None
    bank: Bank | None = None
    cylinder: Cylinder | None = None
    unit: str | None = None
    scale: float | None = None
    offset: float | None = None

    @field_validator("name")
    @classmethod
    def _named(cls, name: str | None) -> str | None:
        if name is not None and not name.strip():
            _wrong("", 'is empty; write the name as the recording has it, or its position "1", "2", ...')
        return name

    @field_validator("scale")
    @classmethod
    def _not_flat(cls, scale: float | None) -> float | None:
        if scale == 0:
            _wrong("", "is 0 and would make every sample the same; expected the factor from raw to the unit")
        return scale


class Learnt(_Table):
    """Where a setup was learnt: a good recording of the same kind of engine, or of the same engine.

    recording: its file name. turns: turns decoded in it. same_engine: whether it speaks of one engine (with the errors
    of its own teeth) or of its kind. despite: what was stated as a fault in it when it was learnt all the same.
    """

    recording: str | None = None
    turns: Positive | None = None
    same_engine: bool | None = None
    despite: tuple[str, ...] | None = None


class Setup(_Table):
    """The whole setup; ``Setup()`` says nothing."""

    vehicle: Vehicle = Vehicle()
    engine: Engine = Engine()
    crank_wheel: CrankWheel | None = None
    cam_wheel: tuple[CamWheel, ...] = ()
    channel: tuple[ChannelSetup, ...] = ()
    learnt: Learnt | None = None

    def channel_for(self, name: str, position: int) -> ChannelSetup | None:
        """What is said about the channel of this name (with or without its unit), else of this 1-based position."""
        for wanted in (name, split_unit(name)[0], str(position)):
            for channel in self.channel:
                if channel.name == wanted:
                    return channel
        return None

    @model_validator(mode="after")
    def _consistent(self) -> Setup:
        _no_repeat("channel", "name", [c.name for c in self.channel])
        _no_repeat("cam_wheel", "channel", [c.channel for c in self.cam_wheel])
        count = self.engine.cylinder_count
        for i, channel in enumerate(self.channel, start=1):
            if count is not None and channel.cylinder is not None and channel.cylinder > count:
                _wrong(f"channel[{i}].cylinder", f"{channel.cylinder} is not among the engine's {count} cylinders; "
                       "correct it or engine.cylinders")  # fmt: skip
            if channel.of and channel.of == channel.name:
                _wrong(f"channel[{i}].of", "names the channel itself; name the channel whose line it belongs to")
        return self


def _no_repeat(table: str, key: str, names: list[str | None]) -> None:
    for i, name in enumerate(names):
        if name is not None and name in names[:i]:
            _wrong(f"{table}[{i + 1}].{key}", f'"{name}" is described twice; keep one [[{table}]] for it')


def load_setup(path: str) -> Setup:
    """Read and check a setup file.

    Raises :class:`~witnessmark.errors.BadSetup` with one line naming file, key (dotted path), what was expected and
    what to do.
    """
    return load_checked(path, Setup)
