"""The live link against simulated control units on python-can's virtual bus."""

from __future__ import annotations

import time

import can
import pytest

from tests.scan.helpers import served
from witnessmark.errors import NoLink, NotConfirmed
from witnessmark.scan import link as link_module
from witnessmark.scan.ask import WORD, erase_codes, read_vehicle
from witnessmark.scan.control_unit import SimulatedUnit, bakery_van
from witnessmark.scan.frames import Frame
from witnessmark.scan.link import Link, open_link
from witnessmark.scan.serving import Serving
from witnessmark.scan.transport import messages


@pytest.mark.parametrize("wide", [False, True])
def test_the_van_is_read_whole(wide: bool) -> None:
    tap: list[can.Message] = []
    with served(wide=wide, tap=tap) as link:
        snapshot = read_vehicle(link, "cranking")
    engine, gearbox = snapshot.units
    assert (engine.address, gearbox.address) == (("18DAF110", "18DAF118") if wide else ("7E8", "7E9"))
    assert engine.name == "SIMULATED engine"
    assert (engine.stored, engine.pending, engine.permanent) == (("P0336",), ("P0336",), ("P0336",))
    assert (gearbox.stored, gearbox.pending, gearbox.permanent) == ((), (), ())
    assert engine.vin_check == "fits"
    assert engine.calibrations == ("SIMULATED-VAN-01",)
    assert engine.verifications == ("514D554C",)
    said = {s.key: s.last for s in engine.series}
    assert said["engine-speed"] == 204
    assert said["supply"] == pytest.approx(10.2)
    assert said["coolant-temperature"] == 17
    assert said["warm-ups-since-erased"] == 2
    (frame,) = engine.freeze_frames
    assert frame.code == "P0336"
    assert {s.key: s.last for s in frame.values}["engine-speed"] == 235
    assert engine.readiness is not None
    assert engine.readiness.lamp
    assert set(engine.readiness.incomplete) == {"catalyst", "fuel-vapour", "oxygen-sensor", "egr-or-vvt"}
    assert len(engine.tests) == 10
    assert all(t.passed for t in engine.tests)
    assert snapshot.notes == ()
    # every frame we sent is a single frame or a flow control, to the identifiers of ISO 15765-4
    testers = {0x18DB33F1, 0x18DA10F1, 0x18DA18F1} if wide else {0x7DF, 0x7E0, 0x7E1}
    ours = [f for f in tap if f.arbitration_id in testers]
    assert len(ours) > 40
    assert all(f.data[0] >> 4 in (0, 3) and len(f.data) == 8 for f in ours)
    assert not any(f.data[1] == 0x04 for f in ours if f.data[0] >> 4 == 0)  # reading never erases
    # flow control as in the worked exchange of the VIN: go on, all at once, no pause
    assert {bytes(f.data[:3]) for f in ours if f.data[0] >> 4 == 3} == {b"\x30\x00\x00"}
    # and what the log reader makes of the same frames is the same
    found, notes = messages(Frame(f.timestamp, f.arbitration_id, bytes(f.data), f.is_extended_id) for f in tap)
    assert notes == ()
    assert any(m.payload[:3] == b"\x49\x02\x01" and len(m.payload) == 20 for m in found)


def test_a_late_answer_is_waited_for() -> None:
    # NRC 78: the answer comes later than P2; the link must not give up before
    (unit, _) = bakery_van()
    channel = "late"
    far, near = (can.Bus(interface="virtual", channel=channel) for _ in range(2))
    with Serving(far, [unit], pause_s=1.5 * link_module.ANSWER_WITHIN_S), Link(near) as link:
        (answer,) = link.ask(b"\x09\x0a", {0x7E8})
    far.shutdown()
    assert answer.payload[:3] == b"\x49\x0a\x01"


def test_a_silent_bus_is_one_line_and_quick() -> None:
    with served([]) as link:
        began = time.monotonic()
        with pytest.raises(NoLink, match="no control unit answers; is the ignition on") as caught:
            read_vehicle(link)
        assert time.monotonic() - began < 2.0
    assert "\n" not in str(caught.value)


def test_a_link_that_cannot_be_opened_is_one_line() -> None:
    with pytest.raises(NoLink, match="cannot be opened") as caught:
        open_link("no-such-interface", "x0", 500_000)
    assert "\n" not in str(caught.value)


def test_a_bus_that_takes_no_frame_is_one_line() -> None:
    class Broken(can.bus.BusABC):
        channel_info = "broken"

        def __init__(self) -> None:
            super().__init__(channel="x")

        def send(self, msg, timeout=None):
            raise can.CanOperationError("no buffer space\navailable")

        def _recv_internal(self, timeout):
            return None, False

    with Link(Broken()) as link, pytest.raises(NoLink, match=r"takes no frame \(no buffer space available\)") as caught:
        link.ask(b"\x01\x00")
    assert "\n" not in str(caught.value)


def test_watching_comes_first_and_gives_a_series() -> None:
    with served() as link:
        snapshot = read_vehicle(link, "cranking", watch_s=0.4)
    speed = snapshot.units[0].one("engine-speed")
    assert speed is not None
    assert len(speed.values) > 3
    assert speed.times_s is not None
    assert len(speed.times_s) == len(speed.values)
    assert list(speed.times_s) == sorted(speed.times_s)


def test_a_unit_that_takes_one_parameter_at_a_time_is_watched_too() -> None:
    class Old(SimulatedUnit):
        def answer(self, request: bytes) -> bytes | None:
            return None if request[0] == 1 and len(request) > 2 else super().answer(request)

    van = bakery_van()[0]
    old = Old(van.address, van.name, van.values, van.readiness)
    with served([old]) as link:
        snapshot = read_vehicle(link, watch_s=0.6)
    speed = snapshot.units[0].one("engine-speed")
    assert speed is not None
    assert len(speed.values) > 2


def test_a_busy_unit_is_asked_again_and_a_refusal_is_kept() -> None:
    class Busy(SimulatedUnit):
        times = 0

        def answer(self, request: bytes) -> bytes | None:
            if request == b"\x03":
                self.times += 1
                if self.times == 1:
                    return b"\x7f\x03\x21"
            return b"\x7f\x07\x11" if request == b"\x07" else super().answer(request)

    van = bakery_van()[0]
    with served([Busy(van.address, van.name, {"engine-speed": 0}, van.readiness, ["P0336"])]) as link:
        (unit,) = read_vehicle(link).units
    assert unit.stored == ("P0336",)
    assert unit.pending is None
    assert {r.reason for r in unit.refusals} == {"service not supported"}


def test_frames_of_others_and_broken_answers_do_not_disturb() -> None:
    class Noisy(SimulatedUnit):
        def answer(self, request: bytes) -> bytes | None:
            return b"\x41\x0c\x1a" if request == b"\x01\x0c" else super().answer(request)  # cut short

    van = bakery_van()[0]
    with served([Noisy(van.address, van.name, dict(van.values), van.readiness)]) as link:
        for data in (b"\x21\x00\x00", b"\x08\x41\x0c", b"", b"\x30\x00\x00"):
            link.bus.send(can.Message(arbitration_id=0x123, data=data, is_extended_id=False))
        snapshot = read_vehicle(link)
    assert snapshot.units[0].one("engine-speed") is None
    assert snapshot.units[0].one("supply") is not None
    assert any("parameter 0C has 1 of 2 data bytes" in n.text for n in snapshot.notes)


def test_an_answer_with_a_wrong_sequence_is_lost_and_noted() -> None:
    channel = "sequence"
    far, near = (can.Bus(interface="virtual", channel=channel) for _ in range(2))
    with Link(near) as link:
        link._drain = lambda: None  # type: ignore[method-assign]  # the answer is there before it is asked for
        for data in ("10 14 49 02 01 31 47 34", "22 41 48 35 39 48 34 35"):
            far.send(can.Message(arbitration_id=0x7E8, data=bytes.fromhex(data), is_extended_id=False))
        began = time.monotonic()
        assert link.ask(b"\x09\x02", {0x7E8}) == []
        assert time.monotonic() - began < 2.0
        assert any("an answer is lost" in n.text and n.where == "7E8" for n in link.notes)
    far.shutdown()


def test_erasing_says_who_did_and_who_refused() -> None:
    units = bakery_van("off")
    with served(units) as link:
        outcomes = erase_codes(link, [0x7E8, 0x7E9, 0x7EA], WORD)
        after = read_vehicle(link)
    assert [(o.address, o.erased, o.why) for o in outcomes] == [
        ("7E8", True, ""), ("7E9", True, ""), ("7EA", False, "no answer"),
    ]  # fmt: skip
    engine = after.units[0]
    assert (engine.stored, engine.pending, engine.permanent) == ((), (), ("P0336",))  # permanent codes stay
    assert engine.freeze_frames == ()
    with served(bakery_van("running")) as link:
        refused = erase_codes(link, [0x7E8], WORD)
    assert (refused[0].erased, refused[0].why) == (False, "conditions not correct")


@pytest.mark.parametrize("typed", ["", "yes", "Erase", "erase all"])
def test_no_caller_erases_without_the_word(typed: str) -> None:
    tap: list[can.Message] = []
    units = bakery_van("off")
    with served(units, tap=tap) as link, pytest.raises(NotConfirmed):
        erase_codes(link, [0x7E8], typed)
    assert tap == []
    assert units[0].stored == ["P0336"]
