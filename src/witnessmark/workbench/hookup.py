"""The form of a recording's hookup: which line is what, and what is known of vehicle, engine and wheel.

What the analysis inferred is offered first and stays inferred until the form says something else. What the form says
is checked as a setup file is (:func:`witnessmark.recording.setup.load_setup`) before it takes the place of the old one.
A form names the setup it was made from (``revision``). Where another took its place meanwhile, nothing is written over:
the answer is 409 with every field that would be changed back.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import tomllib
from pathlib import Path
from typing import Any, get_args

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from witnessmark.errors import BadSetup, BadWorkbench
from witnessmark.learn.write import toml
from witnessmark.recording.setup import ChannelSetup, Engine, Role, load_setup
from witnessmark.report.words import ROLES, SENSORS
from witnessmark.workbench.case_routes import read_bytes, read_json, told

Table = dict[str, Any]
TEXT, INT, FLOAT, INTS, FLOATS = "text", "whole number", "number", "whole numbers", "numbers"
VEHICLE = {"description": TEXT, "vin": TEXT, "complaint": TEXT}
ENGINE = {
    "cylinders": INT, "strokes": INT, "ignition": TEXT, "cranked_by": TEXT, "firing_order": INTS,
    "firing_angles_deg": FLOATS,
}  # fmt: skip
WHEEL = {"slots": INT, "missing": INTS, "edge": TEXT, "tdc_slot": FLOAT}
CHANNEL = {
    "label": TEXT, "role": TEXT, "of": TEXT, "sensor": TEXT, "bank": INT, "cylinder": INT, "unit": TEXT,
    "scale": FLOAT, "offset": FLOAT,
}  # fmt: skip
TABLES = {"vehicle": VEHICLE, "engine": ENGINE, "crank_wheel": WHEEL}
IGNITION = {
    "coil-per-cylinder": "a coil for each cylinder", "wasted-spark": "one coil for two cylinders",
    "distributor": "one coil and a distributor", "compression": "none (diesel)",
}  # fmt: skip


def form_of(analysis: Table, setup: Table) -> Table:
    """What the form shows: every line with what was inferred and how sure, what was said, and what can be chosen.

    ``analysis``: the analysis' JSON; ``setup``: the setup file as plain data.
    """
    said = {c.get("name"): c for c in setup.get("channel", ())}
    lines = []
    for line in analysis["channels"]:
        given = said.get(line["name"]) or said.get(str(line["position"])) or {}
        lines.append(
            {
                "name": line["name"],
                "position": line["position"],
                "found": {
                    "role": ROLES.get(line["role"], line["role"]),
                    "role_sure": line["role_confidence"],
                    "role_source": line["role_source"],
                    "role_reason": line["role_reason"],
                    "sensor": SENSORS.get(line["sensor"], line["sensor"]),
                    "unit": line["unit"],
                    "edges": line["edges"],
                },
                "said": {key: _shown(given.get(key)) for key in CHANNEL},
            }
        )
    return {
        "lines": lines,
        "said": {table: {k: _shown(setup.get(table, {}).get(k)) for k in keys} for table, keys in TABLES.items()},
        "found": _found(analysis),
        "choices": {
            "role": [[r, ROLES[r]] for r in get_args(Role)],
            "sensor": [[s, SENSORS[s]] for s in _choices(ChannelSetup, "sensor")],
            "ignition": [[i, IGNITION[i]] for i in _choices(Engine, "ignition")],
            "cranked_by": [["starter", "a starter"], ["motor", "an electric drive motor"]],
            "strokes": [["4", "four"], ["2", "two"]],
            "edge": [["falling", "falling"], ["rising", "rising"]],
        },
    }


def _choices(model: Any, key: str) -> tuple[str, ...]:
    """The words that a key of the setup may be."""
    literal = next(a for a in get_args(model.model_fields[key].annotation) if a is not type(None))
    return tuple(str(a) for a in get_args(literal))


def _shown(value: Any) -> str:
    """A value of a setup as it stands in a field."""
    if value is None:
        return ""
    if isinstance(value, list):
        return ", ".join(_shown(v) for v in value)
    short = f"{value:g}" if isinstance(value, float) else str(value)
    return short if not isinstance(value, float) or float(short) == value else repr(value)  # it is written back so


def _found(analysis: Table) -> Table:
    """What the recording itself says of engine and wheel, each in words; empty where it says nothing."""
    wheel, engine, phase = (analysis.get(k) or {} for k in ("crank_wheel", "engine", "phase"))
    cylinders = engine.get("cylinders")
    return {
        "cylinders": "" if cylinders is None else f"{cylinders} ({_sure(engine)})",
        "wheel": "" if not wheel.get("name") else f"{wheel['name']} ({_source(wheel)})",
        "phase": phase.get("angle_reference") or "",
    }


def _source(found: Table) -> str:
    return "as the setup says" if found.get("source") == "setup" else "found in the recording"


def _sure(found: Table) -> str:
    certainty = found.get("certainty")
    sure = "" if certainty is None or found.get("source") == "setup" else f", {certainty:.0%} sure"
    return f"{_source(found)}{sure}"


# ---- from the form to the setup file


class BadField(BadSetup):
    """A field of the form that cannot be taken; ``field``: its name, as the form has it."""

    def __init__(self, field: str, text: str):
        """``text``: what is wrong and what to do."""
        super().__init__(text)
        self.field = field


def merged(setup: Table, form: Table) -> Table:
    """The setup with what the form says; what the form does not ask for stays as it is. BadField where it cannot."""
    out = dict(setup)
    _check_form(form)
    for table, keys in TABLES.items():
        values = _overlaid(out.get(table, {}), form.get(table) or {}, keys, table)
        out.pop(table, None)
        if values:
            out[table] = values
    channels = [dict(c) for c in out.get("channel", ())]
    for line in form.get("lines") or ():
        name, position = str(line.get("name")), line.get("position")
        old = next((c for c in channels if c.get("name") in (name, str(position))), None)
        new = _overlaid(old or {"name": name}, line.get("said") or {}, CHANNEL, f"channel.{position}")
        if old is not None:
            channels[channels.index(old)] = new
        elif len(new) > 1:
            channels.append(new)
    out["channel"] = [c for c in channels if len(c) > 1]
    return out


def _check_form(form: Table) -> None:
    lines = form.get("lines") or []
    tables = [form.get(table) or {} for table in TABLES]
    if isinstance(lines, list) and all(isinstance(line, dict) for line in lines):
        tables += [line.get("said") or {} for line in lines]
        if all(isinstance(table, dict) for table in tables):
            return
    raise BadField("", "the form: expected tables of fields; load the page again")


def changed_back(shown: Table, form: Table) -> list[Table]:
    """Every field that a form made from an older setup would change: ``shown``, the form as it would be made now.

    [{"field", "says"}], channels by their position.
    """
    _check_form(form)
    now = {f"{table}.{key}": value for table, values in shown["said"].items() for key, value in values.items()}
    given = {f"{table}.{key}": value for table in TABLES for key, value in (form.get(table) or {}).items()}
    for fields, lines in ((now, shown["lines"]), (given, form.get("lines") or ())):
        fields |= {f"channel.{n.get('position')}.{k}": v for n in lines for k, v in (n.get("said") or {}).items()}
    return [
        {"field": field, "says": f"now {now[field] or 'not said'}; here {str(value).strip() or 'not said'}"}
        for field, value in given.items()
        if field in now and str(value).strip() != now[field]
    ]


def _overlaid(old: Table, said: Table, keys: dict[str, str], where: str) -> Table:
    out = dict(old)
    for key, form in keys.items():
        if key not in said:
            continue
        value = _value(str(said[key]).strip(), form, f"{where}.{key}")
        out.pop(key, None)
        if value is not None:
            out[key] = value
    return out


def _value(text: str, form: str, field: str) -> Any:
    """A field's text in the form the setup wants; None where it is empty."""
    if not text:
        return None
    try:
        if form == INT:
            return int(text)
        if form == FLOAT:
            return float(text.replace(",", "."))
        if form == INTS:
            return [int(t) for t in re.split(r"[,;\s–-]+", text) if t]
        if form == FLOATS:
            return [float(t) for t in re.split(r"[,;\s]+", text) if t]
    except ValueError:
        raise BadField(field, f'"{text[:40]}" is not allowed, expected {form}; correct it or leave it empty') from None
    return text


def setup_text(setup: Table) -> str:
    """A setup as a TOML file."""
    lines = ["# written by the hookup form of the workbench"]
    for table in ("vehicle", "engine", "crank_wheel", "learnt"):
        if setup.get(table):
            lines += ["", f"[{table}]", *(f"{k} = {toml(v)}" for k, v in setup[table].items())]
    for table in ("cam_wheel", "channel"):
        for row in setup.get(table, ()):
            lines += ["", f"[[{table}]]", *(f"{k} = {toml(v)}" for k, v in row.items())]
    return "\n".join(lines) + "\n"


def checked(setup: Table) -> str:
    """The file's text, if it is a setup; BadField with the form's field where it is not."""
    text = setup_text(setup)
    try:
        load_text(text)
    except BadSetup as error:
        key, _, rest = str(error).partition(": ")
        raise BadField(_field(key, setup), rest or key) from None
    return text


def load_text(text: str) -> None:
    """BadSetup, without a place on this machine, where the text is no setup file."""
    with tempfile.TemporaryDirectory(prefix="witnessmark-") as folder:
        place = os.path.join(folder, "setup.toml")
        Path(place).write_text(text, encoding="utf-8")
        try:
            load_setup(place)
        except BadSetup as error:
            raise BadSetup(str(error).removeprefix(f"{place}: ")) from None


def _field(key: str, setup: Table) -> str:
    """The form's field for a key of the setup: channels by their position in the form's order of names."""
    at = re.match(r"channel\[(\d+)\](.*)", key)
    if at is None:
        return key
    return f"channel:{setup['channel'][int(at[1]) - 1]['name']}{at[2]}"


def _read(request: Request) -> tuple[Table, Table, str]:
    """(analysis, setup, revision of the setup) of the recording."""
    analysis: Table = request.app.state.bench.folder.read_json(request.path_params["id"], "analysis.json")
    text = _setup_of(request)
    return analysis, tomllib.loads(text), _revision(text)


def _setup_of(request: Request) -> str:
    place = request.app.state.bench.folder.setup(request.path_params["id"])
    return "" if place is None else str(place.read_text(encoding="utf-8"))


def _revision(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@told
async def show(request: Request) -> Response:
    """The form."""
    analysis, setup, revision = await run_in_threadpool(_read, request)
    return JSONResponse(form_of(analysis, setup) | {"revision": revision})


@told
async def save(request: Request) -> Response:
    """Take what the form says as the recording's setup. It counts from the next analysis on."""
    form = await read_json(request)
    analysis, setup, revision = await run_in_threadpool(_read, request)
    if form.get("revision", revision) != revision and (between := changed_back(form_of(analysis, setup), form)):
        said = "another device told the hookup meanwhile; nothing is written yet"
        return JSONResponse({"error": said, "last": revision, "between": between}, status_code=409)
    positions = {line["name"]: line["position"] for line in analysis["channels"]}
    try:
        text = await run_in_threadpool(lambda: checked(merged(setup, form)))
    except BadField as error:
        name = re.match(r"channel:(.*)\.(\w+)$", error.field)
        field = error.field if name is None else f"channel.{positions.get(name[1], name[1])}.{name[2]}"
        return JSONResponse({"error": str(error), "field": field}, status_code=400)
    if _revision(_setup_of(request)) != revision:  # from here to the writing nothing else gets a turn
        raise BadWorkbench("another device told the hookup at the same moment; press once more")
    request.app.state.bench.folder.write(request.path_params["id"], "setup.toml", text)
    return JSONResponse({"revision": _revision(text)})


@told
async def take(request: Request) -> Response:
    """Take a whole setup file in place of what was said. It counts from the next analysis on."""
    folder, recording = request.app.state.bench.folder, request.path_params["id"]
    folder.card(recording)
    try:
        text = (await read_bytes(request)).decode("utf-8")
        await run_in_threadpool(load_text, text)
    except UnicodeDecodeError:
        raise BadSetup("the setup file: is no text; choose a setup file") from None
    except BadSetup as error:
        raise BadSetup(f"the setup file: {error}") from None
    folder.write(recording, "setup.toml", text)
    return JSONResponse({})


def hookup_routes() -> list[BaseRoute]:
    """The routes of the form."""
    return [
        Route("/api/recordings/{id}/hookup", show),
        Route("/api/recordings/{id}/hookup", save, methods=["POST"]),
        Route("/api/recordings/{id}/hookup", take, methods=["PUT"]),
    ]
