"""The drawing surface: places, breaks, ticks, and SVG that stands by itself."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from witnessmark.report import svg_shapes as shapes
from witnessmark.report.surface import ALONG_X, Picture
from witnessmark.report.svg_shapes import Pen, Text


def axes_of(picture: Picture):
    axes = picture.add_axes(10.0, 20.0, 100.0, 50.0)
    axes.set_xlim(0.0, 10.0)
    axes.set_ylim(-1.0, 1.0)
    return axes


def paths(text: str) -> list[str]:
    return re.findall(r'<path d="([^"]*)"', text)


def test_data_lands_where_the_limits_put_it_and_up_is_up():
    picture = Picture("p", 2.0, 2.0)
    axes = axes_of(picture)
    axes.framed = False
    axes.plot([0.0, 10.0], [-1.0, 1.0])
    axes.plot([5.0, 5.0], [0.0, 1.0], at=ALONG_X)
    assert paths(picture.svg("t")) == ["M10 70L110 20", "M60 70V20"]


def test_limits_set_after_drawing_hold_for_what_was_drawn():
    picture = Picture("p", 2.0, 2.0)
    axes = axes_of(picture)
    axes.framed = False
    axes.plot([0.0, 20.0], [0.0, 0.0])
    axes.set_xlim(0.0, 20.0)
    assert paths(picture.svg("t")) == ["M10 45H110"]


def test_a_line_breaks_at_nan_and_remembers_its_highest_point():
    assert shapes.polyline(np.array([0.0, 1.0, np.nan, 2.0, 3.0]), np.array([0.0, 1.0, 1.0, 2.0, 3.0])) == (
        "M0 0L1 1M2 2L3 3"
    )
    axes = axes_of(Picture("p", 2.0, 2.0))
    axes.plot([0, 1, 2], [0.3, np.nan, 0.7])
    assert axes.highest == 0.7


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0.0, 870.0, 4, ["0", "250", "500", "750"]),
        (-1.2, 1.3, 3, ["\N{MINUS SIGN}1", "0", "1"]),
        (9.1, 14.4, 3, ["10", "12", "14"]),
        (10.2, 17.3, 3, ["12.5", "15.0"]),
        (0.0, 0.05, 5, ["0.00", "0.01", "0.02", "0.03", "0.04", "0.05"]),
        (1.0, 1.0, 5, []),
        (float("nan"), 1.0, 5, []),
    ],
)
def test_ticks_are_round_numbers_within_the_ends(low, high, most, expected):
    places, labels = shapes.nice_ticks(low, high, most)
    assert labels == expected
    assert len(places) == len(labels) <= most + 1
    assert all(low - 1e-9 <= p <= high + 1e-9 for p in places)


@pytest.mark.parametrize("kind", list("sD^vo.x|"))
def test_every_marker_is_one_shape_a_point_and_stays_within_its_size(kind):
    drawn = shapes.markers(np.array([10.0, np.nan, 30.0]), np.array([10.0, 5.0, 10.0]), kind, 4.0, Pen("red"))
    assert drawn.count("M") == 2
    assert ElementTree.fromstring(drawn).tag == "path"
    steps = [abs(float(x)) for x in re.findall(r"[-\d.]+", drawn.split("M")[1].split("m", 1)[1])]
    assert max(steps) <= 4.0 * np.sqrt(2.0)


def test_words_are_escaped_and_boxes_cover_them():
    made = Text(50.0, 50.0, "a < b & c\nd", 8.0, "black", "center", "center", box=(0.2, "white", "red", 0.6)).svg()
    root = ElementTree.fromstring(f"<g>{made}</g>")
    assert [t.text for t in root.findall("text")] == ["a < b & c", "d"]
    box = root.find("rect")
    top, high = float(box.get("y")), float(box.get("height"))
    assert all(top < float(t.get("y")) < top + high for t in root.findall("text"))
    assert top + high / 2.0 == pytest.approx(50.0, abs=1.5)


def test_a_picture_is_whole_xml_and_shares_no_id_with_another():
    texts = []
    for name in ("one", "two"):
        picture = Picture(name, 3.0, 3.0)
        axes = axes_of(picture)
        axes.span_x(1.0, 2.0, ec="red", hatch="////")
        axes.span_y(0.0, 0.5, "red", "xxxx")
        axes.arrow((5.0, 0.0), (4.0, 0.0), "red")
        axes.mark(3.0, 0.0, "s", 4.0, "red")
        axes.set_xlabel("x")
        texts.append(picture.svg('the "title" & more'))
    for text in texts:
        assert ElementTree.fromstring(text).get("aria-label") == 'the "title" & more'
        used = set(re.findall(r"url\(#([^)]+)\)", text))
        assert used == set(re.findall(r' id="([^"]+)"', text))
    first, second = (set(re.findall(r' id="([^"]+)"', t)) for t in texts)
    assert first.isdisjoint(second)
