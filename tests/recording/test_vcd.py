"""Value change dumps; pyvcd's writer is the independent one."""

from __future__ import annotations

import numpy as np
import pytest
import vcd

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording

HEAD = """$date simulated $end
$timescale 1 us $end
$scope module van $end
$var wire 1 ! crank $end
$var wire 1 " cam $end
$upscope $end
$enddefinitions $end
"""
BODY = '#0\n$dumpvars\n0!\n1"\n$end\n#100\n1!\n#250\n0!\n0"\n#400\n1!\n#1000\n'


def _file(tmp_path, text):
    path = tmp_path / "van.vcd"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refused(path) -> str:
    with pytest.raises(BadRecording) as caught:
        open_recording(path)
    assert str(caught.value).isprintable()
    return str(caught.value)


def test_edges_at_their_times(tmp_path):
    recording = open_recording(_file(tmp_path, HEAD + BODY))
    assert [(c.name, c.kind, c.samples, c.rate_hz) for c in recording.channels] == [
        ("crank", "changes", 4, None),
        ("cam", "changes", 2, None),
    ]
    got = recording.changes("crank")
    assert got.time_s.tolist() == [0.0, 1e-4, 2.5e-4, 4e-4]
    assert got.level.tolist() == [0, 1, 0, 1]
    assert (got.end_s, recording.end_s, recording.cautions) == (1e-3, 1e-3, ())


@pytest.mark.parametrize(
    ("scale", "tick"), [("1 s", 1), ("100ms", 0.1), ("10 us", 1e-5), ("1ns", 1e-9), ("100 ps", 1e-10), ("1 fs", 1e-15)]
)
def test_time_scales(tmp_path, scale, tick):
    recording = open_recording(_file(tmp_path, (HEAD + BODY).replace("1 us", scale)))
    np.testing.assert_allclose(recording.changes("crank").time_s, np.array([0, 100, 250, 400]) * tick, rtol=1e-15)


def test_against_an_independent_writer(tmp_path):
    rng = np.random.default_rng(5)
    edges = np.cumsum(rng.integers(1, 5000, 300))
    with (
        open(tmp_path / "van.vcd", "w") as file,
        vcd.VCDWriter(file, timescale="10 ns", date="simulated") as writer,
    ):
        lines = [writer.register_var("van.engine", n, "wire", size=1, init=0) for n in ("crank", "cam")]
        bus = writer.register_var("van", "bus", "reg", size=8, init=0)
        real = writer.register_var("van", "voltage", "real", init=0.0)
        for i, t in enumerate(edges.tolist()):
            writer.change(lines[0], t, (i + 1) % 2)
            writer.change(bus, t, i % 256)
            writer.change(real, t, i / 7)
            if i % 3 == 0:
                writer.change(lines[1], t, (i // 3 + 1) % 2)
    recording = open_recording(tmp_path / "van.vcd")
    np.testing.assert_array_equal(recording.changes("crank").time_s[1:], edges / 1e8)
    np.testing.assert_array_equal(recording.changes("cam").time_s[1:], edges[::3] / 1e8)
    assert recording.left_out == ("bus", "voltage")


def test_unknown_levels(tmp_path):
    body = '#0\nx!\n0"\n#100\n1!\n#200\nz!\n#300\n0!\n1"\n#400\n0"\n#500\n'
    recording = open_recording(_file(tmp_path, HEAD + body))
    info = recording.info("crank")
    assert info.start_s == 1e-4  # unknown before: the line begins there
    assert [(g.start_s, g.end_s) for g in info.gaps] == [(2e-4, 3e-4)]
    assert recording.changes("crank").time_s.tolist() == [1e-4, 3e-4]
    assert any("crank has no level before 0.0001 s" in c for c in recording.cautions)


def test_names_repeats_and_comments(tmp_path):
    text = HEAD.replace(
        "$upscope $end\n",
        "$upscope $end\n$scope module b $end\n$var wire 1 # crank $end\n$var wire 1 ! twin $end\n$upscope $end\n",
    )
    text += "$comment #5 0! is no change $end\n" + BODY.replace("#100\n", "#100 1#\n#120 0#\n")
    recording = open_recording(_file(tmp_path, text))
    assert [c.name for c in recording.channels] == ["van.crank", "cam", "b.crank"]
    assert recording.changes("b.crank").time_s.tolist() == [1e-4, 1.2e-4]


def test_a_pulse_of_no_width_is_counted(tmp_path):
    recording = open_recording(_file(tmp_path, HEAD + BODY.replace("#400\n1!", "#400\n1!\n0!")))
    assert any("1 pulse of no width" in c for c in recording.cautions)
    assert recording.changes("crank").time_s.tolist() == [0.0, 1e-4, 2.5e-4]


@pytest.mark.parametrize(("end", "cut"), [("#10", True), ("#", True), ("1", True), ("1!", False), ("#2000", False)])
def test_a_last_line_without_its_end(tmp_path, end, cut):
    recording = open_recording(_file(tmp_path, HEAD + BODY + end))
    assert any("cut short" in c for c in recording.cautions) == cut
    assert any(g.reason == "file cut short" for g in recording.channels[0].gaps) == cut
    assert recording.end_s == (2e-3 if end == "#2000" else 1e-3)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("hello\n", "is not a value change dump"),
        (HEAD[:100], "definitions are cut short"),
        (HEAD.replace("$timescale 1 us $end\n", "") + BODY, "no timescale"),
        (HEAD.replace("1 us", "3 us") + BODY, 'timescale is "3 us"'),
        (HEAD.replace("wire 1", "wire 8") + BODY, "no wire of one bit"),
        (HEAD + "#5\n1!\n#3\n0!\n", "time runs backwards in line 10 (from 5e-06 s to 3e-06 s)"),
        (HEAD + "#5\n1!\nhello\n#9\n", 'line 10 holds "hello"'),
        (HEAD + "#5\n1?\n#9\n", 'line 9 holds "1?"'),
        (HEAD + "#5\n1!\n", "no two times"),
        (HEAD, "no two times"),
        (HEAD + "#5\nx!\n#9\n", "no wire has a level"),
        (HEAD + "#5\n1!\n#99999999999999999999999\n", "line 10"),
    ],
)
def test_refusals(tmp_path, text, says):
    assert says in refused(_file(tmp_path, text))
