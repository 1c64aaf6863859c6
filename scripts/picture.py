"""The readme's picture: the demo's report as chromium shows it. Run after make demo; needs the test packages.

Usage: python scripts/picture.py [REPORT.html] [PICTURE.png]
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parents[1]
WIDTH, HEIGHT = 900, 1500


def main() -> None:
    """Write the picture of the report's beginning."""
    report = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "out" / "bakery-van.html"
    picture = Path(sys.argv[2]) if len(sys.argv) > 2 else ROOT / "docs" / "images" / "report.png"
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        sys.exit("no chromium here")
    picture.parent.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-quic"])
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        page.goto(report.resolve().as_uri())
        page.screenshot(path=str(picture))
        browser.close()


if __name__ == "__main__":
    main()
