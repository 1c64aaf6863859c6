"""The report in a browser: no request, nothing cut off at 820 px, pages when printed on A4 and Letter."""

import shutil

import pytest

from witnessmark.report.html import write_report

from . import fixtures

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [pytest.mark.browser, pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")]


def test_in_chromium(tmp_path):
    from playwright.sync_api import sync_playwright

    goal = tmp_path / "report.html"
    write_report(fixtures.weak_tooth(), goal)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-quic"])
        page = browser.new_page(viewport={"width": 820, "height": 1100})
        asked, said = [], []
        page.on("request", lambda r: asked.append(r.url))
        page.on("console", lambda m: said.append(m.text))
        page.goto(goal.as_uri())
        assert asked == [goal.as_uri()]
        assert said == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 820
        clipped = """() => [...document.querySelectorAll('figure svg text')].filter(t => {
            const a = t.getBoundingClientRect(), b = t.ownerSVGElement.getBoundingClientRect();
            return a.left < b.left - 1 || a.right > b.right + 1 || a.top < b.top - 1 || a.bottom > b.bottom + 1;
        }).map(t => t.textContent)"""
        assert page.evaluate(clipped) == []
        page.locator("a[href='#F1']").first.click()
        assert page.evaluate("location.hash") == "#F1"
        for size in ("A4", "Letter"):
            assert page.pdf(format=size).count(b"/Type /Page\n") in range(4, 13)
        browser.close()
