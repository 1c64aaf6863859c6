"""Reassembly against the worked frames, against every fault of the bus, and against an independent implementation."""

from __future__ import annotations

from collections.abc import Iterable

import isotp
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from witnessmark.scan.frames import Frame, is_answer, is_request, request_to
from witnessmark.scan.services import VIN, Codes, Text, decode
from witnessmark.scan.transport import Reassembler, messages, single_frame


def frames(lines: str, step_s: float = 0.01) -> list[Frame]:
    """``7E8 10 14 49``: an identifier and bytes a line."""
    out = []
    for n, line in enumerate(lines.strip().splitlines()):
        name, *data = line.split()
        out.append(Frame(n * step_s, int(name, 16), bytes.fromhex("".join(data)), len(name) > 3))
    return out


# Published: the VIN exchange of a public ISO-TP lesson; the vehicle number is the sample of 49 CFR 565.
VIN_EXCHANGE = """
7DF 02 09 02 00 00 00 00 00
7E8 10 14 49 02 01 31 47 34
7E0 30 00 00 00 00 00 00 00
7E8 21 41 48 35 39 48 34 35
7E8 22 47 31 31 38 33 34 31
"""


def test_the_vin_of_the_worked_exchange() -> None:
    found, notes = messages(frames(VIN_EXCHANGE))
    request, answer = found
    assert request.payload == b"\x09\x02"
    assert len(answer.payload) == 20
    assert decode(answer.payload) == (Text(VIN, ("1G4AH59H45G118341",)),)
    assert (answer.time_s, answer.end_s) == pytest.approx((0.01, 0.04))
    assert notes == ()


def test_ten_bytes_are_four_codes() -> None:
    # published: 10 0A 43 04 is a message of ten bytes with four codes
    found, _ = messages(frames("7E8 10 0A 43 04 03 36 03 40\n7E8 21 00 16 01 01 AA AA AA"))
    assert decode(found[0].payload) == (Codes("stored", ("P0336", "P0340", "P0016", "P0101"), 4),)


def test_several_control_units_answer_at_once() -> None:
    first, second = [f for f in frames(VIN_EXCHANGE) if f.identifier == 0x7E8], frames(
        "7EA 10 0A 43 04 03 36 03 40\n7EA 21 00 16 01 01 AA AA AA"
    )  # fmt: skip
    mixed = [first[0], second[0], first[1], second[1], first[2]]
    found, notes = messages(mixed)
    assert [m.identifier for m in found] == [0x7EA, 0x7E8]
    assert notes == ()


@pytest.mark.parametrize(
    ("lines", "note"),
    [
        ("7E8 10 14 49 02 01 31 47 34\n7E8 21 41 48 35 39 48 34 35\n7E8 21 41 48 35 39 48 34 35", "frame 1 came twice"),
        ("7E8 10 14 49 02 01 31 47 34\n7E8 22 47 31 31 38 33 34 31", "frame 1 is missing, 2 came"),
        ("7E8 10 14 49 02 01 31 47 34\n7E8 10 14 49 02 01 31 47 34", "a new message began"),
        ("7E8 10 14 49 02 01 31 47 34\n7E8 02 41 00 00 00 00 00 00", "a new message began"),
        ("7E8 00 49 02 01 31 47 34 00", "a single frame of length 0, expected 1 to 7"),
        ("7E8 08 49 02 01 31 47 34 00", "a single frame of length 8, expected 1 to 7"),
        ("7E8 07 41 00", "a single frame of length 7 with 2 bytes"),
        (
            "7E8 10 14 49 02 01 31 47 34\n7E8 21 41 48 35 39 48 34 35\n7E8 22 47 31 31",
            "frame 2 has 3 of 7 bytes",
        ),
        ("7E8 10 14 49 02", "first frame of a message has 4 bytes, expected 8"),
        ("7E8 10 07 49 02 01 31 47 34", "a message of 7 bytes in several frames"),
        ("7E8 10 00 00 01 00 00 47 34", "a message of 65536 bytes in several frames"),
        ("7E8 21 41 48 35 39 48 34 35", "beginning was not seen"),
        ("7E8 10 14 49 02 01 31 47 34\n7E8 21 41 48 35 39 48 34 35", "the frames end there"),
        ("7E8 F0 41", "is no transport frame"),
        ("7E8", "a frame without data"),
    ],
)
def test_faults_of_the_bus_are_noted_and_nothing_is_made_up(lines: str, note: str) -> None:
    found, notes = messages(frames(lines))
    assert any(note in n.text and n.where == "7E8" for n in notes), notes
    assert all(m.payload[:2] == b"\x41\x00" for m in found)


def test_a_message_that_stops_is_given_up_after_a_second() -> None:
    late = frames("7E8 10 14 49 02 01 31 47 34\n7E8 21 41 48 35 39 48 34 35", step_s=1.2)
    found, notes = messages(late)
    assert found == ()
    assert "no next frame within 1 s" in notes[0].text
    assert "beginning was not seen or was given up" in notes[1].text


def test_the_reader_goes_on_after_a_fault() -> None:
    found, notes = messages(frames("7E8 10 14 49 02 01 31 47 34\n7E8 23 00 00 00 00 00 00 00" + VIN_EXCHANGE))
    assert len(found) == 2
    assert len(notes) == 1


def test_a_length_of_32_bits() -> None:
    # ISO 15765-2 (2016), from memory: length 0 in the first frame says that four bytes of length follow
    found, _ = messages(frames("7E8 10 00 00 00 00 09 43 04\n7E8 21 03 36 03 40 00 16 01"))
    assert found[0].payload == bytes.fromhex("43 04 03 36 03 40 00 16 01")


class Peer:
    """can-isotp's own sender: the independent implementation of ISO 15765-2."""

    def __init__(self, wide: bool = False, padding: int | None = None) -> None:
        self.sent: list[isotp.CanMessage] = []
        self.to_it: list[isotp.CanMessage] = []
        mode = isotp.AddressingMode.NormalFixed_29bits if wide else isotp.AddressingMode.Normal_11bits
        where = (
            isotp.Address(mode, target_address=0xF1, source_address=0x10)
            if wide
            else isotp.Address(mode, rxid=0x7E0, txid=0x7E8)
        )
        self.back = (0x18DA10F1, True) if wide else (0x7E0, False)
        self.layer = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self.to_it.pop(0) if self.to_it else None,
            txfn=self.sent.append,
            address=where,
            params={"tx_padding": padding, "stmin": 0},
        )

    def frames_of(self, payload: bytes) -> list[Frame]:
        self.sent.clear()
        self.layer.send(payload)
        for _ in range(2000):
            self.layer.process()
            if not self.layer.transmitting():
                break
            if not self.to_it and len(self.sent) == 1:
                self.to_it.append(isotp.CanMessage(arbitration_id=self.back[0], extended_id=self.back[1],
                                                   data=bytearray(b"\x30\x00\x00")))  # fmt: skip
        return [Frame(0.001 * n, m.arbitration_id, bytes(m.data), bool(m.is_extended_id)) for n, m in
                enumerate(self.sent)]  # fmt: skip


@examples(max_examples=60)
@given(st.binary(min_size=1, max_size=600), st.booleans(), st.sampled_from([None, 0x00, 0xAA]))
def test_what_the_independent_peer_sends_is_read(payload: bytes, wide: bool, padding: int | None) -> None:
    sent = Peer(wide, padding).frames_of(payload)
    found, notes = messages(sent)
    assert [m.payload for m in found] == [payload]
    assert notes == ()
    assert is_answer(found[0].identifier, wide)


def test_the_longest_message_of_the_peer_is_read() -> None:
    payload = bytes(range(256)) * 15
    found, _ = messages(Peer().frames_of(payload))
    assert found[0].payload == payload


def test_our_request_is_read_by_the_peer() -> None:
    got: list[bytes] = []
    peer = Peer()
    peer.to_it.append(isotp.CanMessage(arbitration_id=0x7E0, data=bytearray(single_frame(b"\x01\x0c"))))
    peer.layer.process()
    while peer.layer.available():
        got.append(bytes(peer.layer.recv() or b""))
    assert got == [b"\x01\x0c"]
    with pytest.raises(ValueError, match="1 to 7 bytes"):
        single_frame(b"")


def _some_frames() -> st.SearchStrategy[Iterable[Frame]]:
    data = st.binary(max_size=8)
    likely = st.tuples(st.sampled_from([0x02, 0x10, 0x14, 0x20, 0x21, 0x22, 0x30]), st.binary(max_size=7)).map(
        lambda p: bytes([p[0]]) + p[1]
    )
    frame = st.builds(
        Frame, st.floats(0, 100), st.sampled_from([0x7E8, 0x7E9, 0x7DF, 0x123]), data | likely, st.just(False)
    )
    return st.lists(frame, max_size=40)


@given(_some_frames())
def test_no_frames_crash_the_reader(some) -> None:
    reader = Reassembler()
    for f in some:
        found = reader.take(f)
        assert found is None or 1 <= len(found.payload) <= 4095
    reader.end()


def test_who_speaks() -> None:
    # ISO 15765-4 as cited: 7DF and 7E0-7E7 ask, 7E8-7EF answer; 18DB33F1 and 18DAxxF1 ask, 18DAF1xx answers
    assert is_request(0x7DF, False)
    assert is_request(0x7E3, False)
    assert not is_request(0x7E8, False)
    assert is_answer(0x7EF, False)
    assert not is_answer(0x7F0, False)
    assert is_request(0x18DB33F1, True)
    assert is_request(0x18DA10F1, True)
    assert is_answer(0x18DAF110, True)
    assert not is_answer(0x7E8, True)
    assert request_to(0x7E8, False) == 0x7E0
    assert request_to(0x18DAF110, True) == 0x18DA10F1
