"""The pictures in a real browser, linked: what is picked in one shows in all. The van's data is simulated."""

import io
import re
import xml.etree.ElementTree as ET

import pytest

PIXELS = """([selector, x, y, w, h]) => {
  const c = document.querySelector(selector), s = c.width / c.clientWidth;
  return [...c.getContext('2d').getImageData(x * s, y * s, w * s, h * s).data];
}"""


@pytest.fixture
def van(bench, page):
    """The van's page, ready, with nothing picked."""
    server, recording = bench
    page.goto(f"{server.url}/recordings/{recording}")
    page.wait_for_selector("#bench[data-stage=ready]")
    page.wait_for_function("window.bench && document.querySelector('#turnmap canvas')?.clientHeight > 100")
    page.evaluate("bench.pick({})")
    return page


def picked(page):
    return page.evaluate("bench.picked")


def test_tooth_picked_on_the_wheel_shows_everywhere(van):
    """Clicked where slot 23 stands: 132 degrees anticlockwise of the top (geometry of a 60-2 wheel)."""
    place = van.evaluate("""async () => {
      const { placeOf, SIZE } = await import('/static/wheel_draw.js');
      const svg = document.querySelector('#wheel .picture svg');
      svg.scrollIntoView({ block: "center", behavior: "instant" });
      const box = svg.getBoundingClientRect(), [x, y] = placeOf(132, 0.92);
      return { x: box.left + (x * box.width) / SIZE, y: box.top + (y * box.width) / SIZE };
    }""")
    van.mouse.click(place["x"], place["y"])
    assert picked(van)["slot"] == 23
    assert van.text_content("#wheel .readout").startswith("Slot 23, 132° after slot 1")
    assert "Slot 23 over all turns" in van.text_content("#turnmap .readout")
    assert "19 with a pulse too weak" in van.text_content("#turnmap .readout")
    assert van.locator("#findings button.here").count() == 1
    assert "F1" in van.text_content("#findings button.here")
    assert van.locator("#wheel .picture svg text", has_text="picked: 23").count() == 1
    tdc = van.evaluate("bench.analysis.phase.tdc_deg")
    first = (132.0 - tdc) % 360.0  # slot 23 against cylinder 1's TDC, once in each of the cycle's two turns
    assert f"Slot 23 passes the sensor at {first:.0f}° and {first + 360:.0f}°" in van.text_content("#cycle .readout")
    assert van.locator("#cycle .picture svg text", has_text="slot 23").count() == 2


def test_finding_leads_to_its_samples_and_marks_its_tooth(van):
    said = van.evaluate("bench.views.found.findings[0]")
    van.click("#findings button[data-finding=F1]")
    assert picked(van) == {"finding": "F1", "slot": 23, "cylinder": None, "turn": said["ranges"][0][2]}
    window = van.evaluate("bench.window")
    assert window["start_s"] < said["ranges"][0][0] < said["ranges"][0][1] < window["end_s"]
    assert window["end_s"] - window["start_s"] < 0.5
    assert "slot 23: pulse too weak" in van.text_content("#turnmap .readout")
    assert van.input_value("#wheel select") == "23"
    assert van.get_attribute("#findings button[data-finding=F1]", "aria-pressed") == "true"
    assert van.get_attribute("#balance button[data-finding=F1]", "aria-pressed") == "true"
    van.click("#balance button[data-finding=F2]")
    assert picked(van)["finding"] == "F2"
    assert van.get_attribute("#findings button[data-finding=F2]", "aria-pressed") == "true"


def test_turn_map_by_keyboard_alone(van):
    van.focus("#turnmap .picture")
    van.keyboard.press("n")
    first = picked(van)
    assert (first["slot"], first["turn"]) == (23, 1)
    van.keyboard.press("n")
    assert picked(van)["turn"] == 2
    van.keyboard.press("ArrowUp")
    van.keyboard.press("ArrowRight")
    assert (picked(van)["slot"], picked(van)["turn"]) == (24, 3)
    assert van.text_content("#turnmap .readout").startswith("Turn 4, slot 24: edge seen"), "shown from 1, kept from 0"
    van.keyboard.press("Enter")
    # the strip counts the same turns: at the same moment it reads the same number
    van.evaluate("bench.set('marks', {a: bench.picked.time_s, b: null})")
    van.wait_for_function("document.querySelector('.strip-said').textContent.includes('turn 4,')")
    window, time_s = van.evaluate("bench.window"), picked(van)["time_s"]
    assert window["start_s"] < time_s < window["end_s"]
    turn = van.evaluate("bench.analysis.findings[0].evidence.ranges.find((r) => r.turn === 3)")
    assert window["start_s"] < turn["start_s"] < turn["end_s"] < window["end_s"]


def test_wheel_and_cycle_by_keyboard_alone(van):
    van.focus("#wheel .picture")
    van.keyboard.press("n")
    assert picked(van)["slot"] == 23
    van.keyboard.press("ArrowRight")
    assert picked(van)["slot"] == 24
    van.keyboard.press("End")
    assert picked(van)["slot"] == 60
    assert "no tooth here by design" in van.text_content("#wheel .readout")
    van.focus("#cycle .picture")
    van.keyboard.press("ArrowRight")
    van.keyboard.press("Shift+ArrowRight")
    assert "At 10°: 10° after TDC 1" in van.text_content("#cycle .readout")


def test_a_click_on_the_map_picks_the_place_under_it(van):
    box = van.evaluate("""async () => {
      const { placesOf } = await import('/static/turnmap_draw.js');
      const c = document.querySelector('#turnmap canvas');
      c.scrollIntoView({ block: "center", behavior: "instant" });
      const b = c.getBoundingClientRect(), at = placesOf(bench.views.turn_map, b.width);
      return { x: b.left + at.middle(30), y: b.top + at.y(40) };
    }""")
    van.mouse.click(box["x"], box["y"])
    assert (picked(van)["slot"], picked(van)["turn"]) == (40, 30)


def test_barring_guide_has_its_cautions_and_degrees(van):
    text = van.inner_text("#wheel")
    assert "bar 132° in the normal direction" in text
    assert "never by a cam bolt" in text
    assert "Battery negative off" in text


def test_colours_follow_the_ground(van):
    where = ["#turnmap canvas", 2, 2, 4, 4]
    van.evaluate("document.documentElement.dataset.ground = 'dark'")
    van.wait_for_function("document.querySelector('#wheel .picture svg path').getAttribute('fill') === '#262e34'")
    assert van.evaluate(PIXELS, where)  # still drawn
    line = van.evaluate("document.querySelector('#wheel .picture svg path').getAttribute('stroke')")
    assert line == "#e8e4da"


@pytest.mark.parametrize("view", ["turnmap", "wheel", "cycle", "balance", "findings"])
def test_every_view_is_saved_as_svg_and_png(van, view):
    from PIL import Image

    with van.expect_download() as held:
        van.click(f"#{view} .save-row button:has-text('SVG')")
    root = ET.parse(held.value.path()).getroot()
    words = " ".join("".join(e.itertext()) for e in root.iter("{http://www.w3.org/2000/svg}text"))
    assert "bakery-van.npz" in words
    assert len(re.findall("[a-z]", words)) > 100
    assert not [e for e in root.iter() if e.tag.endswith(("script", "style", "image"))]
    with van.expect_download() as held:
        van.click(f"#{view} .save-row button:has-text('PNG')")
    assert held.value.suggested_filename.endswith(".png")
    with open(held.value.path(), "rb") as file:
        image = Image.open(io.BytesIO(file.read()))
        assert image.width > 1000
        assert len(image.convert("RGB").getcolors(1 << 24)) > 4


def test_targets_are_large_and_nothing_runs_over_at_820_px(bench, page):
    server, recording = bench
    page.set_viewport_size({"width": 820, "height": 900})
    page.goto(f"{server.url}/recordings/{recording}")
    page.wait_for_function("window.bench && document.querySelector('#wheel .picture svg')")
    small = page.evaluate("""() => [...document.querySelectorAll('#turnmap, #wheel, #cycle, #balance, #findings')]
        .flatMap((s) => [...s.querySelectorAll('button, select, summary')])
        .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 43.9).map((e) => e.textContent)""")
    assert small == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 820


def test_no_wheel_no_phase_no_cam_are_said(van):
    """Views of records that hold less, mounted by hand."""
    said = van.evaluate("""async () => {
      const out = {};
      const views = { ...bench.views, turn_map: { why_not: 'only 3 edges' },
        wheel: { why_not: 'only 3 edges', undecidable: '' },
                      cycle: { why_not: 'no cam, coil or injector line was recorded' } };
      const less = { views, picked: {}, on() {}, pick() {}, look() {} };
      for (const name of ['turnmap', 'wheel', 'cycle']) {
        const { mount } = await import(`/static/${name}.js`);
        const box = document.createElement('div');
        mount(box, less);
        out[name] = box.textContent;
      }
      return out;
    }""")
    assert said["turnmap"].startswith("Nothing to draw: only 3 edges. Needed:")
    assert said["wheel"].startswith("Nothing to draw: only 3 edges. Needed:")
    assert said["cycle"].startswith("Nothing to draw: no cam, coil or injector line was recorded. Needed:")
