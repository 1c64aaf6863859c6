"""Speed of the strip in a real browser: wheel to fresh picture, and frames a second of a drag, on a long recording.

Eight invented lines (bench/edges.py draws them) of int16 in a working store, analysed and served as any other; chromium
turns the wheel with a real mouse event. Times run in the page from the wheel event to the frame after the picture was
drawn from numbers as fine as its points; zooms that need no new numbers are counted apart. A drag moves the mouse over
the picture again and again; its frames are those in which the picture was drawn anew.
Usage: python bench/workbench.py [million samples a channel] [wheel turns] [folder]      default 100 120, 16 bytes of
disk a sample; PICTURE=FILE.png in the environment keeps a picture of what was measured.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from edges import RATE_HZ, SCALE, channels

WANTED_MS, WANTED_FPS = 80.0, 55.0
NOTCH = 100  # px a notch of a wheel scrolls
SPARE = 1.3  # of the disk the samples take: pyramid, analysis, room to breathe
BLOCK = 4_800_000  # samples after which the lines repeat

MEASURE = """() => {
  const canvas = document.querySelector(".strip-canvas"), box = canvas.parentElement.parentElement;
  window.took = []; window.frames = []; let began = null, asked = false;
  const ask = window.fetch;
  window.fetch = (...all) => { if (String(all[0]).includes("/strip?")) asked = true; return ask(...all); };
  canvas.addEventListener("wheel", (e) => { began = performance.now(); asked = false; }, { capture: true });
  box.addEventListener("painted", () => {
    window.frames.push(performance.now());
    if (began === null || canvas.dataset.fresh !== "true") return;
    const from = began; began = null;
    requestAnimationFrame(() => window.took.push([performance.now() - from, asked]));
  });
}"""


DRAW = """async () => {
  const { draw } = await import("/static/strip_draw.js"), strip = bench.strip, took = [];
  for (let k = 0; k < 40; k += 1) {
    const began = performance.now();
    draw(strip.pen, strip.model());
    strip.pen.c.getImageData(0, 0, 1, 1); // waits until the strokes are points
    took.push(performance.now() - began);
  }
  return took;
}"""
ANSWERS = """() => performance.getEntriesByType("resource").filter((e) => e.name.includes("/strip?"))
  .map((e) => e.responseEnd - e.requestStart)"""


def build(root: Path, samples: int) -> str:
    """A workbench's folder with the recording on it, analysed; its id."""
    from witnessmark.recording.model import ChannelInfo, Recording
    from witnessmark.recording.store_write import StoreWriter
    from witnessmark.workbench.folder import Folder
    from witnessmark.workbench.work import make

    need = int(8 * 2 * samples * SPARE)
    if shutil.disk_usage(root).free < need:
        raise SystemExit(f"{root}: {need / 1e9:.1f} GB of disk are needed; give another folder or fewer samples")
    folder = Folder(root)
    card = folder.begin("bench.npz")
    lines = channels(min(BLOCK, samples))
    with StoreWriter(folder.of(card.id) / "store") as store:
        infos = []
        for k, (name, block) in enumerate(lines.items()):
            writer = store.channel(k, np.dtype(np.int16))
            for at in range(0, samples, len(block)):
                writer.append(block[: samples - at])
            unit = "A" if "current" in name else "V"
            infos.append(ChannelInfo(name, k + 1, "sampled", samples, RATE_HZ, 0.0, 1 / SCALE, 0.0, unit))
        store.finish(Recording("bench", tuple(infos), None, samples / RATE_HZ))  # type: ignore[arg-type]
    began = time.perf_counter()
    make(folder, card.id)
    folder.keep(folder.card(card.id), stage="ready", share=1.0)
    print(f"analysed in {time.perf_counter() - began:.0f} s", flush=True)
    return card.id


def served(root: Path) -> tuple[subprocess.Popen[bytes], str]:
    """The workbench in a process of its own, and its address."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    command = "from witnessmark.cli import main; main()"
    where = ["--folder", str(root), "--cases", str(root / "cases.db"), "--port", str(port)]
    process = subprocess.Popen([sys.executable, "-c", command, "workbench", *where], stderr=subprocess.DEVNULL)
    for _ in range(1200):
        with socket.socket() as s:
            if s.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.05)
    return process, f"http://127.0.0.1:{port}"


def measure(page: Any, turns: int) -> tuple[np.ndarray, np.ndarray]:
    """([ms, whether numbers were asked for] of each turn of the wheel, frames a second of each drag)."""
    fresh = ".strip-canvas[data-fresh=true]"
    page.wait_for_selector(fresh)
    page.evaluate(MEASURE)
    page.evaluate("document.querySelector('.strip-canvas').scrollIntoView({block: 'center', behavior: 'instant'})")
    box = page.locator(".strip-canvas").bounding_box()
    rng = np.random.default_rng(2)
    fps = []
    for k in range(turns):
        x = box["x"] + box["width"] * rng.uniform(0.3, 0.9)
        page.mouse.move(x, box["y"] + 200)
        page.mouse.wheel(0, -NOTCH if k % 40 < 30 else 3 * NOTCH)  # thirty notches in, ten of three out, again
        page.wait_for_function(f"window.took.length > {k}")
        if k % 20 == 10:
            fps.append(drag(page, box))
    return np.array(page.evaluate("window.took"), dtype=float), np.array(fps)


def drag(page: Any, box: dict[str, float]) -> float:
    """Frames drawn in a second while the mouse drags the picture to and fro."""
    middle, y = box["x"] + 0.6 * box["width"], box["y"] + 200
    page.mouse.move(middle, y)
    page.mouse.down()
    page.evaluate("() => { window.frames = []; }")
    began = time.perf_counter()
    k = 0
    while time.perf_counter() - began < 1.5:
        k += 1
        page.mouse.move(middle + 250 * np.sin(k / 25), y)
    frames = page.evaluate("window.frames")
    page.mouse.up()
    return (len(frames) - 1) / (frames[-1] - frames[0]) * 1e3 if len(frames) > 2 else 0.0


def main() -> None:
    """Print the figures."""
    from playwright.sync_api import sync_playwright

    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 100.0
    turns = int(sys.argv[2]) if len(sys.argv) > 2 else 120
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        raise SystemExit("no chromium on this machine: nothing measured")
    with tempfile.TemporaryDirectory(dir=sys.argv[3] if len(sys.argv) > 3 else None) as place:
        root = Path(place)
        recording = build(root, int(millions * 1e6))
        process, address = served(root)
        try:
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-quic"])
                page = browser.new_page(viewport={"width": 1280, "height": 1000}, bypass_csp=True)
                page.set_default_timeout(120_000)
                page.goto(f"{address}/recordings/{recording}")
                load = os.getloadavg()[0]
                page.evaluate("performance.setResourceTimingBufferSize(5000)")
                took, fps = measure(page, turns)
                answers, drawn = np.array(page.evaluate(ANSWERS)), np.array(page.evaluate(DRAW))
                if os.environ.get("PICTURE"):
                    page.screenshot(path=os.environ["PICTURE"])
                browser.close()
        finally:
            process.terminate()
            process.wait(30)
    asked = took[took[:, 1] > 0, 0]
    busy = f"load {load:.1f} on {os.cpu_count()} cores"
    print(f"8 channels of {millions:g} M samples, {len(took)} turns of the wheel, {busy}")
    for name, ms in (("wheel to fresh picture, with new numbers", asked), ("all turns of the wheel", took[:, 0])):
        print(f"{name:<42} median {np.median(ms):5.0f} ms, 95 % within {np.percentile(ms, 95):5.0f} ms, of {len(ms)}")
    for name, ms in (("of it, the server's answer", answers), ("of it, drawing one picture", drawn)):
        print(f"{name:<42} median {np.median(ms):5.1f} ms, 10 % within {np.percentile(ms, 10):5.1f} ms, of {len(ms)}")
    print(f"wanted: 95 % within {WANTED_MS:.0f} ms")
    print(f"{'drag':<42} median {np.median(fps):5.1f} frames/s, least {fps.min():5.1f}, of {len(fps)}")
    print(f"wanted: {WANTED_FPS:.0f} frames/s")


if __name__ == "__main__":
    main()
