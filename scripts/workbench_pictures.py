"""Makes the pictures of docs/workbench.md: the bakery's van and its V6 truck on a served bench, in Debian's Chromium.

    python scripts/workbench_pictures.py [docs/images]

Simulates both, serves a bench of its own in a temporary folder, drops the recordings, opens a case, and writes
workbench-*.png, each made small enough to be kept.
"""

from __future__ import annotations

import io
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from witnessmark.simulate.run import write_simulation

ROOT = Path(__file__).parents[1]
PARTS = ("strip", "turnmap", "wheel", "cycle", "balance")
MOST_BYTES = 200_000
PATIENCE_MS = 300_000  # a loaded machine is no failure
COMMAND = "from witnessmark.cli import main; main()"


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The address of a bench, until the block ends."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    told = ["--folder", str(folder / "bench"), "--cases", str(folder / "cases.db"), "--port", str(port)]
    process = subprocess.Popen([sys.executable, "-c", COMMAND, "workbench", *told])
    try:
        for _ in range(600):
            with socket.socket() as there:
                if there.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(30)


def kept(out: Path, name: str, data: bytes) -> None:
    """Write a picture with as many colours as fit, which is plenty for ink on paper."""
    picture = Image.open(io.BytesIO(data)).convert("RGB")
    for colours in (256, 128, 64, 32):
        small = io.BytesIO()
        picture.quantize(colours, Image.Quantize.MAXCOVERAGE).save(small, "PNG", optimize=True)
        if small.tell() <= MOST_BYTES:
            break
    (out / name).write_bytes(small.getvalue())
    print(f"{name}: {small.tell()} bytes, {colours} colours")


def taken(page: Page, out: Path, name: str, selector: str = "") -> None:
    """A picture of the page, or of a section as a whole, without the row that stays on top of the page."""
    page.evaluate("(top) => { document.querySelector('.questions')?.style.setProperty('position', top); }",
                  "static" if selector else "sticky")  # fmt: skip
    page.wait_for_timeout(800)
    box: Any = page.locator(selector) if selector else page
    kept(out, name, box.screenshot())


def drop(page: Page, address: str, recording: Path) -> None:
    """Drop a recording and wait until every picture of it stands."""
    page.goto(address)
    page.set_input_files("#file", str(recording))
    page.wait_for_url("**/recordings/*")
    page.wait_for_selector("#bench[data-stage=ready]")
    page.wait_for_selector("#hookup table")
    page.wait_for_selector(".strip-canvas[data-fresh=true]")


def walk_truck(page: Page, address: str, recording: Path, setup: Path, bench: Path, out: Path) -> None:
    """The pictures of the V6, analysed again with its setup: banks, cams and their edges."""
    drop(page, address, recording)
    its_id = page.get_attribute("#bench", "data-id") or ""
    shutil.copy(setup, bench / "recordings" / its_id / "setup.toml")
    page.evaluate("""async (id) => { const { send } = await import("/static/forms.js");
        await send("POST", `/api/recordings/${id}/again`); }""", its_id)  # fmt: skip
    page.wait_for_selector("#hookup td:text-is('told')")  # the page follows by itself
    page.wait_for_selector(".strip-canvas[data-fresh=true]")
    for part in PARTS:
        taken(page, out, f"workbench-v6-{part}.png", f"#{part}")


def walk(page: Page, address: str, recording: Path, out: Path) -> None:
    """Drop the van's recording, look at it, and work a case with it."""
    shot = partial(taken, page, out)
    drop(page, address, recording)
    shot("workbench-verdict.png")
    for part in PARTS:
        shot(f"workbench-{part}.png", f"#{part}")
    page.click("text=Tell which line is what")
    shot("workbench-hookup.png", "#hookup-form fieldset >> nth=0")
    page.click("text=Open a case with it")
    page.fill("#v-complaint", "Cranks well but often does not start; starter and battery were replaced")
    page.fill("#v-vehicle", "A bakery's delivery van, inline four (simulated)")
    page.click("#open-case button")
    page.wait_for_url("**/cases/*")
    page.click("#proposed button.first")
    page.wait_for_selector("#chosen .outcome")
    page.evaluate("scrollTo(0, 0)")
    shot("workbench-case.png")
    shot("workbench-next.png", "#next")
    page.goto(address)
    page.wait_for_selector("#cases li")
    shot("workbench-start.png")
    page.set_viewport_size({"width": 820, "height": 1100})
    page.click("#ground")
    page.click("#cards a >> nth=0")
    page.wait_for_selector("#hookup table")
    shot("workbench-tablet-dark.png")


def main() -> None:
    """Make all pictures."""
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "images"
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        folder = Path(place)
        (folder / "bench").mkdir()
        van, _, _ = write_simulation(ROOT / "examples" / "bakery-van.toml", folder / "bakery-van.npz")
        truck, _, told = write_simulation(ROOT / "examples" / "bakery-truck-v6.toml", folder / "bakery-truck-v6.npz")
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 900}, color_scheme="light")
        page.set_default_timeout(PATIENCE_MS)
        with served(folder) as address:
            walk_truck(page, address, truck, told, folder / "bench", out)
            walk(page, address, van, out)
        browser.close()


if __name__ == "__main__":
    main()
