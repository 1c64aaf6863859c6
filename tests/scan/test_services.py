"""Answers of the services against the worked bytes of the standards and public tables."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from witnessmark.errors import BadKnowledge, BadScan
from witnessmark.scan import on_board_tests
from witnessmark.scan.parameters import FOLDER, parameters, quantities, supported
from witnessmark.scan.readiness import Monitor, readiness, readiness_bytes
from witnessmark.scan.services import (
    CALIBRATION,
    NAME,
    VERIFICATION,
    VIN,
    Codes,
    Erased,
    Frozen,
    Live,
    OnBoardTest,
    Refused,
    Supported,
    Text,
    decode,
    is_answer,
)


def said(text: str, link="can"):
    return decode(bytes.fromhex(text), link)


# Published: formulas of SAE J1979 service 01 in a public table; the numbers follow from them.
@pytest.mark.parametrize(
    ("answer", "key", "value"),
    [
        ("41 04 80", "load", 50.196),
        ("41 05 7B", "coolant-temperature", 83),
        ("41 0F 28", "intake-temperature", 0),
        ("41 06 00", "short-trim-1", -100),
        ("41 07 80", "long-trim-1", 0),
        ("41 08 FF", "short-trim-2", 99.219),
        ("41 09 90", "long-trim-2", 12.5),
        ("41 0A 64", "fuel-pressure", 300),
        ("41 0B 65", "intake-pressure", 101),
        ("41 33 65", "air-pressure", 101),
        ("41 0C 1A F8", "engine-speed", 1726),
        ("41 0C 03 20", "engine-speed", 200),
        ("41 0D 32", "vehicle-speed", 50),
        ("41 0E 94", "spark-advance", 10),
        ("41 10 01 2C", "air-flow", 3.0),
        ("41 11 FF", "throttle", 100),
        ("41 1F 01 02", "run-time", 258),
        ("41 21 01 00", "distance-with-lamp", 256),
        ("41 31 00 07", "distance-since-erased", 7),
        ("41 30 02", "warm-ups-since-erased", 2),
        ("41 42 30 D4", "supply", 12.5),
        ("41 43 00 FF", "absolute-load", 100),
        ("41 44 80 00", "lambda-command", 1.0),
        ("41 4D 00 3C", "time-with-lamp", 60),
        ("41 4E 01 00", "time-since-erased", 256),
        # from memory: signed pressure of the vapour system, a quarter Pa a step; two's complement
        ("41 32 FF FC", "vapour-pressure", -1.0),
        # from memory: 128 mA is the middle of the pump current
        ("41 34 80 00 80 00", "pump-current-1-1", 0.0),
    ],
)
def test_live_values(answer: str, key: str, value: float) -> None:
    (live,) = said(answer)
    assert isinstance(live, Live)
    row, quantity = quantities()[key]
    assert live.pid == row.number
    assert quantity.value(live.data) == pytest.approx(value, abs=5e-4)


def test_support_bits() -> None:
    # published: BE 1F A8 13 -> 01, 03-07, 0C-11, 13, 15, 1C, 1F, 20
    (answer,) = said("41 00 BE 1F A8 13")
    expected = [1, *range(3, 8), *range(0x0C, 0x12), 0x13, 0x15, 0x1C, 0x1F, 0x20]
    assert answer == Supported(0x01, 0, tuple(expected))
    assert supported(0x20, bytes.fromhex("80 00 00 01")) == (0x21, 0x40)


def test_fuel_loop_words() -> None:
    (live,) = said("41 03 02 00")
    assert isinstance(live, Live)
    _, first = quantities()["fuel-loop-1"]
    _, second = quantities()["fuel-loop-2"]
    assert first.words(first.value(live.data)) == "closed loop"
    assert second.words(second.value(live.data)) == "off"
    assert first.words(3.0) == "unknown state 3"


def test_up_to_six_parameters_in_one_answer() -> None:
    answers = said("41 0C 03 20 05 7B 42 30 D4 0D 00 06 80 07 90")
    pairs = ((0x0C, "0320"), (0x05, "7B"), (0x42, "30D4"), (0x0D, "00"), (0x06, "80"), (0x07, "90"))
    assert answers == tuple(Live(pid, bytes.fromhex(data)) for pid, data in pairs)


def test_readiness_of_the_worked_answer() -> None:
    # published: 41 01 82 07 65 04
    (live,) = said("41 01 82 07 65 04")
    assert isinstance(live, Live)
    state = readiness(live.data)
    assert (state.lamp, state.codes, state.ignition) == (True, 2, "spark")
    assert {m.name for m in state.monitors} == {
        "misfire", "fuel-system", "components", "oxygen-sensor-heater", "oxygen-sensor", "fuel-vapour", "catalyst",
    }  # fmt: skip
    assert state.incomplete == ("fuel-vapour",)


def test_readiness_of_a_diesel_and_of_this_drive_cycle() -> None:
    # the bit layout of compression ignition, SAE J1979 as cited: C bits 0 NMHC, 1 NOx, 3 boost, 5 gas sensor, 6 filter
    state = readiness(bytes.fromhex("00 0F EB 43"))
    assert state.ignition == "compression"
    assert state.incomplete == ("nmhc-catalyst", "nox-aftertreatment", "particulate-filter")
    assert Monitor("boost-pressure", True, False) in state.monitors
    now = readiness(bytes.fromhex("00 77 65 65"), this_cycle=True)
    assert (now.lamp, now.codes, len(now.incomplete)) == (None, None, 7)
    with pytest.raises(BadScan, match="four bytes, not 3"):
        readiness(b"\0\0\0")


@given(st.integers(0, 255), st.integers(0, 127), st.integers(0, 255), st.integers(0, 255))
def test_readiness_comes_back(a: int, b: int, c: int, d: int) -> None:
    state = readiness(bytes([a, b, c, d]))
    assert readiness(readiness_bytes(state)) == state


def test_stored_codes_on_can_and_before() -> None:
    assert said("43 02 03 36 01 43") == (Codes("stored", ("P0336", "P0143"), 2),)
    assert said("47 00") == (Codes("pending", (), 0),)
    assert said("4A 01 C1 00") == (Codes("permanent", ("U0100",), 1),)
    # before CAN: three slots, zero padded, no count
    assert said("43 01 43 01 96 00 00", "pre-can") == (Codes("stored", ("P0143", "P0196"), None),)
    assert said("43 00 00 00 00 00 00", "pre-can") == (Codes("stored", (), None),)
    # padding after the announced codes is none
    assert said("43 01 03 36 00 00") == (Codes("stored", ("P0336",), 1),)


def test_freeze_frame() -> None:
    assert said("42 02 00 03 36") == (Frozen(2, 0, b"\x03\x36", "P0336"),)
    assert said("42 02 00 00 00") == (Frozen(2, 0, b"\0\0", None),)
    assert said("42 0C 00 03 20 05 00 7B") == (Frozen(0x0C, 0, b"\x03\x20"), Frozen(5, 0, b"\x7b"))
    (support,) = said("42 00 00 BE 1F A8 13")
    assert isinstance(support, Supported)
    assert support.service == 2


def test_erased_and_refused() -> None:
    assert said("44") == (Erased(),)
    assert said("7F 04 22") == (Refused(4, 0x22),)
    assert Refused(4, 0x22).words == "conditions not correct"
    assert Refused(9, 0x78).wait
    assert not Refused(9, 0x21).wait
    # ISO 15031-5 / 14229-1 as cited: the reasons a link must know
    assert all("reason" not in Refused(1, r).words for r in (0x11, 0x12, 0x21, 0x22, 0x31, 0x78))


def test_vehicle_information() -> None:
    # published: the answer 49 02 01 and seventeen characters of a public ISO-TP lesson
    vin = b"1G4AH59H45G118341"
    assert decode(b"\x49\x02\x01" + vin) == (Text(VIN, ("1G4AH59H45G118341",)),)
    calibrations = b"SIMULATED-VAN-01" + b"SIMULATED-02\0\0\0\0"
    assert decode(b"\x49\x04\x02" + calibrations) == (Text(CALIBRATION, ("SIMULATED-VAN-01", "SIMULATED-02")),)
    assert said("49 06 01 1A 2B 3C 4D") == (Text(VERIFICATION, ("1A2B3C4D",)),)
    assert decode(b"\x49\x0a\x01ECM\0-EngineControl\0\0") == (Text(NAME, ("ECM-EngineControl",)),)
    assert said("49 00 54 40 00 00") == (Supported(9, 0, (2, 4, 6, 10)),)
    # before CAN the number comes in five pieces of four, three zeros first
    assert said("49 02 01 00 00 00 31", "pre-can") == (Text(VIN, ("1",), part=1),)


def test_on_board_tests() -> None:
    answer = said("46 A3 0B 24 00 05 00 00 FF FF A3 0C 24 00 10 00 00 00 0A")
    assert answer == (OnBoardTest(0xA3, 0x0B, 0x24, 5, 0, 65535), OnBoardTest(0xA3, 0x0C, 0x24, 16, 0, 10))
    first, second = (t for t in answer if isinstance(t, OnBoardTest))
    assert on_board_tests.name(first) == "misfires, average of ten drive cycles, cylinder 2"
    assert on_board_tests.scaled(first) == (5, 0, 65535, "counts")
    assert on_board_tests.passed(first)
    assert not on_board_tests.passed(second)
    # the documented two's complement of scaling 80 and above
    assert on_board_tests.scaled(OnBoardTest(1, 1, 0x8C, 0xFFFF, 0x8000, 0x7FFF))[0] == pytest.approx(-0.01)
    assert on_board_tests.scaled(OnBoardTest(1, 1, 0x7E, 7, 0, 9))[3] == "raw, scaling 7E"
    (support,) = said("46 00 C0 00 00 01")
    assert support == Supported(6, 0, (1, 2, 0x20))


@pytest.mark.parametrize(
    ("answer", "link", "message"),
    [
        ("", "can", "empty answer"),
        ("62 F1 90", "can", "no answer of services 01 to 0A"),
        ("41", "can", "nothing after the service byte"),
        ("41 0C 1A", "can", "parameter 0C has 1 of 2 data bytes"),
        ("41 05", "can", "has 0 of 1"),
        ("42 0C 00", "can", "has 0 of 2"),
        ("42 0C", "can", "has 0 of 2"),
        ("43", "can", "no count byte"),
        ("43 02 03 36", "can", "2 announced, 1 there"),
        ("43 02 03 36", "pre-can", "are no pairs"),
        ("46 A1 0B 24 00", "can", "no results of nine"),
        ("49 02", "can", "nothing after the infotype"),
        ("49 02 01 31 47", "can", "1 items of 17 bytes announced, 2 bytes there"),
        ("7F 01", "can", "negative answer has two bytes more"),
    ],
)
def test_what_breaks_the_form_is_told_in_one_line(answer: str, link, message: str) -> None:
    with pytest.raises(BadScan, match=message) as caught:
        said(answer, link)
    assert "\n" not in str(caught.value)


@given(st.binary(max_size=40), st.sampled_from(["can", "pre-can"]))
def test_no_bytes_crash_the_decoder(answer: bytes, link) -> None:
    text = ""
    try:
        decode(answer, link)
    except BadScan as error:
        text = str(error)
    assert "\n" not in text
    assert not text or len(text) > 20


@given(st.binary(min_size=1, max_size=12), st.sampled_from([0x41, 0x42, 0x43, 0x46, 0x49, 0x7F]))
def test_no_answer_of_a_known_service_crashes_the_decoder(body: bytes, service: int) -> None:
    answer = bytes([service]) + body
    with contextlib.suppress(BadScan):
        decode(answer)
    assert is_answer(answer) or service == 0x7F


def test_the_table_keeps_its_form(tmp_path) -> None:
    table = parameters()
    assert len(table) > 80
    assert {r.mark for r in table.values()} == {"published", "memory"}
    text = (FOLDER / "parameters.toml").read_text(encoding="utf-8")
    for change, message in (
        (lambda t: t.replace('mark = "published"', 'mark = "rumour"', 1), "mark"),
        (lambda t: t.replace("length = 2", "length = 1", 1), "outside its 1 bytes"),
        (lambda t: t.replace('pid = "04"', 'pid = "03"', 1), "03 stands twice"),
        (lambda t: t + "\n[[broken", "not valid TOML"),
    ):
        path = tmp_path / f"{abs(hash(message))}.toml"
        path.write_text(change(text), encoding="utf-8")
        with pytest.raises(BadKnowledge, match=message):
            parameters(path)
