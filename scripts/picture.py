"""The readme's pictures: parts of the demo's report as chromium shows them. Run after make demo.

Usage: python scripts/picture.py [REPORT.html] [FOLDER]
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parents[1]
WIDTH = 900
FIGURES = ("strip", "turn-map")  # in the order of the report


def main() -> None:
    """Write the verdict, and the first figures."""
    report = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "out" / "bakery-van.html"
    folder = Path(sys.argv[2]) if len(sys.argv) > 2 else ROOT / "docs" / "images"
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        sys.exit("no chromium here")
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-quic"])
        page = browser.new_page(viewport={"width": WIDTH, "height": 1000})
        page.goto(report.resolve().as_uri())
        second = page.get_by_role("heading", name="What the record shows").bounding_box()
        assert second is not None
        clip = {"x": 0.0, "y": 0.0, "width": float(WIDTH), "height": second["y"] - 16}
        page.screenshot(path=str(folder / "verdict.png"), clip=clip, full_page=True)
        for name, figure in zip(FIGURES, page.locator("figure").all(), strict=False):
            figure.screenshot(path=str(folder / f"{name}.png"))
        browser.close()


if __name__ == "__main__":
    main()
