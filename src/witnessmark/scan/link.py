"""The live link: requests to all control units of a bus and their answers (python-can; can-isotp for the transport).

Only what is asked for is sent: single frames of services 01 to 0A and the flow control that their answers need.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

from witnessmark.errors import NoLink
from witnessmark.scan.extra import needed
from witnessmark.scan.frames import (
    ANSWERS,
    REQUEST_TO_ALL,
    TESTER,
    WIDE_ANSWER,
    WIDE_TO_ALL,
    Message,
    Note,
    address,
    is_answer,
    request_to,
)
from witnessmark.scan.services import NOT_DONE, PENDING_ANSWER
from witnessmark.scan.transport import NEXT_WITHIN_S, single_frame

if TYPE_CHECKING:
    import can
    import isotp

# P2max is 50 ms, 5 s after "the answer will come later" (ISO 15765-4, from memory); the adapter takes its time, too.
ANSWER_WITHIN_S = 0.25
LATER_WITHIN_S = 5.0
LONGEST_S = 30.0  # however often a unit says that the answer will come later
RATES = (250_000, 500_000)


@dataclass
class _Peer:
    """One control unit on the bus: its transport layer and the frames that wait for it."""

    layer: isotp.TransportLayerLogic
    inbox: deque[isotp.CanMessage]


@dataclass
class Link:
    """An open bus. wide: 29-bit identifiers. Times are seconds since the link was opened; ``notes``: lost answers."""

    bus: can.BusABC
    wide: bool = False
    notes: list[Note] = field(default_factory=list)
    frames: int = 0
    _peers: dict[int, _Peer] = field(default_factory=dict)
    _began_s: float = field(default_factory=time.monotonic)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.bus.shutdown()

    def now_s(self) -> float:
        """Seconds since the link was opened."""
        return time.monotonic() - self._began_s

    def ask(self, request: bytes, of: Collection[int] = ()) -> list[Message]:
        """Ask all control units; their final answers, in order of arrival ("later" is waited for).

        of: identifiers that are known to answer; when all of them have, waiting ends. No answer is an empty list.
        Raises :class:`~witnessmark.errors.NoLink` where the bus takes or gives no frames.
        """
        self._drain()
        self._send(WIDE_TO_ALL if self.wide else REQUEST_TO_ALL, single_frame(request))
        asked_s = self.now_s()
        due = dict.fromkeys(of, asked_s + ANSWER_WITHIN_S)
        answers: list[Message] = []
        service = request[0]
        while True:
            now = self.now_s()
            open_s = max(due.values(), default=0.0 if of else asked_s + ANSWER_WITHIN_S)
            if not of:
                open_s = max(open_s, asked_s + ANSWER_WITHIN_S)
            if now > min(open_s, asked_s + LONGEST_S):
                return answers
            for identifier, payload in self._listen(min(0.05, max(open_s - now, 0.001)), due):
                if not _answers(payload, service):
                    continue
                if payload[0] == NOT_DONE and payload[2] == PENDING_ANSWER:
                    due[identifier] = self.now_s() + LATER_WITHIN_S
                    continue
                due.pop(identifier, None)
                answers.append(Message(self.now_s(), self.now_s(), identifier, self.wide, payload))

    def _listen(self, wait_s: float, due: dict[int, float]) -> list[tuple[int, bytes]]:
        """Messages that the next frame completes; a unit in the middle of a message gets time for its next frame."""
        frame = self._receive(wait_s)
        if frame is None or bool(frame.is_extended_id) != self.wide or not is_answer(frame.arbitration_id, self.wide):
            return []
        self.frames += 1
        identifier = int(frame.arbitration_id)
        peer = self._peers.get(identifier) or self._peer(identifier)
        peer.inbox.append(to_isotp(frame))
        peer.layer.process()
        out: list[tuple[int, bytes]] = []
        while peer.layer.available():
            out.append((identifier, bytes(peer.layer.recv() or b"")))
        if not out and frame.data and frame.data[0] >> 4 in (1, 2):
            due[identifier] = self.now_s() + NEXT_WITHIN_S
        return out

    def _peer(self, identifier: int) -> _Peer:
        isotp = needed("isotp", "the link to a vehicle")
        inbox: deque[Any] = deque()
        back = request_to(identifier, self.wide)

        def receive(timeout: float) -> Any:
            return inbox.popleft() if inbox else None

        def send(frame: Any) -> None:
            self._send(back, bytes(frame.data).ljust(8, b"\0"))

        mode = isotp.AddressingMode
        where = (
            isotp.Address(mode.NormalFixed_29bits, target_address=identifier & 0xFF, source_address=TESTER)
            if self.wide
            else isotp.Address(mode.Normal_11bits, rxid=identifier, txid=back)
        )
        layer = isotp.TransportLayerLogic(
            rxfn=receive,
            txfn=send,
            address=where,
            error_handler=self._noter(identifier),
            params={"blocksize": 0, "stmin": 0},
        )
        self._peers[identifier] = _Peer(layer, inbox)
        return self._peers[identifier]

    def _noter(self, identifier: int) -> Callable[[Exception], None]:
        def note(error: Exception) -> None:
            words = " ".join(str(error).split())
            text = f"an answer is lost: {words or type(error).__name__}"
            self.notes.append(Note(self.now_s(), address(identifier, self.wide), text))

        return note

    def _send(self, identifier: int, data: bytes) -> None:
        lib = needed("can", "the link to a vehicle")
        try:
            self.bus.send(lib.Message(arbitration_id=identifier, is_extended_id=self.wide, data=data), timeout=1.0)
        except (lib.CanError, OSError) as error:
            raise NoLink(
                f"{self.bus.channel_info}: the bus takes no frame ({_words(error)}); is the ignition on, the plug in, "
                "the bit rate right?"
            ) from None

    def _receive(self, wait_s: float) -> can.Message | None:
        lib = needed("can", "the link to a vehicle")
        try:
            frame: can.Message | None = self.bus.recv(wait_s)
        except (lib.CanError, OSError) as error:
            raise NoLink(
                f"{self.bus.channel_info}: the bus gives no frames any more ({_words(error)}); is the adapter still in?"
            ) from None
        usable = frame is not None and not frame.is_error_frame and not frame.is_remote_frame
        return frame if usable else None

    def _drain(self) -> None:
        """Old frames are no answers to what is asked now (a busy bus never falls silent: only what waits is taken)."""
        until = self.now_s() + 0.02
        while self._receive(0.0) is not None and self.now_s() < until:
            pass


def _answers(payload: bytes, service: int) -> bool:
    """Whether this is an answer to the service asked, positive or negative and whole."""
    if payload[:1] == bytes([NOT_DONE]):
        return len(payload) >= 3 and payload[1] == service
    return bool(payload) and payload[0] == service + 0x40


def to_isotp(frame: can.Message) -> isotp.CanMessage:
    """A frame of one package as a frame of the other."""
    lib = needed("isotp", "the link to a vehicle")
    return lib.CanMessage(  # type: ignore[no-any-return]
        arbitration_id=frame.arbitration_id,
        data=bytearray(frame.data),
        dlc=frame.dlc,
        extended_id=frame.is_extended_id,
    )


def _words(error: BaseException) -> str:
    return " ".join(str(error).split())[:120] or type(error).__name__


def _answers_of(wide: bool, only: bool) -> list[dict[str, Any]] | None:
    """python-can's filter for identifiers that control units answer with."""
    if not only:
        return None
    identifier, mask = (WIDE_ANSWER, 0x1FFFFF00) if wide else (ANSWERS.start, 0x7F8)
    return [{"can_id": identifier, "can_mask": mask, "extended": wide}]


def open_link(interface: str, channel: str, rate: int, wide: bool = False, answers_only: bool = True) -> Link:
    """Open a bus through python-can; interface and channel as python-can names them, rate in bit/s.

    answers_only: leave the rest of a busy bus to the adapter, which drops it where it can.
    Raises :class:`~witnessmark.errors.NoLink` with one line where it cannot be opened.
    """
    can = needed("can", "the link to a vehicle")
    needed("isotp", "the link to a vehicle")
    try:
        bus = can.Bus(interface=interface, channel=channel, bitrate=rate, can_filters=_answers_of(wide, answers_only))
    except Exception as error:  # each adapter's driver fails in its own way
        raise NoLink(
            f"{interface} {channel}: cannot be opened ({_words(error)}); check adapter, name and permission"
        ) from None
    return Link(bus, wide)
