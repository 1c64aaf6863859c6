"""The pictures: small, self-contained, each truthful to what was measured."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.report.draw_style import thinned, trace
from witnessmark.report.draw_turn_map import MARKS, turn_map
from witnessmark.report.figures import pictures

from . import fixtures

LIMIT = 300_000


@pytest.fixture(scope="module", params=list(fixtures.ALL))
def case(request):
    analysis = fixtures.ALL[request.param]()
    return request.param, analysis, fixtures.drawings(request.param)


def drawn(shown):
    return [p for p in (shown.strip, shown.turn_map, shown.wheel, shown.attempts) if p is not None]


def test_each_is_small_and_self_contained_svg(case):
    name, _, shown = case
    assert len(drawn(shown)) == (1 if name == "undecodable" else 4)
    for picture in drawn(shown):
        root = ElementTree.fromstring(picture.svg)
        assert root.tag.endswith("svg")
        assert len(picture.svg.encode()) < LIMIT
        assert "<image" not in picture.svg
        for element in root.iter():
            href = element.get("{http://www.w3.org/1999/xlink}href") or element.get("href") or "#"
            assert href.startswith("#")


def test_ids_differ_between_the_pictures_of_one_page(case):
    _, _, shown = case
    ids = [i for p in drawn(shown) for i in set(re.findall(r' id="([^"]+)"', p.svg))]
    assert len(ids) == len(set(ids))


def test_each_says_in_a_sentence_what_it_shows(case):
    _, analysis, shown = case
    known = {f.id for f in analysis.findings.found}
    for picture in drawn(shown):
        assert picture.caption.text.endswith(".")
        assert picture.caption.ranges
        assert set(picture.caption.findings) <= known
        assert picture.caption.findings or picture.caption.basis != "finding"


def test_the_same_analysis_draws_the_same():
    assert pictures(fixtures.weak_tooth()) == fixtures.drawings("weak tooth")


def test_strip_shows_a_turn_of_the_finding_and_one_with_the_edge():
    analysis = fixtures.weak_tooth()
    strip = fixtures.drawings("weak tooth").strip
    lost, seen = strip.caption.ranges
    turns = {r.turn for r in analysis.findings.found[0].ranges}
    assert lost.turn in turns
    assert seen.turn not in turns
    assert "slot 23: due, no edge" in strip.svg
    assert "slot 23: edge seen" in strip.svg


def test_turn_map_counts_what_is_missing_and_extra():
    analysis = fixtures.dropouts()
    counted = turn_map(analysis)
    assert counted.missed == int((analysis.wheel.passes.edge < 0).sum())
    assert counted.extra == len(analysis.wheel.extras.time_s) == 2
    assert counted.per_mark == 1


def test_turn_map_bins_turns_rather_than_grow():
    from dataclasses import replace

    analysis = fixtures.dropouts()
    passes = analysis.wheel.passes
    times = 40
    many = {
        name: np.tile(getattr(passes, name), times)
        for name in (
            "tooth",
            "edge",
            "time_s",
            "error_deg",
            "speed_rpm",
            "amplitude_v",
            "residual",
            "arm_margin",
            "used",
        )
    }
    turn = np.concatenate([passes.turn + k * 50 for k in range(times)])
    edge = np.where(np.random.default_rng(1).random(len(turn)) < 0.2, -1, many.pop("edge"))
    wide = replace(passes, turn=turn, edge=edge, reason=np.tile(passes.reason, times), **many)
    result = turn_map(replace(analysis, wheel=replace(analysis.wheel, passes=wide)))
    assert result.per_mark > 1
    assert result.missed > MARKS
    assert len(result.svg) < 2 * LIMIT


def test_thinning_keeps_the_lowest_and_highest_sample():
    rng = np.random.default_rng(5)
    values = rng.standard_normal(200_000)
    values[123_457], values[77], values[-2] = 50.0, -60.0, 40.0  # the last lies in a bin that is not full
    t, v = thinned(np.arange(len(values), dtype=float), values, 1000)
    assert len(v) <= 1004
    assert v.max() == 50.0
    assert v.min() == -60.0
    assert v[-2:].max() == 40.0
    assert (np.diff(t) > 0).all()


def test_thinning_bears_gaps():
    values = np.full(10_000, np.nan)
    values[5000:] = 1.0
    t, v = thinned(np.arange(10_000.0), values, 100)
    assert np.isnan(v[t < 4000]).all()
    assert (v[t > 5100] == 1.0).all()


def test_change_lists_are_drawn_as_steps():
    class Wire:
        def changes(self, index):
            return Changes(np.array([0.0, 1.0, 1.5, 3.0]), np.array([0, 1, 0, 1], np.uint8), 4.0)

    info = ChannelInfo("1", 1, "changes", 4, None, 0.0)
    recording = Recording("wire.vcd", (info,), Wire(), 4.0)
    t, v = trace(recording, "1", 0.5, 3.5)
    assert t.tolist() == [0.5, 1.0, 1.0, 1.5, 1.5, 3.0, 3.0, 3.5]
    assert v.tolist() == [0, 0, 1, 1, 0, 0, 1, 1]
