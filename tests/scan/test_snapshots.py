"""Snapshots from logs, typed in and from JSON: equal answers give equal snapshots, damage is told, nothing crashes."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import can
import jsonschema
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from tests.scan.helpers import served
from witnessmark.errors import BadScan, NoLink, WitnessmarkError
from witnessmark.report.scan_summary import summary
from witnessmark.scan import extra
from witnessmark.scan.ask import WORD, erase_codes, read_vehicle
from witnessmark.scan.control_unit import bakery_van
from witnessmark.scan.hand import read_hand
from witnessmark.scan.judge import judge
from witnessmark.scan.model import ScanSnapshot
from witnessmark.scan.open import open_snapshot
from witnessmark.scan.snapshot_json import schema, snapshot_from, snapshot_json


@pytest.fixture(scope="module")
def exchange() -> tuple[ScanSnapshot, list[can.Message]]:
    """The van read over the virtual bus, and every frame of it."""
    tap: list[can.Message] = []
    with served(tap=tap) as link:
        snapshot = read_vehicle(link, "cranking")
    return snapshot, tap


def write(path: Path, frames: list[can.Message]) -> Path:
    with can.Logger(str(path)) as logger:
        for f in frames:
            logger.on_message_received(f)
    return path


def timeless(snapshot: ScanSnapshot) -> object:
    units = tuple(replace(u, series=tuple(replace(s, times_s=None) for s in u.series)) for u in snapshot.units)
    return units


@pytest.mark.parametrize("suffix", [".log", ".asc", ".blf", ".mf4", ".trc"])
def test_every_log_gives_what_the_live_link_gave(exchange, suffix: str, tmp_path: Path) -> None:
    live, frames = exchange
    path = write(tmp_path / f"van{suffix}", frames)
    read = open_snapshot(str(path), "cranking")
    assert timeless(read) == timeless(live)
    assert read.source.kind == "log"
    assert read.source.frames == len(frames)
    assert read.source.engine == "cranking"
    assert read.notes == ()
    assert read.source.duration_s is not None
    assert read.source.duration_s == pytest.approx(frames[-1].timestamp - frames[0].timestamp, abs=0.5)


def test_candump_as_it_is_written(tmp_path: Path) -> None:
    # the log form of candump -l (public can-utils), with the published VIN exchange and numbers of SAE J1979
    path = tmp_path / "typed.log"
    path.write_text(
        "(1700000000.000000) can0 7DF#0209020000000000\n"
        "(1700000000.010000) can0 7E8#1014490201314734\n"
        "(1700000000.011000) can0 7E0#3000000000000000\n"
        "(1700000000.020000) can0 7E8#2141483539483435\n"
        "(1700000000.030000) can0 7E8#2247313138333431\n"
        "(1700000000.040000) can0 123#DEADBEEF\n"
        "(1700000000.500000) can0 7E8#04410C1AF8AAAAAA\n"
        "(1700000001.500000) can0 7E8#04410C0320AAAAAA\n"
    )
    (unit,) = (snapshot := open_snapshot(str(path))).units
    assert unit.vin == "1G4AH59H45G118341"
    assert unit.vin_check == "fits"
    speed = unit.one("engine-speed")
    assert speed is not None
    assert speed.values == (1726.0, 200.0)
    assert speed.times_s == pytest.approx((0.5, 1.5))
    assert snapshot.source.taken == "2023-11-14T22:13:20+00:00"
    assert unit.stored is None  # never asked is not the same as none stored
    assert snapshot.source.frames == 8


@pytest.mark.parametrize("stamp", ["", "(1700000000.000000) "])
def test_candump_as_it_prints_on_a_terminal(stamp: str, tmp_path: Path) -> None:
    # the terminal form of candump (public can-utils), copied by hand; the published VIN exchange
    path = tmp_path / "copied.txt"
    frames = ("7E8   [8]  10 14 49 02 01 31 47 34", "7E0   [3]  30 00 00", "7E8   [8]  21 41 48 35 39 48 34 35",
              "7E8   [8]  22 47 31 31 38 33 34 31", "123   [0] ")  # fmt: skip
    path.write_text("\n".join(f"  {stamp}can0  {f}" for f in frames) + "\n")
    snapshot = open_snapshot(str(path))
    assert snapshot.units[0].vin == "1G4AH59H45G118341"
    assert snapshot.source.frames == 5
    path.write_text(path.read_text() + "garbage\n")
    assert any("beyond frame 5" in n.text for n in open_snapshot(str(path)).notes)


def test_a_gateway_that_repeats_frames_on_another_bus(tmp_path: Path, exchange) -> None:
    _, frames = exchange
    lines = []
    for f in frames:
        for bus in ("can0", "can1"):
            lines.append(f"({f.timestamp:.6f}) {bus} {f.arbitration_id:03X}#{bytes(f.data).hex().upper()}")
    path = tmp_path / "two.log"
    path.write_text("\n".join(lines) + "\n")
    read = open_snapshot(str(path))
    assert read.units[0].stored == ("P0336",)
    assert any("on this bus are left out" in n.text for n in read.notes)


def test_codes_erased_within_a_log(tmp_path: Path) -> None:
    tap: list[can.Message] = []
    with served(bakery_van("off"), tap=tap) as link:
        read_vehicle(link)
        erase_codes(link, [0x7E8, 0x7E9], WORD)
        read_vehicle(link)
    read = open_snapshot(str(write(tmp_path / "erased.log", tap)))
    engine = read.units[0]
    assert engine.stored == ()
    assert engine.permanent == ("P0336",)
    assert len(engine.erased_s) == 1


def test_codes_that_were_there_and_are_gone(tmp_path: Path) -> None:
    path = tmp_path / "gone.log"
    path.write_text(
        "(1.0) can0 7E8#0643020336014300\n(2.0) can0 7E8#0144000000000000\n(3.0) can0 7E8#0243000000000000\n"
    )
    (unit,) = open_snapshot(str(path)).units
    assert (unit.stored, unit.earlier, unit.erased_s) == ((), ("P0336", "P0143"), (1.0,))


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("a.log", None, "no such file"),
        ("a.log", "", "holds no frames"),
        ("a.log", "nonsense\n", "not readable as log"),
        ("a.blf", "nonsense\n", "not readable as blf"),
        ("a.mf4", "nonsense\n", "not readable as mf4"),
        ("a.log", "(1.0) can0 123#00\n", "1 frames and no diagnostic answer"),
        ("a.log", "(1.0) can0 7DF#0201000000000000\n", "the control units were silent"),
        ("a.log", "(1.0) can0 7E8#0000000000000000\n", "no answer can be read"),
        ("a.log", "(nan) can0 7E8#04410C1AF8AAAAAA\n", "frame 1 has the time nan s"),
        ("a.log", "(inf) can0 7E8#04410C1AF8AAAAAA\n", "frame 1 has the time inf s"),
        ("a.log", "(1e20) can0 7E8#04410C1AF8AAAAAA\n", r"frame 1 has the time 1e\+20 s; expected seconds"),
        ("a.log", "(1.0) can0 7E8#04410C1AF8AAAAAA\n(-1e20) can0 7E8#04410C1AF8\n", "frame 2 has the time"),
        ("a.txt", f"({'9' * 400}.0) can0 7E8 [8] 04 41 0C 1A F8 AA AA AA\n", "frame 1 has the time inf s"),
        ("a.xyz", "", "expected a log of the bus"),
        ("a.json", "{", "not valid JSON"),
        ("a.json", "[1]", 'expected "schema"'),
        ("a.json", '{"schema": "witnessmark.scan/1"}', "source: Field required"),
        (
            "a.json",
            '{"schema": "witnessmark.scan/1", "source": {"kind": "live"}, "units": [{"address": 3}]}',
            "address",
        ),
        ("a.json", '{"schema": "witnessmark.scan/1", "x": NaN}', "NaN is no number"),
        ("a.json", "\xff", "not valid JSON"),
        ("a.toml", "", "unit"),
        ("a.toml", "[[unit]]\nstoerd = []", 'did you mean "stored"'),
        ("a.toml", '[[unit]]\nstored = ["P0K36"]', r'unit\[1\].stored: "P0K36" is no trouble code'),
        ("a.toml", "[[unit]]\nvalues = { engine-sped = 0 }", 'did you mean "engine-speed"'),
        ("a.toml", '[[unit]]\nanswers = ["41 0X"]', "is not bytes in hex"),
        ("a.toml", '[[unit]]\nanswers = ["41 0C 1A"]', r"answers\[1\]: .* has 1 of 2 data bytes"),
        ("a.toml", '[[unit]]\nready = ["cats"]', '"cats" is no self-test'),
        ("a.toml", '[[unit]]\nfreeze_frame = [{ code = "?" }]', r"freeze_frame\[1\]"),
        ("a.toml", "[[unit]]\n[[unit]]\n", "two units have the address"),
        ("a.toml", 'engine = "idling"\n[[unit]]', "engine"),
    ],
)
def test_bad_files_are_told_in_one_line(name: str, text: str | None, message: str, tmp_path: Path) -> None:
    path = tmp_path / name
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(BadScan, match=message) as caught:
        open_snapshot(str(path))
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_log_cut_short_is_read_as_far_as_it_is_whole(exchange, tmp_path: Path) -> None:
    _, frames = exchange
    whole = write(tmp_path / "van.asc", frames).read_text().splitlines(keepends=True)
    path = tmp_path / "cut.log"
    lines = [f"({f.timestamp:.6f}) can0 {f.arbitration_id:03X}#{bytes(f.data).hex().upper()}\n" for f in frames]
    path.write_text("".join(lines[:40]) + "(17000")
    read = open_snapshot(str(path))
    assert read.units[0].address == "7E8"
    assert any("cannot be read beyond frame 40" in n.text for n in read.notes)
    half = tmp_path / "half.asc"
    half.write_text("".join(whole[: len(whole) // 2]))
    assert open_snapshot(str(half)).units[0].address == "7E8"


def test_a_missing_package_says_what_to_install(monkeypatch, tmp_path: Path) -> None:
    def gone(module: str) -> None:
        raise ImportError(module)

    monkeypatch.setattr(extra.importlib, "import_module", gone)
    path = tmp_path / "a.log"
    path.write_text("")
    with pytest.raises(NoLink, match="needs python-can; install it with: pip install python-can"):
        open_snapshot(str(path))


@examples(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    changes=st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), min_size=1, max_size=5),
    kept=st.floats(0.01, 1.0),
    suffix=st.sampled_from([".log", ".asc", ".blf", ".trc", ".json", ".toml"]),
)
def test_no_damage_crashes_a_reader(exchange, tmp_path: Path, changes, kept: float, suffix: str) -> None:
    path = tmp_path / f"van{suffix}"
    if suffix in (".json", ".toml"):
        raw = json.dumps(snapshot_json(exchange[0])).encode() if suffix == ".json" else HAND.encode()
    else:
        raw = write(path, exchange[1][:60]).read_bytes()
    broken = bytearray(raw)
    for at, value in changes:
        broken[at % len(broken)] = value
    path.write_bytes(bytes(broken[: max(1, round(kept * len(broken)))]))
    text = ""
    try:
        snapshot = open_snapshot(str(path))
    except WitnessmarkError as error:
        text = str(error)
    else:  # whatever is read can be judged and told
        assert summary(snapshot, judge(snapshot)).startswith("Read")
    assert "\n" not in text


HAND = """
engine = "cranking"
taken = "2024-02-01T09:30:00"
[[unit]]
address = "7e8"
name = "engine control"
stored = ["p0336"]
pending = []
lamp = true
ready = ["misfire", "fuel-system", "components"]
not_ready = ["catalyst"]
vin = "1G4AH59H45G118341"
answers = ["41 05 7B", "49 0A 01 45 43 4D 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00"]
values = { engine-speed = 0, warm-ups-since-erased = 2 }
[[unit.freeze_frame]]
code = "P0336"
values = { engine-speed = 235 }
"""


def test_typed_in_by_hand(tmp_path: Path) -> None:
    path = tmp_path / "seen.toml"
    path.write_text(HAND)
    snapshot = read_hand(str(path))
    (unit,) = snapshot.units
    assert (unit.address, unit.name) == ("7E8", "engine control")
    assert (unit.stored, unit.pending, unit.permanent) == (("P0336",), (), None)
    assert unit.codes == {"P0336": ("stored",)}
    assert {s.key: s.last for s in unit.series} == {
        "coolant-temperature": 83, "engine-speed": 0, "warm-ups-since-erased": 2,
    }  # fmt: skip
    assert unit.readiness is not None
    assert unit.readiness.incomplete == ("catalyst",)
    assert unit.vin_check == "fits"
    assert unit.freeze_frames[0].values[0].last == 235
    assert snapshot.source.engine == "cranking"
    assert read_hand(str(path), "off").source.engine == "off"


def test_answers_from_a_link_before_can(tmp_path: Path) -> None:
    # three code slots without a count; the VIN in five pieces of four with three zeros before it (SAE J1979, as cited)
    vin = b"\0\0\0" + b"1G4AH59H45G118341"
    pieces = [f"49 02 {n + 1:02X} {vin[4 * n : 4 * n + 4].hex(' ')}" for n in range(5)]
    answers = ["43 03 36 03 40 00 16", "43 01 43 00 00 00 00", *pieces]
    path = tmp_path / "old.toml"
    path.write_text(f'link = "pre-can"\n[[unit]]\nanswers = {json.dumps(answers)}\n')
    (unit,) = open_snapshot(str(path)).units
    assert unit.stored == ("P0336", "P0340", "P0016", "P0143")
    assert unit.vin == "1G4AH59H45G118341"
    assert unit.address == ""
    assert unit.called == "the control unit"


def test_json_and_back_with_the_schema(exchange, tmp_path: Path) -> None:
    live, _ = exchange
    data = snapshot_json(live, show_vin=True)
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(data, schema())
    path = tmp_path / "snapshot.json"
    path.write_text(json.dumps(data, allow_nan=False))
    assert open_snapshot(str(path)) == live
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**data, "schema": "other/1"}, schema())
    later = {**data, "added_later": 1}
    assert snapshot_from(json.dumps(later), "x") == live  # fields may be added


def test_the_vehicle_number_is_masked_unless_asked_for(exchange) -> None:
    live, _ = exchange
    vin = live.units[0].vin
    assert vin is not None
    assert vin[4:] not in json.dumps(snapshot_json(live))
    masked = snapshot_json(live)["units"][0]
    assert masked["vin"] == vin[:3] + "*" * 14
    assert masked["vin_check"] == "fits"
    assert vin in json.dumps(snapshot_json(live, show_vin=True))


def test_times_that_do_not_fit_the_values_are_refused(exchange) -> None:
    data = snapshot_json(exchange[0])
    data["units"][0]["series"][0]["times_s"] = [0.0, 1.0, 2.0]
    with pytest.raises(BadScan, match="3 times for 1 values"):
        snapshot_from(json.dumps(data), "x")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda u: u.update(stored=["nonsense"]), '"nonsense" is no trouble code'),
        (lambda u: u.update(earlier=["P03"]), '"P03" is no trouble code'),
        (lambda u: u["freeze_frames"][0].update(code=""), "is no trouble code"),
        (lambda u: u["readiness"]["monitors"][0].update(name="luck"), '"luck" is no self-test'),
        (lambda u: u["series"][0].update(values=["much"]), "series.0.values"),
    ],
)
def test_words_that_no_unit_says_are_refused(exchange, change, message: str) -> None:
    data = snapshot_json(exchange[0])
    change(data["units"][0])
    with pytest.raises(BadScan, match=message) as caught:
        snapshot_from(json.dumps(data), "x.json")
    assert str(caught.value).startswith("x.json: ")


_ANY = st.none() | st.booleans() | st.integers(-5, 5) | st.text(max_size=6) | st.lists(st.text(max_size=3), max_size=2)


def _places(value: object, path: tuple = ()) -> list[tuple]:
    """Every place of a JSON value."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(p for k, v in inner for p in _places(v, (*path, k)))]


@examples(max_examples=40)
@given(st.integers(0, 10**6), _ANY)
def test_any_value_at_any_place_is_refused_or_can_be_told(exchange, at: int, value) -> None:
    data = snapshot_json(exchange[0])
    places = _places(data)[1:]
    *path, last = places[at % len(places)]
    inner = data
    for key in path:
        inner = inner[key]
    inner[last] = value
    try:
        snapshot = snapshot_from(json.dumps(data), "x.json")
    except BadScan:
        return
    assert summary(snapshot, judge(snapshot)).startswith("Read")
