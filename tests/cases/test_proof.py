"""The shop's report and the customer's page: sentences lead to the log, nothing private leaves, one page is one."""

from __future__ import annotations

import base64
import io
import re
import shutil
from functools import partial

import pytest
from PIL import Image
from report.pages import Page

from witnessmark.cases.bodies import (
    Analysed,
    CauseLine,
    ChosenTest,
    Closed,
    Disabled,
    Observation,
    Opened,
    Outcome,
    Photo,
    ProposedTest,
    RecordingAdded,
    Retraction,
    StartLine,
    Verified,
    Work,
)
from witnessmark.cases.customer import compose as customer_page
from witnessmark.cases.customer import customer_html
from witnessmark.cases.document import compose, shop_html
from witnessmark.cases.pictures import WIDEST, photo_svg, slots_svg
from witnessmark.cases.plain import load_plain
from witnessmark.cases.store import Cases, attachment
from witnessmark.causes.ids import CAUSES

from .story import VIN, picture, said

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
HASH = "0" * 64
MADE = {"shop": shop_html, "customer": customer_html}


@pytest.fixture(scope="module")
def finished(done):
    """(the finished job's case, what gives its files)."""
    place, case = done
    store = Cases.open(str(place))
    return store.read(case), partial(store.file, case)


@pytest.fixture(scope="module")
def pages(finished):
    return {name: html(finished[0], finished[0].opened.vin, finished[1]) for name, html in MADE.items()}


def nothing(_):
    return None


def case_of(fresh, *bodies, files=(), complaint="Cranks long"):
    store = Cases.open(str(fresh("proof.db")))
    case = store.new(Opened(complaint, "a bakery's delivery van"), "R. Test", files)
    case = store.add(case.id, lambda _: bodies, "R. Test") if bodies else case
    return case, partial(store.file, case.id)


# ---- what every sentence rests on


def test_every_sentence_of_the_shop_s_report_leads_to_the_log(finished, pages):
    case, _ = finished
    page = Page(pages["shop"])
    entries = {f"E{n}" for n in range(1, case.last + 1)}
    assert entries <= set(page.ids)
    assert len(page.ids) == len(set(page.ids))
    assert len(page.sentences) > 15
    for sentence in page.sentences:
        named = set(sentence["data-findings"].split())
        assert named <= entries
        assert named or sentence["data-basis"] == "knowledge", sentence["text"]
        assert {f"#{n}" for n in named} <= set(sentence["links"])
    assert all(link[1:] in page.ids for link in page.links)


def test_the_customer_s_page_says_when_the_repair_was_checked(finished, fresh):
    case, files = finished
    number = case.verification[0]
    assert customer_page(case, "", files).facts["Repair checked"] == case.log[number - 1].entry.at_utc[:10]
    assert "Repair checked" not in customer_page(case_of(fresh)[0], "", nothing).facts


def test_the_appendix_holds_every_entry_as_written(finished, pages):
    case, _ = finished

    def row(number):
        return pages["shop"].split(f'<tr id="E{number}"')[1].split("</tr>")[0]

    for e in case.log:
        assert e.entry.at_utc[:16].replace("T", " ") in row(e.number)
        assert e.entry.by in row(e.number)
        assert e.entry.kind in row(e.number)
    corrected = row(10)
    assert "Tooth 32 is gone" in corrected
    assert "Tooth 23 is gone" in corrected
    assert "corrected by entry 11" in corrected
    assert pages["shop"].count("Tooth 32") == 1
    for name in ("sha256", "setup_file", "size_bytes", "part_number", "media_type"):  # fields of the log's JSON
        assert name not in pages["shop"]
    used = pages["shop"].split('<section id="used"')[1].split("</section>")[0]
    for name in (
        "before.npz",
        "after.npz",
        "van.setup",
        "scan.json",
        "tooth.jpg",
        case.of(RecordingAdded)[0][1].sha256[:16],
    ):
        assert name in used


def test_what_the_shop_s_report_says(finished):
    document = compose(*finished_parts(finished))
    said_ = {s.id: " ".join(x.text for x in s.sentences) for s in document.sections}
    assert "is gone from the record after it" in document.verdict.text
    assert "over 99 % the trigger wheel's tooth, slot 23" in said_["causes"]
    assert "Starter; another shop, before this case" in said_["before"]
    assert "codes P0336" in said_["scans"]
    assert "confirmed to be back as it was (fuse seated, injectors click)" in said_["disabled"]
    assert "Crank trigger wheel (part number 60-2)" in said_["work"]
    assert [s.id for s in document.sections if s.pictures] == ["photos", "checked"]
    table = next(t for s in document.sections for t in s.tables if t.id == "compared")
    assert table.rows[0][:3] == ("gone", "one tooth gives no edge", "23")


def finished_parts(finished):
    return finished[0], finished[0].opened.vin, finished[1]


# ---- nothing private, nothing from outside


@pytest.mark.parametrize("name", list(MADE))
def test_nothing_private_and_no_request(pages, name):
    text, page = pages[name], Page(pages[name])
    assert VIN not in text
    assert "1M8**************" in text
    assert all(url.startswith(("#", "data:image/jpeg;base64,")) for url in page.urls)
    assert all("www.w3.org" in url for url in re.findall(r"https?://[^\s\"'<)]+", text))
    assert "default-src 'none'; img-src data:" in text
    assert not [t for t, _ in page.tags if t in ("script", "link", "img", "iframe", "object")]
    for tag, attributes in page.tags:
        if tag == "svg":
            assert attributes.get("aria-label")
    assert page.headings[0] == 1
    assert all(b - a <= 1 for a, b in zip(page.headings, page.headings[1:], strict=False))


def test_the_whole_number_only_when_asked(done, tmp_path):
    place, case = done
    for option, there in ((), False), (("--vin",), True):
        said(place, "report", case, "--shop", tmp_path / "s.html", "--customer", tmp_path / "c.html", *option)
        for name in ("s.html", "c.html"):
            assert (VIN in (tmp_path / name).read_text(encoding="utf-8")) == there


def test_a_photo_is_shown_without_what_the_camera_wrote(finished, job):
    """Reference: Pillow reads the picture back. The original, with all of that, is kept whole."""
    case, files = finished
    ((_, photo),) = case.of(Photo)
    original = files(photo.file)
    assert original.data == (job / "tooth.jpg").read_bytes()
    assert b"SECRET CAMERA" in original.data
    svg = photo_svg(original, photo.note)
    shown = base64.b64decode(re.search(r"base64,([^\"]+)", svg)[1])
    assert b"SECRET" not in shown
    with Image.open(io.BytesIO(shown)) as image:
        assert image.size == (200, 400)  # lying, with a note to turn it: now upright
        assert not image.getexif()


def test_photos_are_made_small_and_damaged_ones_left_out():
    big = photo_svg(attachment(picture((4000, 3000)), "image/jpeg", "p"), "x")
    assert f'viewBox="0 0 {WIDEST} {WIDEST * 3 // 4}"' in big
    clear = photo_svg(attachment(picture((40, 30), "PNG"), "image/png", "p"), '"><script>alert(1)</script>')
    assert "<script>" not in clear
    for data in (b"\xff\xd8\xffnot a picture", picture()[:200], b"", b"<svg/>"):
        assert photo_svg(attachment(data, "image/jpeg", "p"), "x") is None
    assert photo_svg(None, "x") is None


def test_a_large_photo_is_made_small_before_it_is_turned_and_converted(monkeypatch):
    large, convert = picture((6000, 5000)), Image.Image.convert
    sizes = []
    monkeypatch.setattr(Image.Image, "convert", lambda self, *a, **k: sizes.append(self.size) or convert(self, *a, **k))
    assert f'viewBox="0 0 {WIDEST} {WIDEST * 5 // 6}"' in photo_svg(attachment(large, "image/jpeg", "p"), "x")
    assert sizes
    assert max(max(s) for s in sizes) <= WIDEST
    for kind, mode in (("PNG", "P"), ("PNG", "1"), ("PNG", "LA"), ("PNG", "I;16"), ("PNG", "RGBA"), ("WEBP", "RGBA")):
        out = io.BytesIO()
        Image.new(mode, (2400, 1200)).save(out, kind)
        svg = photo_svg(attachment(out.getvalue(), "image/png", "p"), "x")
        assert svg is not None, (kind, mode)
        assert f'viewBox="0 0 {WIDEST} {WIDEST // 2}"' in svg


def test_a_picture_that_claims_a_huge_size_is_not_unpacked():
    """A PNG head (published: ISO/IEC 15948) of 60 000 by 60 000 pixels."""
    import struct
    import zlib

    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + head
    data = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
    assert photo_svg(attachment(data + b"\0" * 100, "image/png", "p"), "x") is None


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b"{}", b'{"teeth_not_comparable": null, "teeth": []}',
                                  b'{"teeth_not_comparable": null, "teeth": [{"slot": "x"}], "findings": []}',
                                  b'{"teeth_not_comparable": null, "teeth": [3], "findings": []}'])  # fmt: skip
def test_a_comparison_that_is_none_gives_no_picture(data):
    assert slots_svg(attachment(data, "application/json", "c")) is None


def test_what_people_write_is_text_and_never_markup(fresh):
    evil = '<script>alert("x")</script> & "quotes"'
    case, files = case_of(fresh, Observation(evil), Work("part", evil), complaint=evil)
    for html in MADE.values():
        text = html(case, "", files)
        assert "<script" not in text
        assert "&lt;script&gt;" in text


# ---- what is said when


def words(case):
    document = customer_page(case, "", nothing)
    return " ".join([document.verdict.text, *(x.text for s in document.sections for x in s.sentences)])


def analysed(cause, probability, *more):
    rest = tuple(CauseLine(c, p, c) for c, p in more)
    return (RecordingAdded("/a.npz", HASH, 1),
            Analysed(2, HASH, "p", (CauseLine(cause, probability, "s", target=23), *rest)))  # fmt: skip


def test_a_case_that_has_just_begun(fresh):
    case, files = case_of(fresh)
    assert words(case).startswith("We are still looking for the cause.")
    assert "No recording is analysed yet" in compose(case, "", files).verdict.text


def test_a_probable_cause_is_no_proof(fresh):
    case, _ = case_of(fresh, *analysed("trigger-wheel-tooth", 0.95))
    assert "Most likely (95 %): a tooth is damaged" in words(case)
    assert "does not see the part" in words(case)


def test_an_undecided_case_says_so(fresh):
    case, _ = case_of(fresh, *analysed("crank-sensor", 0.6, ("crank-circuit", 0.3), ("control-unit", 0.05)))
    assert "Not decided yet. Most likely (60 %)" in words(case)
    assert "It could also be this: the wiring" in words(case)
    assert "computer does not work" not in words(case)


@pytest.mark.parametrize("cause", ["none-found", "none-of-these", "measurement-fault"])
def test_no_part_is_blamed_where_none_is_found(fresh, cause):
    case, _ = case_of(fresh, *analysed(cause, 0.97))
    assert words(case).startswith(load_plain().cause[cause])
    assert "Most likely" not in words(case)


def test_a_withdrawn_recording_says_nothing_any_more(fresh):
    case, files = case_of(fresh, *analysed("crank-sensor", 0.97), Retraction(2, "another vehicle"))
    assert words(case).startswith("We are still looking")
    assert "crank sensor" not in " ".join(s.text for s in compose(case, "", files).sections[0].sentences)


def test_what_is_still_disabled_stands_on_both_pages(fresh):
    case, files = case_of(fresh, Disabled("fuel pump relay"))
    assert "Caution: still disconnected and to be put back before the vehicle is driven: fuel pump relay" in words(case)
    short = compose(case, "", files).sections[0]
    assert any(s.text.startswith("Caution: still disabled") and s.findings == ("E2",) for s in short.sentences)


def test_cautions_go_with_the_test(fresh):
    test = ChosenTest("t", "Bar the engine", cautions=("Key out.", "Battery negative off."))
    case, files = case_of(fresh, test)
    texts = [s.text for s in compose(case, "", files).sections[0].sentences]
    assert texts[-2:] == ["Caution: Key out.", "Caution: Battery negative off."]
    proposed = ProposedTest("t", "Bar the engine", "why", 20, cautions=("Key out.",))
    made = Analysed(2, HASH, "p", (CauseLine("crank-sensor", 0.97, "s"),), next_tests=(proposed,))
    case, files = case_of(fresh, RecordingAdded("/a.npz", HASH, 1), made)
    assert [s.text for s in compose(case, "", files).sections[0].sentences][-1] == "Caution: Key out."


def test_a_fault_that_is_still_there_is_not_called_repaired(fresh):
    verified = Verified(2, 4, HASH, "not-repaired", "Still there: slot 23.")
    case, files = case_of(fresh, *analysed("crank-sensor", 0.97), RecordingAdded("/b", HASH, 1), verified, Closed("no"))
    assert "still shows the fault" in words(case)
    assert "gone" not in words(case)
    assert 'class="verdict fault"' in customer_html(case, "", files)
    assert 'class="verdict fault"' in shop_html(case, "", files)


def test_every_cause_has_plain_words():
    plain = load_plain()
    assert set(plain.cause) == set(CAUSES)
    for text in plain.cause.values():
        assert not re.search(r"\b(slot|edge|VR|rpm|phase|reluctor|CKP|CMP)\b", text)
        assert not text.endswith(".")


# ---- on paper


def heavy(fresh):
    """A case with more of everything than a page holds."""
    long = "A long sentence about what was tried and what came of it, told at length and in every detail. " * 12
    files = [attachment(picture((300 + n, 400)), "image/jpeg", "p") for n in range(8)]
    bodies = [*(Work("part", long, earlier=n < 12) for n in range(24)), *(Disabled(long) for _ in range(12)),
              *(Photo(f"{n}.jpg", f.sha256, "image/jpeg", long) for n, f in enumerate(files)),
              *(b for n in range(8) for b in (ChosenTest("t", long), Outcome(46 + 2 * n, long))),
              RecordingAdded("/a.npz", HASH, 1)]  # fmt: skip
    more = [Analysed(62, HASH, "p", tuple(CauseLine(c, 0.12, "s") for c in CAUSES[:8])), RecordingAdded("/b", HASH, 1),
            Verified(62, 64, HASH, "partly-proven", long, starts=(StartLine(3, 1, 2.2, 230.0, 0.7),) * 2)]  # fmt: skip
    return case_of(fresh, *bodies, *more, files=files, complaint=long)


@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
def test_in_chromium(pages, fresh, tmp_path):
    """The customer's page is one page on A4 and on Letter, whatever the case holds; nothing is cut off at 820 px."""
    from playwright.sync_api import sync_playwright

    case, files = heavy(fresh)
    texts = {**pages, "heavy shop": shop_html(case, "", files), "heavy customer": customer_html(case, "", files)}
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-quic"])
        page = browser.new_page(viewport={"width": 820, "height": 1100})
        said_ = []
        page.on("console", lambda m: said_.append(m.text))
        for name, text in texts.items():
            goal = tmp_path / f"{name}.html"
            goal.write_text(text, encoding="utf-8")
            page.goto(goal.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= 820, name
            for size in ("A4", "Letter"):
                printed = page.pdf(format=size).count(b"/Type /Page\n")
                assert printed == 1 if "customer" in name else printed > 1, (name, size, printed)
        assert said_ == []
        browser.close()
