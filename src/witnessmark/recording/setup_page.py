"""The setup file as a page for people, made from its models so that the two cannot part."""

from __future__ import annotations

import types
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from witnessmark.recording.setup import CamWheel, ChannelSetup, CrankWheel, Engine, Learnt, Setup, Vehicle

HEAD = """# The setup file

This page is made from the models in `src/witnessmark/recording/setup.py` by
`python -m witnessmark.recording.setup_page`; edit those, not this.

    witnessmark analyze RECORDING --setup SETUP.toml

A setup is a TOML file. Every key is optional, and so is the file: without it roles, sensor kinds, wheel and cam pattern
are inferred from the recording, and everything inferred says so. A setup makes the answer sharper; the two entries
worth most are the crank wheel's `slots` with `missing` (a broken tooth beside the gap can then not pass for a wider gap
by design) and `tdc_slot` (angles are then counted from top dead centre, and the report says how far to bar the engine).
A key that is not in this list, a value of the wrong type and an impossible value are errors of one line that names the
key.

A setup can be learnt from a recording of a good engine of the same kind ([page](learn.md)):

    witnessmark learn GOOD_RECORDING --out SETUP.toml

"""

EXAMPLE = """## Example

    [vehicle]
    description = "Bakery delivery van, inline four"
    complaint = "Often cranks without starting; starter and battery were replaced"
    codes = ["P0336"]

    [engine]
    cylinders = 4
    firing_order = [1, 3, 4, 2]

    [crank_wheel]
    slots = 60
    missing = [59, 60]
    tdc_slot = 22.0

    [[channel]]
    name = "column 2"
    label = "crank sensor"
    role = "crank"
    sensor = "vr"
"""

TABLES: tuple[tuple[str, type[BaseModel], str], ...] = (
    (
        "[vehicle]",
        Vehicle,
        "Who the patient is. The complaint weighs a little among the causes.",
    ),
    (
        "[engine]",
        Engine,
        "The engine's build. Four strokes and even firing are assumed where nothing is said.",
    ),
    (
        "[crank_wheel]",
        CrankWheel,
        "The toothed wheel as designed, not as found: by slots, or unequal by angles.",
    ),
    ("[[cam_wheel]]", CamWheel, "One camshaft line as designed, once for each."),
    ("[[channel]]", ChannelSetup, "What a line of the recording is, once for each: value = raw * scale + offset."),
    (
        "[learnt]",
        Learnt,
        "Written by `witnessmark learn`: where the values come from. Channels that a learnt setup names and a "
        "recording does not have are a caution, not an error.",
    ),
)

MEANING = {
    "vehicle.description": "the vehicle in your words; the report's title",
    "vehicle.vin": "17 characters, `*` masks one; the report shows the first three",
    "vehicle.complaint": "what the driver says and what was done already",
    "vehicle.codes": "stored trouble codes, in the form of SAE J2012 / ISO 15031-6",
    "engine.cylinders": "number of cylinders",
    "engine.strokes": "strokes of a working cycle",
    "engine.ignition": '"compression" is a diesel: no spark is then missed',
    "engine.cranked_by": '"motor" is a hybrid: no starter current, and it may start by itself',
    "engine.firing_order": "each cylinder once, in firing order",
    "engine.firing_angles_deg": "by firing order, crank degrees from cylinder 1's firing TDC; default even",
    "engine.banks": "cylinders of each bank: `{ 1 = [1, 3, 5], 2 = [2, 4, 6] }`",
    "engine.bore_mm": "bore",
    "engine.stroke_mm": "stroke",
    "engine.rod_mm": "connecting rod between centres",
    "engine.compression_ratio": "geometric compression ratio",
    "engine.exhaust_opens_deg": "crank degrees after firing TDC, phaser parked: 45 before bottom dead centre is 135",
    "engine.intake_closes_deg": "likewise, of the same cycle: 50 after bottom dead centre is 590",
    "engine.valve_tolerance_deg": "how far a good engine's pressure may stand off them, crank degrees; default 10",
    "crank_wheel.slots": "equal divisions of one turn, missing teeth counted",
    "crank_wheel.missing": "slots that have no tooth by design; slot 1 is the first tooth after the longest gap",
    "crank_wheel.teeth_deg": "unequal wheels instead of slots: the marking edges of one turn, rising",
    "crank_wheel.widths_deg": "width of each of these teeth, where widths are coded",
    "crank_wheel.edge": "the edge that marks a tooth",
    "crank_wheel.tdc_slot": "slot (may be fractional) whose marking edge passes the sensor at cylinder 1's TDC",
    "crank_wheel.tdc_tolerance_deg": "how well that slot is known, crank degrees; default 1",
    "crank_wheel.teeth_error_deg": "how late each tooth's edge comes on a good engine, from slot 1 on; taken off",
    "crank_wheel.teeth_amplitude": "pulse of each tooth of a good wheel, of the median tooth's; divided out",
    "crank_wheel.teeth_tolerance_deg": "how far a good tooth may stand off beside that, crank degrees",
    "crank_wheel.runout_deg": "once-per-turn error of the good wheel; taken off",
    "crank_wheel.runout_phase_deg": "angle from slot 1 at which that error is latest",
    "cam_wheel.channel": "the channel's name in the recording",
    "cam_wheel.bank": "bank",
    "cam_wheel.camshaft": "which camshaft",
    "cam_wheel.edges_deg": 'crank degrees after cylinder 1\'s firing TDC, phaser parked: `[[40.0, "rising"], ...]`',
    "cam_wheel.tolerance_deg": "how far a good cam may stand off, crank degrees",
    "cam_wheel.phaser_range_deg": "how far the phaser can move it, crank degrees",
    "channel.name": 'as the recording names it, or its place: "1", "2", ...',
    "channel.label": "what to call it",
    "channel.role": "what the line is",
    "channel.of": "for a second tap, supply or ground: the channel it belongs to",
    "channel.sensor": '"hall" is any line of two levels, "vr" a variable-reluctance sensor',
    "channel.bank": "bank it belongs to",
    "channel.cylinder": "cylinder it belongs to",
    "channel.unit": "unit of the scaled value",
    "channel.scale": "factor from the file's value to the unit; WAV is taken as -1..+1",
    "channel.offset": "added after scaling",
    "learnt.recording": "the recording it was learnt from",
    "learnt.turns": "turns decoded in it",
    "learnt.same_engine": "true: of one engine, with its own teeth's errors; false: of its kind",
    "learnt.despite": "faults stated in that recording when it was learnt all the same; every analysis repeats them",
}


def table_name(heading: str) -> str:
    """ "[[channel]]" -> "channel"."""
    return heading.strip("[]")


def keys() -> set[str]:
    """Every key of the setup as table.key."""
    return {f"{table_name(heading)}.{key}" for heading, model, _ in TABLES for key in model.model_fields}


def setup_page() -> str:
    """The page in Markdown."""
    assert {table_name(heading) for heading, _, _ in TABLES} == set(Setup.model_fields)
    parts = [HEAD]
    for heading, model, about in TABLES:
        parts.append(f"## `{heading}`\n\n{about}\n\n| key | value | meaning |\n| --- | --- | --- |\n")
        for key, field in model.model_fields.items():
            meaning = MEANING[f"{table_name(heading)}.{key}"]
            parts.append(f"| `{key}` | {_value(field)} | {meaning} |\n")
        parts.append("\n")
    return "".join([*parts, EXAMPLE])


def _value(field: FieldInfo) -> str:
    words = _words(field.annotation)
    limits = [text for data in field.metadata if (text := _limit(data))]
    return ", ".join([words, *limits]).replace("|", "\\|")


def _words(kind: Any) -> str:
    """A type in plain words."""
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return " or ".join(_words(a) for a in args if a is not type(None))
    if origin is Annotated:
        return ", ".join([_words(args[0]), *(text for data in args[1:] for text in _limits(data))])
    if origin is Literal:
        return ", ".join(f'"{a}"' if isinstance(a, str) else str(a) for a in args)
    if origin is tuple:
        return f"list of {_plural(args[0])}" if Ellipsis in args else "pair of " + " and ".join(_words(a) for a in args)
    if origin is dict:
        return f"table of {_plural(args[1])}"
    return {int: "whole number", float: "number", str: "text", bool: "true or false"}[kind]


def _plural(kind: Any) -> str:
    words = _words(kind)
    plural = {"whole number": "whole numbers", "number": "numbers", "text": "texts"}
    if words.startswith(("pair of", "list of")):
        return words.replace("pair of", "pairs of", 1).replace("list of", "lists of", 1)
    return plural.get(words, words)


def _limits(data: Any) -> list[str]:
    nested = data.metadata if isinstance(data, FieldInfo) else [data]
    return [text for item in nested if (text := _limit(item))]


def _limit(data: Any) -> str:
    """A bound in words; empty for what is none."""
    for name, words in (("ge", "at least"), ("gt", "above"), ("le", "at most"), ("lt", "below")):
        if getattr(data, name, None) is not None:
            return f"{words} {getattr(data, name):g}"
    return ""


def main() -> None:
    """Write docs/setup.md of the source tree this module lies in."""
    target = Path(__file__).resolve().parents[3] / "docs" / "setup.md"
    target.write_text(setup_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
