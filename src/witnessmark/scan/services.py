"""Answers of the diagnostic services, from bytes to what they say (SAE J1979 / ISO 15031-5, as cited; not opened).

    answer bytes ──► Live, Frozen, Codes, Erased, OnBoardTest, Text, Supported, Refused   (one or several a message)

Pure: no link, no file. What does not keep the form raises :class:`~witnessmark.errors.BadScan` with one line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from witnessmark.errors import BadScan
from witnessmark.scan.codes import code_text
from witnessmark.scan.parameters import FROZEN_BY, SUPPORT, length_of, supported

Link = Literal["can", "pre-can"]
NOT_DONE = 0x7F
PENDING_ANSWER = 0x78
REFUSALS: Final = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "parameter not supported, or the form of the request is wrong",
    0x21: "busy, ask again",
    0x22: "conditions not correct",
    0x31: "request out of range",
    0x33: "access denied",
    0x78: "received, the answer will come later",
}
CODE_SERVICES: Final = {0x43: "stored", 0x47: "pending", 0x4A: "permanent"}
VIN, CALIBRATION, VERIFICATION, NAME = 0x02, 0x04, 0x06, 0x0A
_TEXT_SIZE: Final = {VIN: 17, CALIBRATION: 16, VERIFICATION: 4, NAME: 20}
SLOTS_PRE_CAN = 3  # codes of one answer on links before CAN, zero padded, without a count


@dataclass(frozen=True, slots=True)
class Live:
    """Data bytes of one parameter of service 01."""

    pid: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Frozen:
    """Data bytes of one parameter of a freeze frame; ``code``: the code that froze it (parameter 02), else None."""

    pid: int
    frame: int
    data: bytes
    code: str | None = None


@dataclass(frozen=True, slots=True)
class Supported:
    """Numbers that a support answer announces, of service 01, 02, 06 or 09."""

    service: int
    base: int
    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Codes:
    """Codes of one answer; kind: ``stored``, ``pending`` or ``permanent``; announced: the count byte, None pre-CAN."""

    kind: str
    codes: tuple[str, ...]
    announced: int | None


@dataclass(frozen=True, slots=True)
class Erased:
    """The control unit says that it has erased its codes and all that goes with them."""


@dataclass(frozen=True, slots=True)
class OnBoardTest:
    """One result of an on-board test: numbers as sent; see :mod:`witnessmark.scan.on_board_tests` for units."""

    monitor: int
    test: int
    scaling: int
    value: int
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Text:
    """Vehicle information; kind: infotype number; items: texts, or hex for a verification number.

    part: place of a piece on links before CAN (a VIN comes in five), else None.
    """

    kind: int
    items: tuple[str, ...]
    part: int | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """A negative answer: which service, which reason."""

    service: int
    reason: int

    @property
    def words(self) -> str:
        """The reason in words."""
        return REFUSALS.get(self.reason, f"reason {self.reason:02X}")

    @property
    def wait(self) -> bool:
        """Whether the real answer is still to come."""
        return self.reason == PENDING_ANSWER


Said = Live | Frozen | Supported | Codes | Erased | OnBoardTest | Text | Refused


def decode(answer: bytes, link: Link = "can") -> tuple[Said, ...]:
    """What one answer says.

    answer: the bytes after transport, service first. link: ``can``, or ``pre-can`` where answers with codes have three
    zero-padded slots and no count. Raises BadScan where the answer is no answer of services 01 to 0A or is too short.
    """
    if not answer:
        raise BadScan("an empty answer; expected a service byte and its data, read it again")
    service, body = answer[0], answer[1:]
    if service == NOT_DONE:
        return (_refused(body),)
    if service in CODE_SERVICES:
        return (_codes(CODE_SERVICES[service], body, link),)
    known = {0x41: _live, 0x42: _frozen, 0x46: _tests, 0x49: _vehicle}
    if service == 0x44:
        return (Erased(),)
    if service not in known:
        raise BadScan(f"{answer[:8].hex(' ').upper()}: no answer of services 01 to 0A; leave it out")
    if not body:
        raise BadScan(f"{answer.hex().upper()}: nothing after the service byte; read the answer again")
    return known[service](body, link)


def is_answer(payload: bytes) -> bool:
    """Whether these bytes are an answer of services 01 to 0A, positive or negative."""
    service = payload[1] + 0x40 if payload[:1] == bytes([NOT_DONE]) and len(payload) > 1 else (payload[:1] or b"\0")[0]
    return 0x41 <= service <= 0x4A


def _hex(data: bytes) -> str:
    return data[:16].hex(" ").upper()


def _refused(body: bytes) -> Refused:
    if len(body) < 2:
        raise BadScan(f"7F {_hex(body)}: a negative answer has two bytes more; read it again")
    return Refused(body[0], body[1])


def _codes(kind: str, body: bytes, link: Link) -> Codes:
    """43, 47 or 4A: on CAN a count and as many pairs, before CAN three pairs."""
    announced: int | None = None
    if link == "can":
        if not body:
            raise BadScan(f"{kind} codes: no count byte; was this read over CAN? read it again")
        announced, body = body[0], body[1:]
        if len(body) < 2 * announced:
            raise BadScan(
                f"{kind} codes: {announced} announced, {len(body) // 2} there; the answer is cut short, read it again"
            )
        body = body[: 2 * announced]
    elif len(body) % 2:
        raise BadScan(f"{kind} codes: {len(body)} bytes are no pairs; was this read over CAN? read it again")
    pairs = [code_text(body[i : i + 2]) for i in range(0, len(body), 2)]
    return Codes(kind, tuple(c for c in pairs if c is not None), announced)


def _support(service: int, body: bytes, step: int) -> tuple[Supported, ...] | None:
    """Support answers: bases and four bytes each (``step`` 5; 6 in service 02, with the frame between)."""
    if body[0] not in SUPPORT or len(body) % step or any(body[i] not in SUPPORT for i in range(0, len(body), step)):
        return None
    return tuple(
        Supported(service, body[i], supported(body[i], body[i + step - 4 : i + step]))
        for i in range(0, len(body), step)
    )


def _live(body: bytes, link: Link) -> tuple[Said, ...]:
    """41: a parameter and its data, up to six times on CAN."""
    return tuple(
        Supported(0x01, pid, supported(pid, data)) if pid in SUPPORT else Live(pid, data)
        for pid, _, data in _pieces(body, 1, "41")
    )


def _frozen(body: bytes, link: Link) -> tuple[Said, ...]:
    """42: a parameter, the number of the frame and the data."""
    out: list[Said] = []
    for pid, frame, data in _pieces(body, 2, "42"):
        if pid in SUPPORT:
            out.append(Supported(0x02, pid, supported(pid, data)))
        else:
            out.append(Frozen(pid, frame, data, code_text(data) if pid == FROZEN_BY else None))
    return tuple(out)


def _pieces(body: bytes, head: int, name: str) -> list[tuple[int, int, bytes]]:
    """(parameter, frame or 0, data) of an answer; the last may have a length that the table does not know."""
    out: list[tuple[int, int, bytes]] = []
    at = 0
    while at < len(body):
        pid, start = body[at], at + head
        length = length_of(pid)
        if length is None:  # nothing says where it ends: only right if it is the last
            length = max(len(body) - start, 0)
        if start + length > len(body) or not length:
            raise BadScan(
                f"{name} {_hex(body)}: parameter {pid:02X} has {max(len(body) - start, 0)} of {length or 'its'} data "
                "bytes; the answer is cut short, read it again"
            )
        out.append((pid, body[at + 1] if head == 2 else 0, body[start : start + length]))
        at = start + length
    return out


def _tests(body: bytes, link: Link) -> tuple[Said, ...]:
    """46: on CAN monitor, test, scaling, value, least and most, nine bytes each."""
    support = _support(0x06, body, 5)
    if support is not None:
        return support
    if link != "can":
        raise BadScan("46: results of on-board tests are read over CAN only; leave it out")
    if len(body) % 9:
        raise BadScan(f"46 {_hex(body)}: {len(body)} bytes are no results of nine; the answer is cut short")
    return tuple(
        OnBoardTest(r[0], r[1], r[2], int.from_bytes(r[3:5], "big"), int.from_bytes(r[5:7], "big"),
             int.from_bytes(r[7:9], "big"))
        for r in (body[i : i + 9] for i in range(0, len(body), 9))
    )  # fmt: skip


def _vehicle(body: bytes, link: Link) -> tuple[Said, ...]:
    """49: infotype, number of items, items of a fixed size; before CAN a piece of four bytes with its place."""
    support = _support(0x09, body, 5)
    if support is not None:
        return support
    kind = body[0]
    if len(body) < 2:
        raise BadScan(f"49 {kind:02X}: nothing after the infotype; read the answer again")
    if link == "pre-can":
        return (Text(kind, (_item(kind, body[2:]),), part=body[1]),)
    count, data = body[1], body[2:]
    size = _TEXT_SIZE.get(kind)
    if size is None:
        return (Text(kind, (data.hex().upper(),)),)
    if len(data) < size * count:
        raise BadScan(f"49 {kind:02X}: {count} items of {size} bytes announced, {len(data)} bytes there; read it again")
    return (Text(kind, tuple(_item(kind, data[i * size : (i + 1) * size]) for i in range(count))),)


def _item(kind: int, data: bytes) -> str:
    """One item as text; verification numbers, which are no text, as hex."""
    if kind == VERIFICATION or kind not in _TEXT_SIZE:
        return data.hex().upper()
    return "".join(chr(b) for b in data if 0x20 < b < 0x7F or (b == 0x20 and kind != VIN)).strip()
