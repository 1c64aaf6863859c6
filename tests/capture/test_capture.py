"""Live capture: against a simulated instrument over a TCP socket, and against pyvisa-sim (an independent library)."""

from __future__ import annotations

import contextlib

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from witnessmark.capture.blocks import BadBlock, parse_block
from witnessmark.capture.dialects import choose, load_dialects
from witnessmark.cli import BAD_INPUT, main
from witnessmark.errors import BadKnowledge
from witnessmark.recording.open import open_recording

from .bench import OWN, RATE_HZ, Bench, listening

pytest.importorskip("pyvisa", reason="the optional part for capture is not installed")


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    """A bench on loopback answers at once or never."""
    monkeypatch.setattr("witnessmark.capture.acquire.PROBE_S", 0.1)


def run(*args):
    return CliRunner().invoke(main, ["capture", *(str(a) for a in args)])


def take(bench, place, *more):
    if bench.family == "codes":
        own = place.parent.parent / f"{place.parent.name}.toml"
        own.write_text(OWN)
        more = (*more, "--dialect", own)
    with listening(bench) as name:
        return run(name, place, "--channels", "1=crank sensor,2=cam", "--seconds", "0.1", "--timeout", "0.3", *more)


def refused(result, *words):
    assert result.exit_code == BAD_INPUT, result.output
    assert result.stdout == ""
    *before, line = result.stderr.splitlines()
    assert all(said.startswith("Caution: ") for said in before)
    assert line.startswith("witnessmark: ")
    assert ";" in line
    for word in words:
        assert str(word) in line, line


# Examples of IEEE 488.2-1992, 8.7.9 and 8.7.10, from memory: #14<4 bytes>, #3004<4 bytes> (a length may have leading
# zeros), #0<bytes>NL^END.
@pytest.mark.parametrize(
    ("message", "data"),
    [
        (b"#14abcd", b"abcd"),
        (b"#3004abcd", b"abcd"),
        (b"#14abcd\n", b"abcd"),
        (b"#14a\nb\n\n", b"a\nb\n"),
        (b"#10\n", b""),
        (b"#0abcd\n", b"abcd"),
    ],
)
def test_blocks_of_the_standard(message, data):
    assert parse_block(message) == data


@pytest.mark.parametrize(
    ("message", "word"),
    [
        (b"", "no block"),
        (b"14abcd", "instead of #"),
        (b"#x4abcd", "no digit"),
        (b"#2a4abcd", "no number"),
        (b"#9123", "within its header"),
        (b"#15abcd", "5 bytes, 4 came"),
        (b"#13abcd", "1 bytes follow"),
        (b"#0abcd", "no newline"),
    ],
)
def test_what_is_no_block(message, word):
    with pytest.raises(BadBlock, match=word):
        parse_block(message)


def test_blocks_as_an_independent_library_builds_them():
    util = pytest.importorskip("pyvisa.util")
    values = np.arange(300, dtype="<i2")
    assert parse_block(util.to_ieee_block(values.tolist(), "h")) == values.tobytes()


@given(st.binary(max_size=300))
def test_any_bytes_are_a_block_or_said_to_be_none(data):
    with contextlib.suppress(BadBlock):
        assert parse_block(data) in data
    length = str(len(data)).encode()
    assert parse_block(b"#%d%b%b\n" % (len(length), length, data)) == data


@pytest.mark.parametrize("family", ["trace", "codes"])
def test_a_capture_is_the_instruments_volts(tmp_path, family):
    bench = Bench(family)
    result = take(bench, tmp_path / "van.npz")
    assert result.exit_code == 0, result.output
    assert f"dialect {family}" in result.stdout
    assert result.stderr.count("Caution: Turning engine") == 1
    assert "(SIMULATED)" in result.stdout
    recording = open_recording(tmp_path / "van.npz")
    assert [c.name for c in recording.channels] == ["crank sensor", "cam"]
    for number, channel in enumerate(recording.channels, start=1):
        assert channel.rate_hz == pytest.approx(RATE_HZ)
        assert channel.unit == "V"
        volts = recording.values(channel.name, 0, channel.samples)
        np.testing.assert_allclose(volts, bench.volts(str(number)), atol=0.00051)


def test_the_settings_at_the_instrument_are_kept_unless_reset_is_asked(tmp_path):
    kept, reset = Bench(), Bench()
    assert take(kept, tmp_path / "a.npz").exit_code == 0
    assert take(reset, tmp_path / "b.npz", "--reset", "--rate", "20000").exit_code == 0
    assert "*RST" not in kept.heard
    assert not any(h.startswith("SENSe:SWEep:POINts") for h in kept.heard)
    assert reset.heard.index("*RST") < reset.heard.index("INITiate:IMMediate")
    assert "SENSe:SWEep:POINts 2000" in reset.heard


def test_what_differs_from_what_was_asked_is_said(tmp_path):
    result = take(Bench(samples=500), tmp_path / "van.npz", "--rate", "50000")
    assert result.exit_code == 0, result.output
    assert "gave 0.025 s instead of 0.1 s" in result.stdout
    assert "sampled at 20000 Hz instead of 50000 Hz" in result.stdout


def test_no_number_is_a_gap(tmp_path):
    volts = np.ones(2000, "<f4")
    volts[100:110] = 9.91e37
    assert take(Bench(over={"TRACe:DATA?": b"#48000" + volts.tobytes()}), tmp_path / "van.npz").exit_code == 0
    assert np.isnan(open_recording(tmp_path / "van.npz").read("cam", 0, 2000)).sum() == 10


SHORT = b"#48000" + bytes(100)
FAULTS = {
    "silent": (Bench(over={"*IDN?": None}), "does not answer *IDN?", "--timeout"),
    "empty name": (Bench(over={"*IDN?": b""}), "empty answer", "IEEE 488.2"),
    "never done": (Bench(over={"INITiate:IMMediate": None, "*OPC?": b"0"}), '"0" to *OPC?', "expected 1"),
    "refuses": (Bench(unknown=("SENSe:SWEep:TIME",)), "-113", "SENSe:SWEep:TIME 0.1"),
    "odd queue": (Bench(over={"SYSTem:ERRor?": b"fine"}), '"fine" to SYSTem:ERRor?', "No error"),
    "no block": (Bench(over={"TRACe:DATA?": b"1.0,2.0"}), "instead of #", "TRACe:DATA? CH1"),
    "no length": (Bench(over={"TRACe:DATA?": b"#2xy" + bytes(40)}), "no number", "dialect"),
    "indefinite": (Bench(over={"TRACe:DATA?": b"#0abcd"}), "indefinite length", "dialect"),
    "short block": (Bench(over={"TRACe:DATA?": SHORT}), "fewer than 8000 bytes", "falls silent"),
    "long block": (Bench(over={"TRACe:DATA?": b"#14abcdefgh"}), "more behind the 4 bytes", "dialect"),
    "half a sample": (Bench(over={"TRACe:DATA?": b"#16abcdef"}), "no whole float32", "dialect"),
    "nothing in it": (Bench(over={"TRACe:DATA?": b"#10"}), "announces 2000 samples", "crank sensor"),
    "other length": (Bench(over={"TRACe:POINts?": b"1999"}), "announces 1999", "2000 came"),
    "no interval": (Bench(over={"SENSe:SWEep:TINTerval?": b"0"}), "no rate", "crank sensor"),
    "no number": (Bench(over={"SENSe:SWEep:TINTerval?": b"AUTO"}), '"AUTO"', "expected a number"),
    "hangs up": (Bench(drop_at="TRACe:DATA?"), "TRACe:DATA? CH1", "check"),
    "no dialect": (Bench(unknown=("TRACe:POINts?",)), "none of the dialects trace;", "--dialect"),
    "no scale": (
        Bench("codes", over={"SCALE?": b"9,5E-5,0,0,0"}),
        "no usable scale",
        "probe",
    ),
    "short preamble": (Bench("codes", over={"SCALE?": b"2000"}), "field 2", "--dialect"),
}


@pytest.mark.parametrize("name", list(FAULTS))
def test_a_fault_of_the_instrument_is_one_line_and_nothing_is_written(tmp_path, name):
    bench, *words = FAULTS[name]
    bench.queue.clear()
    refused(take(bench, tmp_path / "van.npz"), "TCPIP::127.0.0.1", *words)
    assert not list(tmp_path.iterdir())


def test_an_instrument_that_takes_longer_than_it_should(tmp_path):
    from witnessmark.capture.acquire import capture, parse_channels
    from witnessmark.capture.instrument import connected
    from witnessmark.errors import BadInstrument

    with (
        listening(Bench(done_after_s=1.0)) as name,
        connected(name, timeout_s=0.3) as line,
        pytest.raises(BadInstrument, match=r"does not answer \*OPC\? within 0.2 s"),
    ):
        capture(line, choose("trace"), parse_channels("1"), 0.1, patience_s=0.2)


def test_nobody_there(tmp_path):
    refused(run("TCPIP::127.0.0.1::9::SOCKET", tmp_path / "a.npz", "--channels", "1", "--seconds", "1"), "127.0.0.1::9")
    refused(run("no instrument", tmp_path / "a.npz", "--channels", "1", "--seconds", "1"), "cannot be reached")


@pytest.mark.parametrize(
    ("out", "options", "words"),
    [
        ("van.wav", {}, ("van.wav", ".npz")),
        ("no folder/van.npz", {}, ("no folder",)),
        ("van.npz", {"--channels": "1=a,1=b"}, ("stands twice",)),
        ("van.npz", {"--channels": "1;*RST"}, ("names no channel",)),
        ("van.npz", {"--channels": "1=time"}, ('cannot be called "time"',)),
        ("van.npz", {"--channels": "1=rate_hz"}, ('cannot be called "rate_hz"',)),
        ("van.npz", {"--dialect": "klingon"}, ("trace",)),
        ("van.npz", {"--dialect": "own.toml"}, ("own.toml", "no such file")),
    ],
)
def test_wrong_options_are_refused_before_anything_is_sent(tmp_path, out, options, words):
    bench = Bench()
    with listening(bench) as name:
        said = {"--channels": "1", "--seconds": "1", **options}
        refused(run(name, tmp_path / out, *(x for pair in said.items() for x in pair)), *words)
    assert bench.heard == []


def test_a_dialect_of_ones_own(tmp_path):
    own = tmp_path / "own.toml"
    rows = load_dialects()
    text = 'id = "mine"\nsays = "ours"\nmark = "memory"\nsource = "the manual"\nchannel = "CH{number}"\n'
    text += 'sample = "float32"\nbegin = "INITiate:IMMediate"\ndata = "TRACe:DATA? {channel}"\n'
    own.write_text(f'[[dialect]]\n{text}ask = {{ interval_s = {{ query = "SENSe:SWEep:TINTerval?" }} }}\n')
    assert take(Bench(), tmp_path / "van.npz", "--dialect", own).exit_code == 0
    for wrong in ("sample = 3", 'data = "TRACe:DATA? {place}"', 'id = "Mine!"', 'extra = "no"'):
        own.write_text(f"[[dialect]]\n{wrong}\n" + "\n".join(x for x in text.splitlines() if x[:4] != wrong[:4]) + "\n")
        with pytest.raises(BadKnowledge, match=r"own\.toml"):
            choose(str(own))
    assert all(len(r.source) > 20 for r in rows)


SIM = """
spec: "1.1"
devices:
  bench:
    eom:
      TCPIP SOCKET:
        q: "\\n"
        r: "\\n"
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "BAKERY BENCH,PYVISA-SIM,0,SIMULATED"}
      - {q: "*OPC?", r: "1"}
      - {q: "*CLS"}
      - {q: "FORMat:DATA ASCii"}
      - {q: "SENSe:SWEep:TIME 0.01"}
      - {q: "INITiate:IMMediate"}
      - {q: "SYSTem:ERRor?", r: '0,"No error"'}
      - {q: "SENSe:SWEep:TINTerval?", r: "1.0E-3"}
      - {q: "TRACe:POINts? CH1", r: "5"}
      - {q: "TRACe:DATA? CH1", r: "0.0,1.5,-1.5,1.0E-1,9.91E37"}
      - {q: "TRACe:DATA? CH2", r: "#15ab de"}
resources:
  "TCPIP::bench::5025::SOCKET": {device: bench}
"""


def test_against_an_independent_simulated_bus(tmp_path):
    pytest.importorskip("pyvisa_sim", reason="pyvisa-sim is not installed")
    from witnessmark.capture.instrument import connected

    (tmp_path / "bench.yaml").write_text(SIM)
    name, place, backend = "TCPIP::bench::5025::SOCKET", tmp_path / "van.npz", f"{tmp_path / 'bench.yaml'}@sim"
    options = ("--seconds", "0.01", "--dialect", "trace-ascii", "--backend", backend, "--timeout", "0.5")
    result = run(name, place, "--channels", "1=crank", *options)
    assert result.exit_code == 0, result.output
    recording = open_recording(place)
    np.testing.assert_array_equal(recording.read("crank", 0, 9), [0.0, 1.5, -1.5, 0.1, np.nan])
    assert recording.info("crank").rate_hz == pytest.approx(1000.0)
    with connected(name, backend, 0.5) as line:
        assert line.block("TRACe:DATA? CH2") == b"ab de"
    refused(run(name, place, "--channels", "3=cam", *options), "CH3")
