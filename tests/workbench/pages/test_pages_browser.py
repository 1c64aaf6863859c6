"""The pages in a real browser: nothing typed is lost, everything by keyboard, fit for gloves, readable by axe."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from witnessmark.cases.bodies import Decision, Outcome, Work
from witnessmark.workbench.folder import Folder

from .conftest import card_with, in_words

ROOT = Path(__file__).parents[3]
WORDS = ROOT / "docs" / "workbench-words.md"
SMALLEST_PX = 43.5  # of 44 (published: WCAG 2.1, 2.5.5 target size), less what rounding takes


def ready(page, shop, what):
    """Open a page and wait until it stands."""
    page.goto(f"{shop.url}{what}")
    stands = {"r": "#hookup table", "c": "#entries li"}.get(what[1:2], "#cards li")
    page.wait_for_selector(stands, state="attached")


def opened(page):
    """Every fold of the page open, so that everything in it is looked at."""
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    page.wait_for_timeout(100)


def tab_to(page, selector, most=150):
    """Go with the tab key alone to an element; fails where the key does not lead there."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("(s) => document.activeElement.matches(s)", selector):
            return
    raise AssertionError(f"{most} steps of the tab key do not lead to {selector}")


def kept(shop, case, key):
    """The draft that the server holds."""
    place = shop.server.folder / "state" / f"case-{case}.json"
    return json.loads(place.read_text())["values"].get(key) if place.exists() else None


def wait_for(page, condition, tries=100):
    for _ in range(tries):
        if condition():
            return
        page.wait_for_timeout(100)
    raise AssertionError("waited in vain")


def heard(page, kind, **said):
    """As if the server had told the page so."""
    page.evaluate(
        """async ([kind, said]) => { const { live } = await import("/static/page.js");
        live.dispatchEvent(new CustomEvent(kind, { detail: said })); }""",
        [kind, said],
    )


# ---- by keyboard


def test_from_the_start_page_to_the_report_without_a_mouse(shop, page):
    ready(page, shop, "/")
    tab_to(page, f"#cards a[href='/recordings/{shop.van}']")
    page.keyboard.press("Enter")
    page.wait_for_selector("#bench[data-stage=ready]")
    assert "slot 23 of the 60-2 wheel" in page.text_content(".verdict-line")
    tab_to(page, "#report")
    with page.context.expect_page() as report:
        page.keyboard.press("Enter")
    report.value.wait_for_load_state()
    assert "slot 23" in report.value.text_content("body")


def test_file_is_chosen_by_keyboard(shop, page):
    choosers = []

    def chosen(chooser):
        choosers.append(chooser)

    page.on("filechooser", chosen)  # before the page opens: told later, chromium may not know of it in time
    ready(page, shop, "/")
    tab_to(page, "#file", most=6)
    page.keyboard.press("Enter")
    wait_for(page, lambda: choosers)


def test_keys_go_from_question_to_question(shop, page):
    ready(page, shop, f"/recordings/{shop.van}")
    heads = page.eval_on_selector_all("main section > h2", "all => all.map(h => h.id)")
    for expected in heads[1:3]:
        page.keyboard.press("Alt+Shift+ArrowDown")
        wait_for(page, lambda e=expected: page.evaluate("document.activeElement.id") == e)
        page.wait_for_timeout(700)  # the page glides there


# ---- nothing typed is lost


def test_typed_words_survive_a_reload_and_reach_another_device(shop, page):
    case = shop.case()
    ready(page, shop, f"/cases/{case}")
    page.click("#f-observation >> xpath=.. >> summary")
    page.fill("#o-text", "The plug is green inside")
    page.select_option("#o-test", "look-at-the-tooth")
    page.select_option("#o-outcome", index=1)
    outcome = page.input_value("#o-outcome")
    wait_for(page, lambda: (kept(shop, case, "draft:observation") or {}).get("outcome") == outcome)
    page.reload()
    page.wait_for_selector("#o-text:visible")
    assert page.input_value("#o-text") == "The plug is green inside"
    assert page.input_value("#o-outcome") == outcome
    other = page.context.new_page()
    ready(other, shop, f"/cases/{case}")
    other.wait_for_selector("#o-text:visible")
    assert other.input_value("#o-text") == "The plug is green inside"
    page.click("#f-observation button.first")
    page.wait_for_selector("#entries li[data-key='5']")
    assert in_words(shop, case)[-1][1].outcome == outcome
    wait_for(page, lambda: other.input_value("#o-text") == "")
    other.wait_for_selector("#entries li[data-key='5']")


def test_two_devices_in_one_form_are_both_shown(shop, page):
    case = shop.case()
    ready(page, shop, f"/cases/{case}")
    other = page.context.new_page()
    ready(other, shop, f"/cases/{case}")
    for one in (page, other):
        one.evaluate("document.querySelector('#f-decision').closest('details').open = true")
    other.evaluate("() => { window.sending = WebSocket.prototype.send; WebSocket.prototype.send = () => {}; }")
    other.fill("#d-text", "mine")
    page.fill("#d-text", "theirs")
    other.wait_for_selector("#f-decision .frame[role=alert]")
    assert other.input_value("#d-text") == "mine"
    assert "theirs" in other.text_content("#f-decision .frame[role=alert]")
    other.evaluate("() => { WebSocket.prototype.send = window.sending; }")
    other.click("text=Keep mine")
    wait_for(page, lambda: (kept(shop, case, "draft:decision") or {}).get("text") == "mine")
    wait_for(page, lambda: page.input_value("#d-text") == "mine")


def test_entries_that_came_in_between_are_shown_and_words_stay(shop, page):
    case = shop.case()
    ready(page, shop, f"/cases/{case}")
    page.evaluate("document.querySelector('#f-decision').closest('details').open = true")
    page.fill("#d-text", "Fit a sensor")
    # another program writes, which tells no page
    shop.store.add(case, Work("work", "Ground strap cleaned"), "B. Other")
    page.click("#f-decision button.first")
    page.wait_for_selector("#f-decision .between .frame")
    assert "Ground strap cleaned" in page.text_content("#f-decision .between")
    assert page.input_value("#d-text") == "Fit a sensor"
    assert in_words(shop, case)[-1][0] == "work", "nothing is written behind the user's back"
    page.click("text=Write it after these")
    page.wait_for_selector("#entries li[data-key='6']")
    assert in_words(shop, case)[-1] == ("decision", Decision("Fit a sensor"))


def test_page_follows_the_log_without_losing_focus_or_words(shop, page):
    case = shop.case()
    ready(page, shop, f"/cases/{case}")
    page.click("#entries li[data-key='1'] summary")
    page.fill("#c-1-vehicle", "a bakery's delivery van, blue")
    page.focus("#c-1-vehicle")
    assert shop.enter(case, "disabled", item="injector fuse 12", why="")[0] == 201
    page.wait_for_selector("#to-restore li")
    assert "injector fuse 12" in page.text_content("#put-back-first")
    assert page.evaluate("document.activeElement.id") == "c-1-vehicle"
    assert page.input_value("#c-1-vehicle") == "a bakery's delivery van, blue"


def test_an_outcome_is_one_press_and_putting_back_another(shop, page):
    case = shop.case()
    shop.enter(case, "disabled", item="injector fuse 12", why="")
    shop.enter(case, "test", test="look-at-the-tooth")
    ready(page, shop, f"/cases/{case}")
    page.wait_for_selector("#chosen .caution")
    page.fill("#chosen [name=note]", "with the borescope")
    page.click("#chosen .outcome >> nth=0")
    page.wait_for_selector("#entries li[data-key='7']")
    kind, body = in_words(shop, case)[-1]
    assert (kind, body.chosen, body.note) == ("outcome", 6, "with the borescope")
    assert isinstance(body, Outcome)
    assert body.then
    page.click("#to-restore button")
    page.wait_for_selector("#entries li[data-key='8']")
    assert not shop.store.read(case).to_restore


def test_new_case_says_what_is_wrong_at_the_field(shop, page):
    ready(page, shop, "/")
    page.click("#new-case-box summary")
    page.fill("#n-complaint", "Stalls hot")
    page.fill("#n-vin", "123")
    page.click("#new-case button.first")
    page.wait_for_selector("#n-vin[aria-invalid]")
    assert "17" in page.text_content("#n-vin + .at-field")
    page.fill("#n-vin", "")
    page.click("#new-case button.first")
    page.wait_for_url("**/cases/*")
    page.wait_for_selector("#entries li")
    page.goto(shop.url)
    page.wait_for_selector("#cards li")
    page.wait_for_timeout(300)
    assert page.input_value("#n-complaint") == "", "what was written is no draft any more"


def test_hookup_error_stands_at_its_field_and_a_good_one_is_analysed_again(shop, page):
    asked = []
    page.route("**/again", lambda route: (asked.append(1), route.fulfill(status=200, body="{}")))
    ready(page, shop, f"/recordings/{shop.van}")
    page.click("text=Tell which line is what")
    page.fill("[name='channel.4.label']", "injector, tapped at the plug")
    page.evaluate("document.querySelector('[name=\"channel.3.cylinder\"]').closest('details').open = true")
    page.fill("[name='channel.3.cylinder']", "one")
    page.click("#hookup-form button.first")
    page.wait_for_selector("[name='channel.3.cylinder'][aria-invalid]")
    page.fill("[name='channel.3.cylinder']", "1")
    page.click("#hookup-form button.first")
    wait_for(page, lambda: asked)
    place = shop.server.folder / "recordings" / shop.van / "setup.toml"
    assert 'label = "injector, tapped at the plug"' in place.read_text()
    place.unlink()


def test_what_another_device_told_of_the_hookup_is_shown_before_it_is_changed_back(shop, page):
    page.route("**/again", lambda route: route.fulfill(status=200, body="{}"))
    ready(page, shop, f"/recordings/{shop.van}")
    place = f"/api/recordings/{shop.van}/hookup"
    form = shop.server.json("GET", place)[1]
    theirs = {"engine": {"cylinders": "4"}, "lines": [], "revision": form["revision"]}
    assert shop.server.json("POST", place, json.dumps(theirs))[0] == 200
    page.click("text=Tell which line is what")
    page.fill("[name='channel.1.label']", "crank, tapped at the unit")
    page.click("#hookup-form button.first")
    page.wait_for_selector("#hookup-form .between .frame")
    said = page.text_content("#hookup-form .between li")
    assert said == "How many cylinders?: now 4; here not said"
    page.select_option("[name='engine.strokes']", "4")  # what else is typed meanwhile goes with it
    page.fill("[name='engine.cylinders']", "4")
    page.click("text=Write it after these")
    kept_at = shop.server.folder / "recordings" / shop.van / "setup.toml"
    wait_for(page, lambda: "strokes = 4" in kept_at.read_text())
    assert "cylinders = 4" in kept_at.read_text()
    assert 'label = "crank, tapped at the unit"' in kept_at.read_text()
    kept_at.unlink()


def test_vehicle_number_is_in_no_draft(shop, page):
    ready(page, shop, "/")
    page.click("#new-case-box summary")
    page.fill("#n-vin", "1M8GDM9AXKP042788")  # 49 CFR 565's own example
    page.fill("#n-complaint", "Stalls hot")
    state = shop.server.folder / "state" / "start.json"
    wait_for(page, lambda: state.exists() and "Stalls hot" in state.read_text())
    page.fill("#n-customer", "the bakery")
    wait_for(page, lambda: "the bakery" in state.read_text())
    assert "1M8GDM9" not in state.read_text()
    assert page.input_value("#n-vin") == "1M8GDM9AXKP042788"
    other = page.context.new_page()
    ready(other, shop, "/")
    wait_for(other, lambda: other.input_value("#n-customer") == "the bakery")
    assert other.input_value("#n-vin") == ""
    other.fill("#n-customer", "the baker")
    wait_for(page, lambda: page.input_value("#n-customer") == "the baker")
    assert page.input_value("#n-vin") == "1M8GDM9AXKP042788", "what another device types leaves it alone"
    page.click("#new-case button.first")
    page.wait_for_url("**/cases/*")
    page.wait_for_selector("#entries li")
    assert "1M8GDM9AXKP042788" not in page.content()


# ---- what it shows


def test_a_file_that_is_no_recording_is_told_with_what_to_do(shop, page):
    ready(page, shop, "/")
    page.evaluate(
        """() => {
        const data = new DataTransfer();
        data.items.add(new File(["no recording at all"], "notes.csv"));
        dispatchEvent(new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true }));
        }"""
    )
    page.wait_for_url("**/recordings/*")
    page.wait_for_selector("#bench[data-stage=failed]")
    told = page.text_content("#progress")
    assert "notes.csv" in told
    assert "drop the file again" in told
    assert page.is_visible("#again")


def test_work_in_hand_shows_how_far_it_is(shop, page):
    card = card_with(shop, stage="importing", share=0.4)
    page.goto(f"{shop.url}/recordings/{card.id}")
    page.wait_for_selector("#stop:visible")
    assert "40 %" in page.text_content("#progress")
    assert page.eval_on_selector("#share", "e => e.value") == 0.4
    ready(page, shop, "/")
    page.wait_for_selector(f"#cards li[data-key='{card.id}'] progress")
    page.fill("#search", "no such word here")
    page.wait_for_selector("#cards li", state="detached")


def test_page_takes_up_what_becomes_ready_without_starting_anew(shop, page):
    folder = Folder(shop.server.folder)
    folder.keep(folder.card(shop.van), stage="analysing", share=0.9)
    page.goto(f"{shop.url}/recordings/{shop.van}")
    page.wait_for_selector("#stop:visible")
    page.evaluate("window.same = true")
    folder.keep(folder.card(shop.van), stage="ready", share=1.0)
    heard(page, "card", card={"id": shop.van, "stage": "ready"})
    page.wait_for_selector("#bench[data-stage=ready]")
    assert page.evaluate("window.same === true")


def test_comparison_says_how_far_it_is_and_can_be_stopped(shop, page):
    case, asked, stopped = shop.case(), [], []
    page.route("**/compare", lambda route: asked.append(route))
    page.route("**/compare/stop", lambda route: (stopped.append(1), route.fulfill(status=200, body="{}")))
    ready(page, shop, f"/cases/{case}")
    page.select_option("#c-after", index=1)
    page.click("#f-compare .buttons button >> nth=0")
    page.wait_for_selector("#stop-compare:visible")
    heard(page, "compare", case="another", share=0.9, said="not this one")
    heard(page, "compare", case=case, share=0.25, said="the one after the repair is being analysed")
    page.wait_for_selector("#f-compare .said:has-text('The one after the repair is being analysed (25 %)')")
    assert page.eval_on_selector("#compare-share", "e => e.value") == 0.25
    page.click("#stop-compare")
    wait_for(page, lambda: stopped)
    asked[0].fulfill(status=400, body=json.dumps({"error": "it was stopped; nothing is entered", "field": ""}))
    page.wait_for_selector("#f-compare .said.wrong:has-text('nothing is entered')")
    assert not page.is_visible("#stop-compare")


def test_ground_is_kept_by_the_server(shop, page):
    ready(page, shop, "/")
    before = page.evaluate("document.documentElement.dataset.ground")
    page.click("#ground")
    wait_for(page, lambda: f'data-ground="{before}"' not in shop.server.ask("GET", "/")[1].decode())
    assert "data-ground=" in shop.server.ask("GET", "/")[1].decode()
    page.click("#ground")
    wait_for(page, lambda: f'data-ground="{before}"' in shop.server.ask("GET", "/")[1].decode())


def pages(shop):
    case = shop.case(codes=("P0336",))
    shop.enter(case, "disabled", item="injector fuse 12", why="")
    shop.enter(case, "test", test="look-at-the-tooth")
    shop.enter(case, "retraction", entry=2, why="another van")
    return ("/", f"/recordings/{shop.van}", f"/cases/{case}")


@pytest.mark.parametrize("ground", ["light", pytest.param("dark", marks=pytest.mark.slow)])
def test_axe_finds_nothing_wrong(shop, page, ground):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    for what in pages(shop):
        ready(page, shop, what)
        page.evaluate("(g) => { document.documentElement.dataset.ground = g; }", ground)
        opened(page)
        found = axe.run(page).response["violations"]
        told = [(v["id"], [n["target"] for n in v["nodes"]][:4]) for v in found]
        assert told == [], what


PRESSED = (
    "button, .button, select, summary, textarea, label.check, nav a, input:not([type=checkbox]):not(.unseen), "
    ".rows .main > a"
)
NAMING = "h1, h2, h3, h4, button, .button, label, legend, summary, th, nav a, dt"
OTHERS = "#strip .view, #turnmap .view, #wheel .view, #cycle .view, #balance .view, #findings .view"


def test_everything_is_large_enough_for_gloves_and_nothing_sticks_out(shop, page):
    for what in pages(shop):
        ready(page, shop, what)
        for width in (820, 480):
            page.set_viewport_size({"width": width, "height": 1000})
            opened(page)
            small = page.evaluate(
                """([pressed, least, others]) => [...document.querySelectorAll(pressed)].filter((e) =>
                e.checkVisibility() && !e.closest(others) && e.getBoundingClientRect().height < least)
                .map((e) => e.outerHTML.slice(0, 90))""",
                [PRESSED, SMALLEST_PX, OTHERS],
            )
            assert small == [], (what, width)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (what, width)


# What a recording, a finding or the catalogue brought, and no name of the bench's own.
GIVEN = "[data-given], .outcome, .found > li > button, .causes summary, .causes .moved, .tests summary, .outcomes dt"
MARKS = re.compile(r"[◂▸▴▾▹◃«»+−–:]")


def words_of(page):
    """Everything on the page that names something: headings, buttons, labels, columns, folds, groups of buttons."""
    words = page.evaluate(
        """([naming, given]) => [...document.querySelectorAll(naming)].filter((e) => !e.closest(given)
        && !e.querySelector("[data-given]")).flatMap((e) => [e.matches("[role=group]") ? e.getAttribute("aria-label") :
        [...e.childNodes].filter((n) => n.nodeType === 3).map((n) => n.data).join(" ").trim()]).filter(Boolean)""",
        [f"{NAMING}, caption, [role=group][aria-label]", GIVEN],
    )
    return {plain(w) for w in words} - {""}


def plain(word):
    """A word without numbers, arrows and signs."""
    return " ".join(MARKS.sub(" ", re.sub(r"\d+(\.\d+)?", "N", word)).split())


def test_every_word_of_the_pages_was_asked_whether_it_names_a_program(shop, truck_card, page):
    """Of every page and every module on it, with the van and with a V6."""
    rows = [[c.strip() for c in row.split("|")[1:-1]] for row in WORDS.read_text().splitlines() if row.count("|") == 4]
    listed = {plain(row[0]) for row in rows}
    assert all(row[2].startswith(("No: ", "Rather not: ")) for row in rows if row[0] != "words" and "---" not in row[0])
    missing, seen = set(), set()
    for what in (*pages(shop), f"/recordings/{truck_card}"):
        ready(page, shop, what)
        opened(page)
        seen |= words_of(page)
    missing = seen - listed
    assert not missing, "\n".join(sorted(missing))
    for module in ("Closer", "Its next place", "Save as SVG", "odd place", "Every cam edge in numbers"):
        assert module in seen, "the strip and the pictures are looked at, too"
