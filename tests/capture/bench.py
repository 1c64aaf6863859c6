"""A simulated instrument that speaks SCPI over a TCP socket on loopback: what one would say, and how it fails."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

RATE_HZ = 20_000.0


def block(data: bytes) -> bytes:
    """A block of definite length (IEEE 488.2, 8.7.9), built independently of the parser under test."""
    length = str(len(data)).encode()
    return b"#" + str(len(length)).encode() + length + data


@dataclass
class Bench:
    """An instrument with two channels. ``over`` answers a header in place of the usual answer (bytes as sent, or None
    for silence); ``unknown`` headers are refused into the error queue."""

    family: str = "trace"
    over: dict[str, bytes | None] = field(default_factory=dict)
    unknown: tuple[str, ...] = ()
    samples: int = 2_000
    reference: float = 32768.0
    done_after_s: float = 0.0
    drop_at: str = ""  # the line is closed when this header comes
    heard: list[str] = field(default_factory=list)
    queue: list[str] = field(default_factory=list)
    source: str = "L1"

    def volts(self, channel: str) -> np.ndarray:
        """What channel 1 (a sine) or 2 (a square wave of 0 and 5 V) shows."""
        t = np.arange(self.samples) / RATE_HZ
        return 2.0 * np.sin(2 * np.pi * 100 * t) if channel.endswith("1") else 5.0 * ((t * 200).astype(int) % 2)

    def codes(self, channel: str) -> np.ndarray:
        """The same as codes of 0.001 V around the reference."""
        return np.round(self.volts(channel) / 0.001 + self.reference).astype("<u2")

    def answer(self, message: str) -> bytes | None:
        """The answer to one message; None where there is none."""
        header, _, argument = message.partition(" ")
        if header in self.over:
            given = self.over[header]
            return None if given is None else given + b"\n"
        known = {**COMMON, **FAMILIES[self.family]}
        if header not in known or header in self.unknown:
            self.queue.append('-113,"Undefined header"')
            return None
        made = known[header](self, argument)
        return None if made is None else made + b"\n"

    def serve(self, line: socket.socket) -> None:
        with line, line.makefile("rb") as heard:
            for raw in heard:
                message = raw.decode().strip()
                self.heard.append(message)
                if self.drop_at and message.startswith(self.drop_at):
                    return
                answer = self.answer(message)
                if answer is not None:
                    line.sendall(answer)


def _error(bench: Bench, _: str) -> bytes:
    return (bench.queue.pop(0) if bench.queue else '0,"No error"').encode()


def _clear(bench: Bench, _: str) -> None:
    bench.queue.clear()


def _opc(bench: Bench, _: str) -> bytes:
    time.sleep(bench.done_after_s)
    return b"1"


def _nothing(bench: Bench, _: str) -> None:
    return None


def _select(bench: Bench, channel: str) -> None:
    bench.source = channel


def _scale(bench: Bench, _: str) -> bytes:
    return f"{bench.samples},{1 / RATE_HZ:.9E},1.0E-03,0.0,{bench.reference:g}".encode()


OWN = """
[[dialect]]
id = "codes"
says = "the test bench: codes with a scale"
mark = "memory"
source = "made up for these tests"
channel = "L{number}"
sample = "uint16"
byte_order = "little"
setup = ["SPAN {seconds}"]
offer = ["GRAIN 1", "FINER 1"]
begin = "TAKE"
probe = "SIZE?"
select = ["LINE {channel}"]
data = "CODES?"

[dialect.ask]
points = { query = "SCALE?", field = 1 }
interval_s = { query = "SCALE?", field = 2 }
step = { query = "SCALE?", field = 3 }
origin = { query = "SCALE?", field = 4 }
reference = { query = "SCALE?", field = 5 }
"""
COMMON: dict[str, Callable[[Bench, str], bytes | None]] = {
    "*IDN?": lambda b, _: b"BAKERY BENCH,TWO CHANNELS,0,1.0 (SIMULATED)",
    "*OPC?": _opc,
    "*CLS": _clear,
    "*RST": _nothing,
    "SYSTem:ERRor?": _error,
}
FAMILIES: dict[str, dict[str, Callable[[Bench, str], bytes | None]]] = {
    "trace": {
        "FORMat:DATA": _nothing,
        "FORMat:BORDer": _nothing,
        "SENSe:SWEep:TIME": _nothing,
        "SENSe:SWEep:POINts": _nothing,
        "INITiate:IMMediate": _nothing,
        "TRACe:POINts?": lambda b, _: str(b.samples).encode(),
        "SENSe:SWEep:TINTerval?": lambda b, _: f"{1 / RATE_HZ:.6E}".encode(),
        "TRACe:DATA?": lambda b, channel: block(b.volts(channel).astype("<f4").tobytes()),
    },
    # Samples as codes with a scale, in commands that are nobody's: for the dialect of one's own in OWN.
    "codes": {
        "SPAN": _nothing,
        "GRAIN": _nothing,
        "TAKE": _nothing,
        "SIZE?": lambda b, _: str(b.samples).encode(),
        "LINE": _select,
        "SCALE?": _scale,
        "CODES?": lambda b, _: block(b.codes(b.source).tobytes()),
    },
}


@contextlib.contextmanager
def listening(bench: Bench) -> Iterator[str]:
    """The VISA name of the instrument while it listens on a free port of loopback."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.05)
        stop = threading.Event()

        def accept() -> None:
            while not stop.is_set():
                with contextlib.suppress(TimeoutError, OSError):
                    line, _ = server.accept()
                    line.settimeout(None)
                    with contextlib.suppress(OSError):
                        bench.serve(line)

        thread = threading.Thread(target=accept, daemon=True)
        thread.start()
        yield f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"
        stop.set()
        thread.join(2)
