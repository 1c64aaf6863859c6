"""The snapshot as JSON and back, and its schema.

``python -m witnessmark.scan.snapshot_json`` prints the schema (JSON Schema 2020-12); docs/scan.schema.json is that
print. Fields may be added; none is ever renamed or dropped.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter, ValidationError

from witnessmark.errors import BadScan
from witnessmark.scan.codes import normal_code
from witnessmark.scan.model import SCHEMA, ControlUnit, Engine, ScanSnapshot
from witnessmark.scan.readiness import NAMES
from witnessmark.scan.vin import masked

if TYPE_CHECKING:
    from collections.abc import Iterable

    from witnessmark.scan.ask import Outcome


@lru_cache(maxsize=1)
def _form() -> TypeAdapter[ScanSnapshot]:
    return TypeAdapter(ScanSnapshot)


def without_vin(snapshot: ScanSnapshot) -> ScanSnapshot:
    """The snapshot with every vehicle number masked."""
    units = tuple(replace(u, vin=masked(u.vin)) if u.vin is not None else u for u in snapshot.units)
    return replace(snapshot, units=units)


def snapshot_json(snapshot: ScanSnapshot, show_vin: bool = False) -> dict[str, Any]:
    """The snapshot as a JSON object; vehicle numbers are masked unless ``show_vin``."""
    data: dict[str, Any] = _form().dump_python(snapshot if show_vin else without_vin(snapshot), mode="json")
    return {"schema": data.pop("schema"), **data}


def erased_json(outcomes: Iterable[Outcome], saved: str) -> dict[str, Any]:
    """What became of each unit that was asked to erase, and where what was lost is saved."""
    units = [{"address": o.address, "erased": o.erased, "why": o.why or None} for o in outcomes]
    return {"schema": "witnessmark.scan-erased/1", "saved": saved, "units": units}


def simulated_json(
    engine: Engine, path: str | None = None, frames: int | None = None, *, channel: str | None = None,
    answers: int | None = None,
) -> dict[str, Any]:  # fmt: skip
    """What the simulated van did: a log written with so many frames, or so many requests answered on a bus."""
    return {"schema": "witnessmark.scan-simulated/1", "simulated": True, "engine": engine, "path": path,
            "frames": frames, "channel": channel, "answers": answers}  # fmt: skip


def snapshot_from(text: str, name: str) -> ScanSnapshot:
    """The snapshot of a JSON text; ``name``: what to call it in the one line of a BadScan."""
    try:
        data = json.loads(text, parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise BadScan(f"{name}: not valid JSON ({error}); give a snapshot that scan read wrote") from None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise BadScan(f'{name}: expected "schema": "{SCHEMA}"; give a snapshot that scan read wrote')
    try:
        snapshot = _form().validate_python(data)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(p) for p in first["loc"]) or "the snapshot"
        raise BadScan(f"{name}: {where}: {first['msg']}; read the snapshot again") from None
    for unit in snapshot.units:
        wrong = _wrong_with(unit)
        if wrong:
            raise BadScan(f"{name}: {wrong}; read the snapshot again")
    return snapshot


def _wrong_with(unit: ControlUnit) -> str:
    """What a unit's words and numbers break that their types do not say; empty if nothing."""
    for s in unit.series:
        if s.times_s is not None and len(s.times_s) != len(s.values):
            return f"{s.key}: {len(s.times_s)} times for {len(s.values)} values"
    kept = [f.code for f in unit.freeze_frames if f.code is not None]
    for code in (*unit.codes, *unit.earlier, *kept):
        try:
            normal_code(code)
        except BadScan as error:
            return str(error)
    for state in (unit.readiness, unit.readiness_this_cycle):
        for monitor in state.monitors if state is not None else ():
            if monitor.name not in NAMES:
                return f'"{monitor.name[:40]}" is no self-test'
    return ""


def _refuse(text: str) -> float:
    raise ValueError(f"{text} is no number")


def schema() -> dict[str, Any]:
    """The published schema of :func:`snapshot_json`'s result."""
    made = _form().json_schema(mode="serialization")
    made["properties"]["schema"] = {"const": SCHEMA}
    made["title"] = "Witnessmark scan snapshot, version 1"
    made["description"] = (
        "What the control units of a vehicle said. Times in seconds on the clock of the source, units beside the "
        "values. Unknown is null, never 0. Vehicle numbers are masked unless asked for."
    )
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


def main() -> None:
    """Print the schema."""
    print(json.dumps(schema(), indent=2, ensure_ascii=False))


if __name__ == "__main__":
    main()
