"""The strip in a real browser: hands on it, what it shows, what its marks read."""

from __future__ import annotations

import re

import numpy as np
import pytest

from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.open import open_recording
from witnessmark.recording.store_write import StoreWriter
from witnessmark.workbench.folder import Folder
from witnessmark.workbench.teeth import load_teeth

FRESH = ".strip-canvas[data-fresh=true]"
SEES = "() => { const v = bench.strip.view; return [v.from_s, v.to_s]; }"


def opened(server, recording, page):
    """The recording's page with the strip drawn and everything shared put back."""
    page.goto(f"{server.url}/recordings/{recording}")
    page.wait_for_selector(FRESH)  # the stage is said to be ready before the page has its bench
    if not page.locator('link[href*="strip.css"]').count():
        page.add_style_tag(url=f"{server.url}/static/strip.css")
    page.evaluate("""() => { bench.pick({}); bench.set("marks", {a: null, b: null}); bench.set("shown", null);
        bench.set("heights", null); bench.set("beside", null); bench.set("beside_by", null);
        bench.look(bench.views.start_s, bench.views.end_s); }""")
    page.wait_for_selector(FRESH)
    page.evaluate("document.querySelector('.strip-canvas').scrollIntoView({block: 'center', behavior: 'instant'})")
    return page.locator(".strip-canvas").bounding_box()


@pytest.fixture
def strip(bench, page):
    """(page, box of the canvas)"""
    server, recording = bench
    return page, opened(server, recording, page)


def sees(page):
    return tuple(page.evaluate(SEES))


def settled(page):
    """The window once numbers for it are drawn."""
    page.wait_for_timeout(30)
    page.wait_for_selector(FRESH)
    return sees(page)


def x_of(page, t_s):
    return page.evaluate("t => { const p = bench.strip.plot(), v = bench.strip.view;"
                         " return p.x + (t - v.from_s) / v.span * p.w; }", t_s)  # fmt: skip


def t_of(page, x):
    return page.evaluate("x => { const p = bench.strip.plot(), v = bench.strip.view;"
                         " return v.from_s + (x - p.x) / p.w * v.span; }", x)  # fmt: skip


def test_wheel_drag_and_keys_move_the_window(strip):
    page, box = strip
    assert sees(page) == (0.0, 15.0)
    page.mouse.move(box["x"] + 700, box["y"] + 200)
    under = t_of(page, 700)
    page.mouse.wheel(0, -300)
    a, b = settled(page)
    assert b - a == pytest.approx(15 / 1.25**3)
    assert t_of(page, 700) == pytest.approx(under)  # what the pointer is on stays there
    page.mouse.down()
    page.mouse.move(box["x"] + 600, box["y"] + 210, steps=4)
    page.mouse.up()
    assert t_of(page, 600) == pytest.approx(under)
    page.locator(".strip-canvas").focus()
    a, b = settled(page)
    page.keyboard.press("PageDown")
    c, d = settled(page)
    assert d == pytest.approx(min(15.0, b + (b - a)))
    for key, there in (("Home", 0.0), ("End", 15.0)):
        page.keyboard.press(key)
        assert there in [pytest.approx(v) for v in settled(page)]
    page.keyboard.press("+")
    assert np.diff(settled(page))[0] == pytest.approx((d - c) / 2)
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("0")
    assert settled(page) == (0.0, 15.0)
    page.keyboard.press("t")
    a, b = settled(page)
    assert (a, b) != (0.0, 15.0)
    assert "Attempt" in page.text_content(".strip-note")


def test_two_fingers_keep_what_they_hold(bench, browser):
    server, recording = bench
    context = browser.new_context(viewport={"width": 820, "height": 1100}, has_touch=True)
    try:
        page = context.new_page()
        said = []
        page.on("console", lambda m: said.append(m.text))
        box = opened(server, recording, page)
        assert page.evaluate("document.documentElement.scrollWidth") <= 820
        hand = context.new_cdp_session(page)
        y = box["y"] + 250

        def touch(kind, *xs):
            points = [{"x": box["x"] + x, "y": y, "id": k} for k, x in enumerate(xs)]
            hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        held = [t_of(page, x) for x in (300, 500)]
        touch("touchStart", 300)
        touch("touchStart", 300, 500)
        for k in range(1, 6):
            touch("touchMove", 300 - 20 * k, 500 + 30 * k)
        settled(page)
        assert [t_of(page, x) for x in (200, 650)] == pytest.approx(held, rel=1e-3)
        touch("touchEnd")
        assert page.evaluate("bench.strip.marks.at") == {"a": None, "b": None}  # a pinch is no tap
        # one finger drags, a tap sets a mark
        held = t_of(page, 600)
        touch("touchStart", 600)
        for k in range(1, 5):
            touch("touchMove", 600 - 30 * k)
        touch("touchEnd")
        assert t_of(page, 480) == pytest.approx(held, rel=1e-3)
        touch("touchStart", 400)
        touch("touchEnd")
        page.wait_for_selector(".strip-handle[data-mark=a]:not([hidden])")
        with page.expect_download():  # with the page's own content policy, which the other tests' pages do not keep
            page.click("[data-act=svg]")
        assert [words for words in said if "Content Security Policy" in words] == []
    finally:
        context.close()


def test_marks_read_raw_samples_and_decoded_degrees(strip, van_folder):
    page, box = strip
    page.evaluate("bench.look(12.0, 12.2)")
    settled(page)
    folder = Folder(van_folder[0]).of(van_folder[1])
    crank_y = page.evaluate("bench.strip.lanes[0].y + 20")
    page.mouse.click(box["x"] + 400, box["y"] + crank_y)
    page.mouse.click(box["x"] + 700, box["y"] + crank_y)
    page.wait_for_function("bench.strip.marks.read.a && bench.strip.marks.read.b")
    a, b = (page.evaluate(f"bench.strip.marks.at.{m}") for m in "ab")
    assert a == pytest.approx(t_of(page, 400), abs=1.1e-5)  # the nearest sample of 50 kHz
    numbers = [round(t * 50_000) for t in (a, b)]
    assert [a, b] == [n / 50_000 for n in numbers]
    recording = open_recording(folder / "store")
    for name in ("crank sensor", "battery"):
        row = page.locator(f'.strip-read tr:has(th:text-is("{name}"))')
        for k, number in enumerate(numbers):
            said = re.match(r"(-?[\d.]+) V \(sample (\d+)\)", row.locator("td").nth(k).text_content())
            value = recording.values(name, number, number + 1)[0]
            assert (float(said[1]), int(said[2])) == (pytest.approx(value, rel=1e-3, abs=1e-4), number)
    teeth = load_teeth(folder / "teeth.npz")
    turned = float(np.diff(teeth.turning_deg(np.array([a, b])))[0])
    said = page.locator(".strip-read tr").nth(4).text_content()
    assert f"{turned / 6 / (b - a):.1f} rpm between" in said
    assert f"{turned:.2f}°" in page.locator(".strip-read tr").nth(2).text_content()
    # keys go from sample to sample
    page.locator(".strip-handle[data-mark=a]").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    assert round(page.evaluate("bench.strip.marks.at.a") * 50_000) == numbers[0] + 1
    page.wait_for_function(f"document.querySelector('.strip-read').textContent.includes('sample {numbers[0] + 1})')")
    page.keyboard.press("Delete")
    assert page.evaluate("bench.strip.marks.at.a") is None


def test_findings_and_picked_teeth_bring_their_samples(strip):
    page, _ = strip
    page.click("[data-act=nextFinding]")
    a, b = settled(page)
    found = page.evaluate("bench.analysis.findings[0]")
    first = found["evidence"]["ranges"][0]
    assert a < first["start_s"] < first["end_s"] < b
    assert b - a < 1.0
    assert page.evaluate("bench.picked.finding") == found["id"]
    assert found["statement"] in page.text_content(".strip-note")
    page.click("[data-act=nextPlace]")
    a, b = settled(page)
    second = found["evidence"]["ranges"][1]
    assert a < second["start_s"] < second["end_s"] < b
    # picked in another view: a finding in a turn, then a tooth in a turn
    third = found["evidence"]["ranges"][5]
    page.evaluate("p => bench.pick(p)", {"finding": found["id"], "turn": third["turn"]})
    a, b = settled(page)
    assert a < third["start_s"] < third["end_s"] < b
    page.evaluate("bench.pick({slot: 23, turn: 40})")
    page.wait_for_function("bench.strip.tiles.tile.passes && bench.strip.view.from_s > 11.5")
    a, b = settled(page)
    assert "Slot 23 is picked" in page.evaluate("bench.strip.caption().join(' ')")
    times = page.evaluate("Array.from(bench.strip.tiles.tile.passes.times)")
    assert any(abs(t - (a + b) / 2) < 1e-3 for t in times)  # it stands in the middle
    suspect = page.evaluate("bench.strip.svg()")
    assert suspect.count("slot 23") >= 1


def test_a_tap_on_a_bracket_picks_its_finding(strip):
    page, _ = strip
    page.focus(".strip-canvas")
    page.keyboard.press("n")
    settled(page)
    page.evaluate("bench.pick({})")
    box = page.locator(".strip-canvas").bounding_box()
    place = page.evaluate("""() => {
        const { strip } = bench, view = strip.model().view, finding = bench.analysis.findings[0];
        const lane = strip.lanes.find((one) => one.name === finding.channel);
        const range = finding.evidence.ranges[0];
        return [view.x + ((range.start_s + range.end_s) / 2 - view.from_s) * view.scale, lane.y, lane.h];
    }""")
    x, top, high = place
    page.mouse.click(box["x"] + x, box["y"] + top + high - 4)
    page.wait_for_function("bench.picked.finding === bench.analysis.findings[0].id")
    assert page.evaluate("bench.strip.marks.at.a") is None, "a bracket sets no mark"
    page.mouse.click(box["x"] + x, box["y"] + top + 4)
    page.wait_for_function("bench.strip.marks.at.a !== null")


def test_steps_of_a_turn_are_of_the_crank(strip, van_folder):
    page, _ = strip
    teeth = load_teeth(Folder(van_folder[0]).of(van_folder[1]) / "teeth.npz")
    page.evaluate("bench.look(12.0, 12.1)")
    settled(page)
    for act, step in (("turnOn", 360), ("cycleOn", 720), ("turnBack", -360), ("cycleBack", -720)):
        before = sees(page)
        page.click(f"[data-act={act}]")
        page.wait_for_function("a => bench.strip.view.from_s !== a", arg=before[0])
        middles = np.array([sum(before) / 2, sum(sees(page)) / 2])
        assert np.diff(teeth.turning_deg(middles))[0] == pytest.approx(step, abs=1e-3)
    page.evaluate("bench.look(4.0, 4.5)")
    page.click("[data-act=turnOn]")
    page.wait_for_function("document.querySelector('.strip-note').textContent.includes('stands still')")


def test_lines_are_chosen_and_ordered(strip):
    page, _ = strip
    page.click("summary:has-text('Which lines')")
    page.click("[data-key='box battery']")
    page.click("[data-key='up cam sensor']")
    page.wait_for_function("bench.strip.lines[0].name === 'cam sensor'")
    names = page.evaluate("bench.strip.lines.map(l => l.name)")
    assert names == ["cam sensor", "crank sensor", "coil 1", "injector 1", "starter current"]
    assert page.evaluate("document.activeElement.dataset.key") != ""
    before = page.evaluate("bench.strip.lines[0].height")
    page.click("[aria-label='cam sensor: taller']")
    page.wait_for_function("h => bench.strip.lines[0].height > h", arg=before)
    page.wait_for_selector(FRESH)
    assert "Lines: cam sensor, crank sensor, coil 1" in page.evaluate("bench.strip.caption().join(' ')")


def test_another_recording_is_laid_over(strip, bench):
    """The van over itself: by time nothing but broken lines, by angle the degrees of another attempt."""
    page, _ = strip
    page.evaluate("bench.look(5.6, 6.0)")
    page.evaluate("id => bench.set('beside', id)", bench[1])
    page.wait_for_function("bench.strip.besideTiles?.tile?.lines.size === 6")
    page.wait_for_function("bench.strip.lines.every(l => l.beside === l.name)")
    drawing = page.evaluate("bench.strip.svg()")
    reference = page.evaluate("bench.strip.ink.reference")
    assert f'stroke="{reference}"' in drawing
    assert drawing.count(">reference<") == 6
    # by time from the beginning of motion: the second attempt under the last one's time
    moved = page.evaluate("(({ own, onto }) => own[0] - onto[0])(bench.strip.besideTiles.tile.warp)")
    attempts = page.evaluate("bench.analysis.attempts.map(a => a.start_s)")
    assert moved == pytest.approx(attempts[2] - attempts[1])
    page.evaluate("bench.set('beside_by', 'angle')")
    page.wait_for_function("bench.strip.besideTiles?.tile?.warp.words.includes('crank angle')")
    page.wait_for_function("document.body.textContent.includes('laid over by crank angle')")


def test_dark_ground_and_files(strip):
    page, _ = strip
    page.evaluate("document.documentElement.dataset.ground = 'dark'")
    page.wait_for_function("""() => { const c = document.querySelector(".strip-canvas").getContext("2d");
        return c.getImageData(3, 3, 1, 1).data[0] < 60; }""")
    page.evaluate("document.documentElement.dataset.ground = 'light'")
    with page.expect_download() as got:
        page.click("[data-act=svg]")
    text = got.value.path().read_text()
    assert got.value.suggested_filename == "bakery-van.npz-strip.svg"
    assert "<svg" in text
    assert "bakery-van.npz (simulated): " in text, "the file says so by itself, whatever it is called"
    for words in ("crank sensor", "attempt 1: no start", "first spark", "motion", "Samples of F1", "time, s"):
        assert words in text
    assert (
        page.evaluate("t => new DOMParser().parseFromString(t, 'image/svg+xml').querySelector('parsererror')", text)
        is None
    )
    with page.expect_download() as got:
        page.click("[data-act=png]")
    assert got.value.path().read_bytes().startswith(b"\x89PNG")


def test_a_page_that_looks_on_follows(bench, browser, strip):
    page, _ = strip
    server, recording = bench
    context = browser.new_context(bypass_csp=True)  # waiting for a condition is done by eval
    try:
        other = context.new_page()
        other.goto(f"{server.url}/recordings/{recording}")
        other.wait_for_selector(FRESH)
        page.evaluate("bench.strip.act('closer')")
        goal = sees(page)
        there = "([a, b]) => bench.strip.view.from_s === a && bench.strip.view.to_s === b"
        other.wait_for_function(there, arg=goal)
        # a finding picked in one page brings both to its samples
        page.evaluate("bench.pick({finding: 'F2'})")
        goal = sees(page)
        other.wait_for_function(there, arg=goal)
        # a page that comes later, or again, takes up what is looked at and moves nobody
        page.evaluate("bench.look(12.0, 12.5)")
        other.wait_for_function(there, arg=[12.0, 12.5])
        other.reload()
        other.wait_for_function("window.bench?.strip?.view.from_s === 12.0")
        other.wait_for_selector(FRESH)
        other.wait_for_timeout(300)
        assert sees(page) == sees(other) == (12.0, 12.5)
        assert other.evaluate("bench.picked.finding") == "F2"
    finally:
        context.close()


@pytest.fixture(scope="module")
def long_folder(van_folder, tmp_path_factory):
    """(data folder, id, samples): ten million samples, quiet but for one of them; pages as of the van's analysis."""
    import json

    folder = Folder(tmp_path_factory.mktemp("long"))
    card = folder.begin("long.npz")
    samples = np.random.default_rng(3).integers(-60, 60, 10_000_000, "int16")
    samples[6_543_210] = 20_000
    info = ChannelInfo("quiet", 1, "sampled", len(samples), 1e6, 0.0, 0.001, 0.0, "V")
    with StoreWriter(folder.of(card.id) / "store") as store:
        store.channel(0, samples.dtype).append(samples)
        store.finish(Recording("long", (info,), None, 10.0))
    analysis = json.loads((Folder(van_folder[0]).of(van_folder[1]) / "analysis.json").read_text())
    channel = analysis["channels"][0] | {"name": "quiet", "label": "quiet", "rate_hz": 1e6, "samples": len(samples)}
    channel["levels"] = {"minimum": -0.06, "maximum": 20.0}
    analysis |= {"channels": [channel], "attempts": [], "outputs": [], "findings": []}
    analysis["timeline"] = dict.fromkeys(analysis["timeline"])
    views = json.loads((Folder(van_folder[0]).of(van_folder[1]) / "views.json").read_text()) | {"end_s": 10.0}
    folder.write(card.id, "analysis.json", json.dumps(analysis))
    folder.write(card.id, "views.json", json.dumps(views))
    folder.keep(folder.card(card.id), stage="ready", share=1.0)
    return folder.root, card.id, samples


@pytest.mark.slow
def test_one_sample_in_ten_million_is_on_the_screen(long_folder, tmp_path, page):
    from tests.workbench.conftest import served

    root, recording, samples = long_folder
    with served(root, tmp_path / "cases.db") as server:
        opened(server, recording, page)
        ink = """([x, y]) => { const s = bench.strip, d = s.dpr, c = s.canvas.getContext("2d");
            return Array.from(c.getImageData(Math.floor(x * d) - 1, Math.round(y * d), 3, 1).data); }"""
        lane = page.evaluate("(({ y, h, low, high }) => ({ y, h, low, high }))(bench.strip.lanes[0])")
        x = x_of(page, 6.543210)
        for share in (0.2, 0.5, 0.9):  # dark all the way up to its value, and nowhere beside it
            y = lane["y"] + lane["h"] * (1 - share * (20.0 - lane["low"]) / (lane["high"] - lane["low"]))
            assert min(page.evaluate(ink, [x, y])[0::4]) < 100
            for beside in (-4, 4):
                assert min(page.evaluate(ink, [x + beside, y])[0::4]) > 200
        # what is drawn is numpy's: every column of the tile, over the whole recording
        line = page.evaluate("""() => { const l = bench.strip.tiles.tile.lines.get("quiet");
            return [l.start_s, l.step_s, Array.from(l.low), Array.from(l.high)]; }""")
        size = round(line[1] * 1e6)
        at = np.arange(0, len(samples), size)
        assert line[2] == (np.minimum.reduceat(samples, at) * 0.001).astype(np.float32).tolist()
        assert line[3] == (np.maximum.reduceat(samples, at) * 0.001).astype(np.float32).tolist()
        # down to the sample itself
        page.evaluate("bench.look(6.54319, 6.54323)")
        settled(page)
        assert page.evaluate("bench.strip.tiles.tile.lines.get('quiet').form") == "samples"
        assert max(page.evaluate("Array.from(bench.strip.tiles.tile.lines.get('quiet').values)")) == 20.0
