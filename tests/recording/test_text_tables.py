"""Text tables as recorders and spreadsheets write them, and change lists."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording

ROWS = [(i * 1e-4, 1.5 + i % 7 / 10, -2.25) for i in range(50)]


def _open(tmp_path, text, suffix=".csv", encoding="utf-8"):
    path = tmp_path / f"van{suffix}"
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return open_recording(path)


def _comma(x: float) -> str:
    return f"{x:.6f}".replace(".", ",")


def _check(recording, names=("crank", "cam"), rate_hz=10_000.0):
    assert [c.name for c in recording.channels] == list(names)
    for k, c in enumerate(recording.channels):
        assert (c.kind, c.samples, c.position) == ("sampled", 50, k + 1)
        assert c.rate_hz == pytest.approx(rate_hz, rel=1e-9)
        np.testing.assert_allclose(recording.values(c.name, 0, 50), [row[1 + k] for row in ROWS], rtol=0, atol=1e-9)


def _plain(header="t,crank,cam\n", end="\n"):
    return header + "".join(f"{a:.4f},{b},{c}{end}" for a, b, c in ROWS)


@pytest.mark.parametrize(
    "header",
    [
        "Time [s],crank,cam\n", "time,crank,cam\n", "t,crank,cam\n", "T (s), crank, cam\n", "time_s,crank,cam\n",
        "seconds,crank,cam\n", "Timestamp,crank,cam\n", '"Time","crank","cam"\n', "TIME,crank,cam\n", "s,crank,cam\n",
        "Simulated export\nnothing real\n\nt,crank,cam\n", "# a note\nt,crank,cam\n", "Source,crank,cam\n",
    ],
)  # fmt: skip
def test_headers(tmp_path, header):
    _check(_open(tmp_path, _plain(header)))


@pytest.mark.parametrize(
    ("header", "factor"),
    [
        ("Time [ms],crank,cam\n", 1e3), ("time_us,crank,cam\n", 1e6), ("Time (µs),crank,cam\n", 1e6),
        ("ms,crank,cam\n", 1e3),
        ("Time [ns],crank,cam\n", 1e9), ("Time,crank,cam\n(ms),(V),(V)\n", 1e3), ("Time,crank,cam\nus,V,V\n\n", 1e6),
    ],
)  # fmt: skip
def test_time_units(tmp_path, header, factor):
    _check(_open(tmp_path, header + "".join(f"{a * factor:.4f},{b},{c}\n" for a, b, c in ROWS)))


def test_unit_row_and_bracket_units(tmp_path):
    recording = _open(tmp_path, _plain("time,crank,cam\n(s),(V),[mV]\n"))
    assert [c.unit for c in recording.channels] == ["V", "mV"]
    recording = _open(tmp_path, _plain("time,crank [V],cam (mV)\n"))
    assert [(c.name, c.unit) for c in recording.channels] == [("crank [V]", "V"), ("cam (mV)", "mV")]


def test_a_title_row_of_the_same_width_is_no_header(tmp_path):
    recording = _open(tmp_path, _plain("Simulated van,,\nt,crank,cam\n"))
    _check(recording)
    assert [c.unit for c in recording.channels] == ["", ""]


def test_values_beyond_any_number_are_gaps(tmp_path):
    recording = _open(tmp_path, _plain().replace("1.9,", "1e999,"))
    assert len(recording.info("crank").gaps) == 7
    assert np.isnan(recording.values("crank", 4, 5)[0])


def test_decimal_commas(tmp_path):
    for delimiter in ";\t":
        text = f"Time{delimiter}crank{delimiter}cam\n"
        _check(_open(tmp_path, text + "".join(delimiter.join(map(_comma, row)) + "\n" for row in ROWS)))
    quoted = "Time,crank,cam\n" + "".join(",".join(f'"{_comma(x)}"' for x in row) + "\n" for row in ROWS)
    _check(_open(tmp_path, quoted))


def test_semicolon_with_decimal_points(tmp_path):
    _check(_open(tmp_path, _plain().replace(",", ";")))


def test_line_ends_marks_encodings_and_trailing_delimiters(tmp_path):
    _check(_open(tmp_path, "\ufeff" + _plain().replace("\n", "\r\n")))
    _check(_open(tmp_path, _plain().replace("\n", "\r")))
    _check(_open(tmp_path, _plain(), encoding="utf-16"))
    _check(_open(tmp_path, _plain("t,crank,cam,\n", ",\n")))
    _check(_open(tmp_path, _plain("t,Zündung,cam\n"), encoding="latin-1"), ("Zündung", "cam"))


def test_exponents_and_spaces(tmp_path):
    text = "t, crank, cam\n" + "".join(f" {a:.4E} , {b:+.6e} ,\t{c:.3e}\n" for a, b, c in ROWS)
    _check(_open(tmp_path, text))


def test_columns_set_by_blanks(tmp_path):
    _check(_open(tmp_path, "".join(f"  {a:.4f}   {b} {c}\n" for a, b, c in ROWS), ".txt"), ("1", "2"))


def test_no_header_gives_numbered_channels(tmp_path):
    _check(_open(tmp_path, _plain("")), ("1", "2"))


def test_rate_in_a_comment(tmp_path):
    body = "".join(f"{b},{c}\n" for _, b, c in ROWS)
    _check(_open(tmp_path, "# rate_hz: 100000\ncrank,cam\n" + body), rate_hz=1e5)
    _check(_open(tmp_path, "# simulated\n#rate_hz=100000\n" + body), ("1", "2"), rate_hz=1e5)
    single = _open(tmp_path, "# rate_hz: 2500.5\n" + "".join(f"{b}\n" for _, b, _ in ROWS))
    _check(single, ("1",), rate_hz=2500.5)


def test_a_stated_rate_does_not_hide_a_time_column(tmp_path):
    _check(_open(tmp_path, "# rate_hz: 10000\n" + _plain("")), ("1", "2"))


def test_repeated_and_missing_names(tmp_path):
    _check(_open(tmp_path, _plain("t,crank,crank\n")), ("crank", "crank (2)"))
    _check(_open(tmp_path, _plain("t,,cam\n")), ("1", "cam"))
    _check(_open(tmp_path, _plain("time,1,2\n")), ("1", "2"))


def test_text_cells_are_gaps_never_zero(tmp_path):
    text = "t,crank,cam\n" + "".join(f"{a:.4f},{'OL' if 10 <= i < 13 else b},{c}\n" for i, (a, b, c) in enumerate(ROWS))
    recording = _open(tmp_path, text)
    assert np.isnan(recording.values("crank", 10, 13)).all()
    assert [(round(g.start_s, 9), round(g.end_s, 9)) for g in recording.info("crank").gaps] == [(0.001, 0.0013)]
    assert any("3 cells" in c for c in recording.cautions)
    assert recording.info("cam").gaps == ()


def test_text_cells_with_decimal_comma(tmp_path):
    text = "t;crank\n" + "".join(f"{_comma(a)};{'?' if i == 4 else _comma(b)}\n" for i, (a, b, _) in enumerate(ROWS))
    recording = _open(tmp_path, text)
    values = recording.values("crank", 0, 50)
    assert np.flatnonzero(np.isnan(values)).tolist() == [4]
    np.testing.assert_allclose(values[5:], [b for _, b, _ in ROWS[5:]], atol=1e-6)


def test_a_column_of_text_is_left_out(tmp_path):
    recording = _open(tmp_path, "t,note,crank\n" + "".join(f"{a:.4f},cold,{b}\n" for a, b, _ in ROWS))
    assert [(c.name, c.position) for c in recording.channels] == [("crank", 2)]
    assert recording.left_out == ("note",)


@pytest.mark.parametrize("tail", ["0.005", "0.0050,1.5", "0.0050,1.5,", "0.0050,1.5,-2.2e", "0.0"])
def test_a_cut_last_row_is_dropped_and_said(tmp_path, tail):
    recording = _open(tmp_path, _plain() + tail)
    _check(recording)
    assert any("cut short" in c for c in recording.cautions)
    assert all(c.gaps and c.gaps[-1].reason == "file cut short" for c in recording.channels)


def test_a_whole_last_row_without_line_end_is_kept(tmp_path):
    recording = _open(tmp_path, _plain()[:-1])
    _check(recording)
    assert recording.cautions == ()


def test_a_mangled_row_becomes_a_gap(tmp_path):
    lines = _plain().splitlines(keepends=True)
    lines[21] = "garbage\n"
    recording = _open(tmp_path, "".join(lines))
    info = recording.info("crank")
    assert info.samples == 50
    assert [(round(g.start_s, 9), round(g.end_s, 9)) for g in info.gaps] == [(0.002, 0.0021)]
    assert recording.values("crank", 21, 22)[0] == pytest.approx(ROWS[21][1])
    assert any("1 row with the wrong number" in c for c in recording.cautions)


# ---- change lists


def test_change_list_with_header(tmp_path):
    text = "Time [s],crank,cam\n0,0,1\n0.5,1,1\n0.75,0,1\n0.8,0,0\n1.7,1,0\n"
    recording = _open(tmp_path, text)
    crank, _ = recording.channels
    assert (crank.kind, crank.samples, crank.rate_hz) == ("changes", 4, None)
    assert recording.changes("crank").time_s.tolist() == [0, 0.5, 0.75, 1.7]
    assert recording.changes("crank").level.tolist() == [0, 1, 0, 1]
    assert recording.changes("cam").time_s.tolist() == [0, 0.8]
    assert recording.changes("cam").level.tolist() == [1, 0]
    assert recording.changes("cam").end_s == recording.end_s == 1.7
    assert recording.read("crank", 1, 3).tolist() == [1, 0]


def test_change_list_without_header(tmp_path):
    recording = _open(tmp_path, "0,0\n0.006916,1\n0.0173633,0\n0.0303587,1\n0.0564337,0\n")
    assert recording.channels[0].name == "1"
    assert recording.changes("1").time_s.tolist() == [0, 0.006916, 0.0173633, 0.0303587, 0.0564337]


def test_evenly_timed_changes_are_still_changes(tmp_path):
    recording = _open(tmp_path, "t,crank\n" + "".join(f"{i / 100},{i % 2}\n" for i in range(60)))
    assert recording.channels[0].kind == "changes"
    assert len(recording.changes("crank").time_s) == 60


def test_a_sampled_two_level_line_stays_sampled(tmp_path):
    recording = _open(tmp_path, "t,crank\n" + "".join(f"{i / 10000},{i // 7 % 2}\n" for i in range(600)))
    assert (recording.channels[0].kind, recording.channels[0].rate_hz) == ("sampled", 10000)


def test_rows_at_one_time_keep_the_last_state(tmp_path):
    recording = _open(tmp_path, "t,a\n0,0\n0.13,1\n0.2,0\n0.2,1\n0.31,0\n0.45,1\n0.45,0\n0.52,1\n")
    assert recording.changes("a").time_s.tolist() == [0, 0.13, 0.31, 0.52]
    assert recording.changes("a").level.tolist() == [0, 1, 0, 1]
    assert any("2 pulses of no width" in c for c in recording.cautions)


def test_empty_cells_in_a_change_list_are_gaps(tmp_path):
    recording = _open(tmp_path, "t,a,b\n0,0,0\n0.013,1,\n0.0171,0,1\n0.025,1,1\n0.0391,0,0\n0.046,1,0\n")
    gaps = recording.info("b").gaps
    assert [(g.start_s, g.end_s) for g in gaps] == [(0.013, 0.0171)]
    assert recording.changes("b").time_s.tolist() == [0, 0.0171, 0.0391]


def test_irregular_rows_of_other_values_are_refused(tmp_path):
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.exponential(1, 80))
    with pytest.raises(BadRecording, match="no clock"):
        _open(tmp_path, "t,p\n" + "".join(f"{t:.5f},{i * 0.3}\n" for i, t in enumerate(times)))
