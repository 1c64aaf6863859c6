"""Record once with an instrument and fetch every channel with its scale."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.capture.dialects import Dialect, Question
from witnessmark.capture.instrument import Instrument, bad
from witnessmark.errors import BadInstrument
from witnessmark.recording.naming import time_scale
from witnessmark.recording.trouble import shorten

PROBE_S = 2.0  # how long a question of a dialect that is not spoken is waited for
SHORTER = 0.98  # a record of less than this share of what was asked for is said to be shorter
# What stands for "no number" (9.91E37) and infinity (9.9E37) in SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5; from memory.
NO_NUMBER = 9.9e37
_SELECTOR = re.compile(r"[A-Za-z0-9_]{1,40}")


_TAKEN = ("rate_hz", "gain__", "offset__", "unit__")  # names with a meaning of their own in a recording


@dataclass(frozen=True, slots=True)
class Wanted:
    """A channel: what the instrument calls it (a number stands for the dialect's own name of it), and what we do."""

    selector: str
    name: str


@dataclass(frozen=True, slots=True)
class Captured:
    """What came: native samples by name, equally long; value = sample * gain + offset in V.

    identity: what the instrument says it is. cautions: sentences on what differs from what was asked.
    """

    channels: dict[str, NDArray[Any]]
    gains: dict[str, float]
    offsets: dict[str, float]
    rate_hz: float
    identity: str
    dialect: str
    cautions: tuple[str, ...] = ()

    @property
    def samples(self) -> int:
        """Samples of a channel."""
        return len(next(iter(self.channels.values())))


def parse_channels(said: str) -> tuple[Wanted, ...]:
    """Channels from "1=crank sensor,2=cam" or "1,2"; raises BadInstrument (one line) for anything else."""
    out: list[Wanted] = []
    for part in said.split(","):
        selector, _, name = (p.strip() for p in part.partition("="))
        if not _SELECTOR.fullmatch(selector):
            raise bad("--channels", f'"{shorten(part)}" names no channel', "expected such as 1=crank,2=cam")
        if time_scale(name) is not None or name.lower().startswith(_TAKEN):
            raise bad("--channels", f'a channel cannot be called "{shorten(name)}"', "choose another name for the line")
        out.append(Wanted(selector, name or selector))
    for field in ("selector", "name"):
        every = [getattr(w, field) for w in out]
        twice = next((v for v in every if every.count(v) > 1), None)
        if twice is not None:
            raise bad("--channels", f'"{shorten(twice)}" stands twice', "give every channel once, with its own name")
    return tuple(out)


def capture(
    instrument: Instrument,
    dialects: Sequence[Dialect],
    wanted: Sequence[Wanted],
    seconds: float,
    *,
    rate_hz: float | None = None,
    reset: bool = False,
    patience_s: float = 10.0,
    begun: Callable[[], None] = lambda: None,
) -> Captured:
    """Record ``seconds`` on the wanted channels; waits ``patience_s`` longer than that for the end.

    ``begun`` is called when the recording has begun.

    The instrument's own ranges, coupling and probes are kept unless ``reset``. Raises BadInstrument (one line).
    """
    identity = instrument.identity()
    instrument.send("*CLS")
    if reset:
        instrument.send("*RST")
    _done(instrument, patience_s, "*RST" if reset else "*CLS")
    dialect = _spoken(instrument, dialects, wanted[0])
    points = None if rate_hz is None else max(2, round(rate_hz * seconds))
    _set_up(instrument, dialect, seconds, points)
    instrument.send(dialect.begin)
    begun()
    _done(instrument, seconds + patience_s, dialect.begin)
    instrument.check(dialect.begin)
    fetched = {w.name: _fetch(instrument, dialect, w) for w in wanted}
    lengths = {name: len(f.samples) for name, f in fetched.items()}
    rates = {f.rate_hz for f in fetched.values()}
    if len(set(lengths.values())) > 1 or max(rates) - min(rates) > 1e-9 * max(rates):
        said = ", ".join(f"{shorten(n)} {length} at {fetched[n].rate_hz:g} Hz" for n, length in lengths.items())
        raise bad(instrument.name, f"its channels differ in length or rate ({said})", "expected one record; try again")
    got = Captured(
        {name: f.samples for name, f in fetched.items()},
        {name: f.gain for name, f in fetched.items()},
        {name: f.offset for name, f in fetched.items()},
        rates.pop(),
        identity,
        dialect.id,
    )
    return _judged(got, seconds, rate_hz)


def _judged(got: Captured, seconds: float, rate_hz: float | None) -> Captured:
    """With what differs from what was asked, said."""
    lasts, cautions = got.samples / got.rate_hz, []
    if lasts < SHORTER * seconds:
        cautions.append(f"The instrument gave {lasts:.6g} s instead of {seconds:g} s: its memory sets the length.")
    if rate_hz is not None and not math.isclose(got.rate_hz, rate_hz, rel_tol=1e-3):
        cautions.append(f"The instrument sampled at {got.rate_hz:.6g} Hz instead of {rate_hz:g} Hz.")
    return replace(got, cautions=tuple(cautions))


def _spoken(instrument: Instrument, dialects: Sequence[Dialect], first: Wanted) -> Dialect:
    """The first dialect whose probe is answered; one that was chosen and has no probe is taken at its word."""
    if len(dialects) == 1 and dialects[0].probe is None:
        return dialects[0]
    for dialect in dialects:
        probe = (dialect.probe or "").format(channel=_channel(dialect, first), seconds="", points="")
        if probe and instrument.answers(probe, PROBE_S):
            return dialect
    ids = ", ".join(d.id for d in dialects)
    raise bad(instrument.name, f"answers in none of the dialects {ids}", "describe its own in a file for --dialect")


def _channel(dialect: Dialect, wanted: Wanted) -> str:
    return dialect.channel.format(number=wanted.selector) if wanted.selector.isdigit() else wanted.selector


def _set_up(instrument: Instrument, dialect: Dialect, seconds: float, points: int | None) -> None:
    for commands, must in ((dialect.setup, True), (dialect.offer, False)):
        for command in commands:
            if "{points}" in command and points is None:
                continue
            said = command.format(seconds=f"{seconds:.9g}", points=points, channel="")
            instrument.send(said)
            if must:
                instrument.check(said)
            else:
                instrument.errors()  # it may refuse these


def _done(instrument: Instrument, within_s: float, after: str) -> None:
    """Wait until everything sent is done."""
    answer = instrument.ask("*OPC?", within_s)
    if answer.lstrip("+") != "1":
        raise bad(instrument.name, f'answers "{shorten(answer, 40)}" to *OPC? after {after}', "expected 1")


@dataclass(frozen=True, slots=True)
class _Fetched:
    samples: NDArray[Any]
    rate_hz: float
    gain: float
    offset: float


def _fetch(instrument: Instrument, dialect: Dialect, wanted: Wanted) -> _Fetched:
    """Samples and scale of one channel."""
    channel = _channel(dialect, wanted)
    for command in dialect.select:
        instrument.send(command.format(channel=channel, seconds="", points=""))
    ask = dialect.ask

    def asked(question: Question | None, else_: float) -> float:
        if question is None:
            return else_
        return instrument.number(question.query.format(channel=channel, seconds="", points=""), question.field)

    rate_hz = asked(ask.rate_hz, 0.0) if ask.interval_s is None else _inverse(asked(ask.interval_s, 0.0))
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        raise bad(instrument.name, f"gives no rate for {shorten(wanted.name)}", "expected an interval above 0 s")
    step, origin, reference = asked(ask.step, 1.0), asked(ask.origin, 0.0), asked(ask.reference, 0.0)
    if not (all(map(math.isfinite, (step, origin, reference))) and step != 0):
        raise bad(instrument.name, f"gives no usable scale for {shorten(wanted.name)}", "check range and probe of it")
    samples = _known(_samples(instrument, dialect, dialect.data.format(channel=channel, seconds="", points="")))
    instrument.check(f"reading {wanted.name}")
    points = asked(ask.points, float(len(samples)))
    if points != len(samples):
        raise bad(
            instrument.name,
            f"announces {points:.0f} samples of {shorten(wanted.name)}, {len(samples)} came",
            "record again, or try another --dialect",
        )
    if len(samples) < 2:
        raise bad(instrument.name, f"holds no samples of {shorten(wanted.name)}", "check that the channel is on")
    return _Fetched(samples, rate_hz, step, origin - reference * step)


def _known(samples: NDArray[Any]) -> NDArray[Any]:
    """Samples with gaps (NaN) where the instrument says that there is no number."""
    if samples.dtype.kind != "f":
        return samples
    return np.where(np.abs(samples) >= samples.dtype.type(NO_NUMBER), samples.dtype.type(np.nan), samples)


def _inverse(interval_s: float) -> float:
    return 1.0 / interval_s if interval_s > 0 else 0.0


def _samples(instrument: Instrument, dialect: Dialect, query: str) -> NDArray[Any]:
    if dialect.sample == "ascii":
        answer = instrument.ask(query)
        try:
            return np.array([float(part) for part in answer.split(",")], dtype=np.float64)
        except ValueError:
            raise bad(
                instrument.name, f'answers "{shorten(answer, 40)}" to {query}', "expected numbers with commas between"
            ) from None
    data, dtype = instrument.block(query), dialect.dtype
    if len(data) % dtype.itemsize:
        raise BadInstrument(
            f"{instrument.name}: {len(data)} bytes are no whole {dtype.name} samples; check the dialect's sample type"
        )
    return np.frombuffer(data, dtype).astype(dtype.newbyteorder("="))
