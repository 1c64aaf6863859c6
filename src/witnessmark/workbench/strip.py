"""Samples for the strip: envelopes or raw samples of a stretch, with the crank-degree scale beside them.

    GET /api/recordings/ID/strip?from=&to=&columns=&channels=&channels=   numbers to draw, see strip_pack
    GET /api/recordings/ID/at?t_s=                                        what a measuring mark reads
    GET /api/recordings/ID/when?t_s=&step_deg=  or  ?turning_deg=         the time a turn later, or of a tooth
    GET /api/recordings/ID/others                                         what it may be compared with

A strip may be asked for in the time of another recording (``onto``), to be laid over it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from witnessmark.errors import BadWorkbench
from witnessmark.recording.model import Recording
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import load_setup
from witnessmark.recording.trouble import shorten
from witnessmark.workbench import strip_angle
from witnessmark.workbench.strip_lines import line, read_at
from witnessmark.workbench.strip_pack import Packing
from witnessmark.workbench.teeth import Teeth, load_teeth

if TYPE_CHECKING:
    from witnessmark.workbench.folder import Folder

MOST_COLUMNS = 20_000  # three windows of a picture 6600 points wide
USUAL_COLUMNS = 1500
MOST_CHANNELS = 64
OPEN_AT_ONCE = 8  # recordings that stay open: their files are mapped, which costs address space and little else


def strip_routes() -> list[BaseRoute]:
    """The routes of the strip."""
    return [
        Route("/api/recordings/{id}/strip", strip),
        Route("/api/recordings/{id}/at", at),
        Route("/api/recordings/{id}/when", when),
        Route("/api/recordings/{id}/others", others),
    ]


async def strip(request: Request) -> Response:
    """What is drawn of a stretch."""
    answer = await _off_the_loop(request, stretch)
    return Response(answer, media_type="application/octet-stream", headers={"Cache-Control": "no-store"})


async def at(request: Request) -> Response:
    """Each line's raw sample nearest before a time, and the crank angle then."""
    return JSONResponse(await _off_the_loop(request, reading))


async def when(request: Request) -> Response:
    """The time some crank degrees after another, or at which a cumulative angle passes."""
    return JSONResponse(await _off_the_loop(request, _when))


async def others(request: Request) -> Response:
    """The analysed recordings that one may be compared with, the last that came first."""
    folder: Folder = request.app.state.bench.folder
    own = folder.card(request.path_params["id"]).id
    cards = await run_in_threadpool(folder.cards)
    ready = [c for c in cards if c.stage == "ready" and c.id != own]
    return JSONResponse({"recordings": [{"id": c.id, "name": c.name, "at_utc": c.at_utc} for c in ready]})


async def _off_the_loop(request: Request, work: Callable[[Folder, str, QueryParams], Any]) -> Any:
    folder: Folder = request.app.state.bench.folder
    return await run_in_threadpool(work, folder, request.path_params["id"], request.query_params)


def stretch(folder: Folder, recording_id: str, asked: QueryParams) -> bytes:
    """The strip's answer: see :mod:`~witnessmark.workbench.strip_pack` and the header built here."""
    start_s, end_s = _number(asked, "from"), _number(asked, "to")
    if not end_s > start_s:
        raise BadWorkbench(f"strip: to={end_s:g} must be later than from={start_s:g}")
    columns = _columns(asked)
    recording, teeth = recording_of(folder, recording_id), teeth_of(folder, recording_id)
    names = _names(recording, asked.getlist("channels"))
    pack = Packing()
    borders = np.linspace(start_s, end_s, columns + 1)
    header: dict[str, Any] = {"from_s": start_s, "to_s": end_s, "columns": columns, "warp": None}
    onto = asked.get("onto")
    if onto is not None:
        warp = _warp(folder, recording_id, onto, asked, borders)
        known = warp.own_s[np.isfinite(warp.own_s)]
        header["warp"] = {"onto_s": pack.put(warp.onto_s, "f8"), "own_s": pack.put(warp.own_s, "f8"),
                          "words": warp.words}  # fmt: skip
        if not len(known):
            return pack.bytes(header | {"angle": None, "lines": [], "passes": None})
        start_s, end_s = float(known[0]), float(known[-1])
        borders = np.linspace(start_s, end_s, columns + 1)
    header["angle"] = None if teeth is None else _angle(teeth, borders, pack)
    header["passes"] = _passes(teeth, asked, start_s, end_s, pack)
    header["lines"] = [line(recording, name, start_s, end_s, columns, pack) for name in names]
    return pack.bytes(header)


def _angle(teeth: Teeth, borders: NDArray[np.float64], pack: Packing) -> dict[str, Any]:
    """Degrees at the borders of the columns, and the stretches in which no tooth was seen for long."""
    return {
        "turning_deg": pack.put(teeth.turning_deg(borders), "f8"),
        "cycle_deg": pack.put(teeth.cycle_deg(borders)),
        "unseen": strip_angle.unseen(teeth, float(borders[0]), float(borders[-1])),
    }


def reading(folder: Folder, recording_id: str, asked: QueryParams) -> dict[str, Any]:
    """What a measuring mark reads at a time."""
    t_s = _number(asked, "t_s")
    recording = recording_of(folder, recording_id)
    return {
        "t_s": t_s,
        "lines": [read_at(recording, info, t_s) for info in recording.channels],
        "angle": strip_angle.angle_at(teeth_of(folder, recording_id), t_s),
    }


def _when(folder: Folder, recording_id: str, asked: QueryParams) -> dict[str, Any]:
    recording_of(folder, recording_id)
    teeth = teeth_of(folder, recording_id)
    if "turning_deg" in asked:
        return strip_angle.passing(teeth, _number(asked, "turning_deg"))
    return strip_angle.stepped(teeth, _number(asked, "t_s"), _number(asked, "step_deg"))


def _warp(folder: Folder, own: str, onto: str, asked: QueryParams, borders: Any) -> strip_angle.Warp:
    zero_s, onto_zero_s = _number(asked, "zero_s"), _number(asked, "onto_zero_s")
    by = asked.get("by", "time")
    if by not in ("time", "angle"):
        raise BadWorkbench(f"strip: by={shorten(by)}; expected time or angle")
    if by == "angle":
        mine, other = teeth_of(folder, own), teeth_of(folder, onto)
        made = mine and other and strip_angle.by_angle(mine, zero_s, other, onto_zero_s, borders)
        if made:
            return made
    made_by_time = strip_angle.by_time(zero_s, onto_zero_s, borders[0], borders[-1])
    if by == "angle":
        words = f"{made_by_time.words}: one of the two has no decoded crank angle there"
        return strip_angle.Warp(made_by_time.onto_s, made_by_time.own_s, words)
    return made_by_time


def _passes(teeth: Teeth | None, asked: QueryParams, start_s: float, end_s: float, pack: Packing) -> Any:
    if teeth is None or "slot_deg" not in asked:
        return None
    slot_deg = _number(asked, "slot_deg")
    times, seen = strip_angle.passes(teeth, slot_deg, start_s, end_s)
    return {"slot_deg": slot_deg, "times": pack.put(times, "f8"), "seen": pack.put(seen)}


def recording_of(folder: Folder, recording_id: str) -> Recording:
    """A recording's working store with its setup's scales, opened once and kept open."""
    store = folder.of(recording_id) / "store"
    setup = folder.setup(recording_id)
    try:
        made = (store / "recording.json").stat().st_mtime_ns
    except OSError:
        raise BadWorkbench(f"{recording_id}: has no samples here yet; wait until it is imported") from None
    told = None if setup is None else setup.stat().st_mtime_ns
    return _opened(str(store), made, None if setup is None else str(setup), told)


@lru_cache(maxsize=OPEN_AT_ONCE)
def _opened(store: str, _made: int, setup: str | None, _told: int | None) -> Recording:
    return open_recording(Path(store), None if setup is None else load_setup(setup))


def teeth_of(folder: Folder, recording_id: str) -> Teeth | None:
    """What is decoded of a recording; None where it is not analysed yet."""
    try:
        return load_teeth(folder.of(recording_id) / "teeth.npz")
    except FileNotFoundError:
        return None


def _number(asked: QueryParams, key: str) -> float:
    text = asked.get(key, "")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > 1e12:
        raise BadWorkbench(f"strip: {key}={shorten(text)}; expected a number" if text else f"strip: {key} is not given")
    return value


def _columns(asked: QueryParams) -> int:
    text = asked.get("columns", str(USUAL_COLUMNS))
    columns = int(text) if text.isascii() and text.isdigit() and len(text) < 7 else 0
    if not 1 <= columns <= MOST_COLUMNS:
        raise BadWorkbench(f"strip: columns={shorten(text)}; expected a whole number from 1 to {MOST_COLUMNS}")
    return columns


def _names(recording: Recording, asked: list[str]) -> list[str]:
    known = [c.name for c in recording.channels]
    wrong = [name for name in asked if name not in known]
    if wrong:
        there = ", ".join(shorten(name) for name in known[:8])
        raise BadWorkbench(f"strip: no line is named {shorten(wrong[0])}; the recording has {there}")
    return (list(dict.fromkeys(asked)) or known)[:MOST_CHANNELS]
