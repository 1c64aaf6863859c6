"""A snapshot typed in by hand (TOML), from what another tool's screen shows, or from answers copied as bytes.

link = "can"                          # or "pre-can"
engine = "cranking"                   # what it did meanwhile: "off", "cranking" or "running"
taken = "2024-02-01T09:30:00"

[[unit]]
address = "7E8"
name = "engine control"
stored = ["P0336"]                    # an empty list says: asked, and none there
pending = []
permanent = []
vin = "..."
not_ready = ["catalyst", "oxygen-sensor"]   # self-tests that are supported and not complete
ready = ["misfire", "fuel-system", "components"]
lamp = true
answers = ["41 0C 03 20"]             # bytes after transport, as another tool logged them
[unit.values]                         # by the keys of the parameter table
engine-speed = 0
warm-ups-since-erased = 2
[[unit.freeze_frame]]
code = "P0336"
values = { engine-speed = 235 }
"""

from __future__ import annotations

import difflib
from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from witnessmark.errors import BadScan
from witnessmark.recording.setup_errors import load_checked
from witnessmark.scan.assemble import Unit
from witnessmark.scan.codes import normal_code
from witnessmark.scan.model import ControlUnit, Engine, FreezeFrame, ScanSnapshot, Series, Source
from witnessmark.scan.parameters import quantities
from witnessmark.scan.readiness import COMPRESSION, CONTINUOUS, NAMES, SPARK, Monitor, Readiness
from witnessmark.scan.services import Link
from witnessmark.scan.vin import checked

_MOST_LETTERS = 60


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class _Frame(_Table):
    code: str | None = None
    values: dict[str, float] = {}


class _Unit(_Table):
    address: Annotated[str, Field(pattern=r"^[0-9A-Fa-f]{3,8}$")] | None = None
    name: str | None = None
    stored: tuple[str, ...] | None = None
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    vin: str | None = None
    ready: tuple[str, ...] | None = None
    not_ready: tuple[str, ...] | None = None
    lamp: bool | None = None
    ignition: Literal["spark", "compression"] = "spark"
    answers: tuple[str, ...] = ()
    values: dict[str, float] = {}
    freeze_frame: tuple[_Frame, ...] = ()


class _Typed(_Table):
    link: Link = "can"
    engine: Engine | None = None
    taken: str | None = None
    unit: Annotated[tuple[_Unit, ...], Field(min_length=1)]


def read_hand(path: str, engine: Engine | None = None) -> ScanSnapshot:
    """The typed-in snapshot; engine: overrides what the file says. BadScan names file, unit and key in one line."""
    typed = load_checked(path, _Typed, BadScan)
    units = tuple(_unit(f"{path}: unit[{n}]", u, typed.link) for n, u in enumerate(typed.unit, start=1))
    names = [u.address for u in units]
    twice = next((a for a in names if names.count(a) > 1), None)
    if twice is not None:
        raise BadScan(f'{path}: two units have the address "{twice}"; give each its own')
    answers = sum(len(u.answers) for u in typed.unit)
    source = Source("hand", path, typed.link, typed.taken, engine or typed.engine, messages=answers or None)
    return ScanSnapshot(source, units)


def _unit(where: str, typed: _Unit, link: Link) -> ControlUnit:
    heard = Unit((typed.address or "").upper(), link)
    for n, text in enumerate(typed.answers, start=1):
        try:
            heard.hear(bytes.fromhex(text), None)
        except ValueError:
            raise BadScan(f'{where}.answers[{n}]: "{text[:_MOST_LETTERS]}" is not bytes in hex, such as "41 0C 03 20"; '
                          "correct it") from None  # fmt: skip
        except BadScan as error:
            raise BadScan(f"{where}.answers[{n}]: {error}") from None
    unit = heard.finished()
    lists = {kind: _codes(f"{where}.{kind}", getattr(typed, kind)) for kind in ("stored", "pending", "permanent")}
    said = {kind: codes for kind, codes in lists.items() if codes is not None}
    series = {s.key: s for s in unit.series} | {s.key: s for s in _values(f"{where}.values", typed.values)}
    frames = tuple(
        FreezeFrame(n, None if f.code is None else _code(f"{where}.freeze_frame[{n + 1}]", f.code),
                    _values(f"{where}.freeze_frame[{n + 1}].values", f.values))
        for n, f in enumerate(typed.freeze_frame)
    )  # fmt: skip
    vin = typed.vin if typed.vin is not None else unit.vin
    return replace(
        unit,
        name=typed.name or unit.name,
        series=tuple(series.values()),
        freeze_frames=frames or unit.freeze_frames,
        readiness=_readiness(where, typed) or unit.readiness,
        vin=vin,
        vin_check=None if vin is None else checked(vin),
        **said,  # type: ignore[arg-type]
    )


def _code(where: str, text: str) -> str:
    try:
        return normal_code(text)
    except BadScan as error:
        raise BadScan(f"{where}: {error}") from None


def _codes(where: str, texts: tuple[str, ...] | None) -> tuple[str, ...] | None:
    return None if texts is None else tuple(dict.fromkeys(_code(where, t) for t in texts))


def _values(where: str, values: dict[str, float]) -> tuple[Series, ...]:
    known: dict[str, Any] = {k: q for k, (_, q) in quantities().items()}
    for key in values:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f'did you mean "{near[0]}"?' if near else "the keys stand in docs/scan-tables.md;"
            raise BadScan(f'{where}: "{key[:_MOST_LETTERS]}" is no value of the table; {hint} Rename or remove it')
    return tuple(Series(k, known[k].name, known[k].unit, (float(v),)) for k, v in values.items())


def _readiness(where: str, typed: _Unit) -> Readiness | None:
    if typed.ready is None and typed.not_ready is None:
        return None
    allowed = [n for n in (*CONTINUOUS, *(COMPRESSION if typed.ignition == "compression" else SPARK)) if n]
    said = {**dict.fromkeys(typed.ready or (), True), **dict.fromkeys(typed.not_ready or (), False)}
    wrong = next((n for n in said if n not in allowed), None)
    if wrong is not None:
        raise BadScan(f'{where}: "{wrong[:_MOST_LETTERS]}" is no self-test; expected one of {", ".join(allowed)}')
    assert set(said) <= set(NAMES)
    codes = None if typed.stored is None else len(typed.stored)
    tests = tuple(Monitor(n, said[n], n in CONTINUOUS) for n in allowed if n in said)
    return Readiness(typed.lamp, codes, typed.ignition, tests)
