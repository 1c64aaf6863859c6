"""What pages show: kept with revisions, followed by other pages, and never lost."""

import asyncio
import json
import shutil
import signal
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from witnessmark import output
from witnessmark.errors import BadWorkbench
from witnessmark.workbench import hub
from witnessmark.workbench.folder import Folder
from witnessmark.workbench.hub import Refused, Shelf, Topic

from .conftest import free_port, served


def run_apart(work):
    """Run a coroutine in a thread of its own: the browser's driver has a loop in this one."""
    with ThreadPoolExecutor(1) as one:
        one.submit(asyncio.run, work).result()


TOPIC = "recording:aaaaaaaa"


def test_exact_edit_is_refused_where_another_was_quicker(tmp_path):
    shelf = Shelf(tmp_path)
    seen = shelf.set("start", "draft:new", "mine", 0)
    assert shelf.set("start", "draft:new", "theirs", seen) == 2
    assert shelf.set("start", "draft:new", "mine, longer", seen) == Refused("draft:new", "theirs", 2)
    assert shelf.topic("start").values["draft:new"] == "theirs"
    assert shelf.set("start", "draft:new", "theirs", seen) == 2, "asked twice, as after a lost answer: no conflict"
    assert shelf.set("start", "draft:other", "x", seen) == 3, "of one key nothing follows for another"


def test_what_is_kept_comes_back(tmp_path):
    Shelf(tmp_path).set("case:aaaaaaaa", "draft:observation", {"note": "Öl am Stecker"}, 0)
    again = Shelf(tmp_path).topic("case:aaaaaaaa")
    assert again == Topic({"draft:observation": {"note": "Öl am Stecker"}}, {"draft:observation": 1}, 1)


@pytest.mark.parametrize("broken", ["", "{", "[]", '{"values": {}}'])
def test_broken_file_is_an_empty_topic(tmp_path, broken):
    (tmp_path / "start.json").write_text(broken)
    assert Shelf(tmp_path).topic("start") == Topic()


def test_drag_is_not_written_sixty_times_a_second(tmp_path, monkeypatch):
    written = []
    monkeypatch.setattr(hub.output, "write_all", lambda texts: written.append(texts))
    monkeypatch.setattr(hub, "WAIT_S", 0.05)

    async def drag():
        shelf = Shelf(tmp_path)
        for k in range(300):
            shelf.set(TOPIC, "window", {"start_s": k, "end_s": k + 1})
        assert written == []
        await asyncio.sleep(0.15)
        assert len(written) == 1
        shelf.set(TOPIC, "draft:hookup", "typed", 0)
        assert len(written) == 2, "an edit is on the disk when it is answered"
        shelf.set(TOPIC, "window", {"start_s": 5, "end_s": 6})
        shelf.write()
        assert json.loads(next(iter(written[2].values())))["values"]["window"]["start_s"] == 5, "as the server ends"

    run_apart(drag())


def test_full_disk_loses_nothing_while_the_server_runs(tmp_path, monkeypatch):
    from witnessmark.errors import BadOutput

    full = [True]
    whole = output.write_all

    def write(texts):
        if full[0]:
            raise BadOutput("disk full")
        whole(texts)

    monkeypatch.setattr(hub.output, "write_all", write)
    monkeypatch.setattr(hub, "WAIT_S", 0.02)

    async def drag():
        shelf = Shelf(tmp_path)
        shelf.set(TOPIC, "window", 1)
        await asyncio.sleep(0.1)
        full[0] = False
        await asyncio.sleep(0.1)

    run_apart(drag())
    assert Shelf(tmp_path).topic(TOPIC).values == {"window": 1}


@pytest.mark.parametrize(
    "name", ["", "recording:", "recording:../../x", "recording:AAAAAAAA", "start:x", "other:aaaaaaaa"]
)
def test_topic_has_a_form(tmp_path, name):
    with pytest.raises(BadWorkbench):
        Shelf(tmp_path).topic(name)


# ---- pages


def bench_js(page, script):
    return page.evaluate(f"async () => {{ const b = window.bench; return {script}; }}")


def opened(context, server, recording):
    page = context.new_page()
    page.goto(f"{server.url}/recordings/{recording}")
    page.wait_for_function("window.bench?.live?.socket.readyState === 1")
    return page


def test_two_pages_follow_each_other(bench, browser):
    server, recording = bench
    one, two = (opened(browser.new_context(bypass_csp=True), server, recording) for _ in range(2))
    bench_js(one, "b.pick({slot: 23})")
    two.wait_for_function("window.bench.picked.slot === 23")
    # a drag on one page: 200 windows as quickly as it can; the other ends where it ended
    bench_js(two, "b.on('window', () => { window.heard = (window.heard ?? 0) + 1; })")
    bench_js(one, "Array.from({length: 200}, (_, k) => b.look(k / 100, k / 100 + 1)).length")
    two.wait_for_function("window.bench.window.start_s === 1.99")
    one.wait_for_function("window.bench.live.settled")
    assert bench_js(one, "b.window.start_s") == 1.99, "its own echo moves no page back"
    assert bench_js(two, "window.heard") < 200, "not each of them is sent"
    # both at once: the last wins on both
    bench_js(one, "b.look(3, 4)")
    bench_js(two, "b.look(5, 6)")
    for page in (one, two):
        page.wait_for_function("window.bench.live.settled")
    one.wait_for_function("window.bench.window.start_s === 5")
    assert bench_js(two, "b.window.start_s") == 5
    for page in (one, two):
        page.context.close()


def test_refused_edit_is_shown_and_nothing_typed_is_lost(bench, browser):
    server, recording = bench
    one, two = (opened(browser.new_context(bypass_csp=True), server, recording) for _ in range(2))
    for page in (one, two):
        bench_js(page, "b.live.addEventListener('refused', (e) => { window.refused = e.detail; })")
    draft = f"'recording:{recording}', 'draft:hookup'"
    # typed quickly on one page: each letter rests on the one before, and none is a conflict
    bench_js(one, f"[...'crank'].forEach((_, k) => b.live.set({draft}, 'crank'.slice(0, k + 1), true))")
    two.wait_for_function("window.bench.get('draft:hookup') === 'crank'")
    assert bench_js(one, "window.refused ?? null") is None
    # both type from what they saw
    two.evaluate("window.bench.live.socket.onmessage = () => {}")  # a page that has not heard yet
    bench_js(one, f"b.live.set({draft}, 'crank sensor', true)")
    one.wait_for_function("window.bench.live.settled")
    two.evaluate("(() => { const l = window.bench.live; l.socket.onmessage = (e) => l.hear(JSON.parse(e.data)); })()")
    bench_js(two, f"b.live.set({draft}, 'cam sensor', true)")
    two.wait_for_function("window.refused !== undefined")
    assert two.evaluate("[window.refused.value, window.refused.yours]") == ["crank sensor", "cam sensor"]
    assert bench_js(one, "b.get('draft:hookup')") == "crank sensor"
    for page in (one, two):
        page.context.close()


@pytest.mark.slow
def test_pages_go_on_when_their_server_is_killed_and_started_again(van_folder, tmp_path, browser):
    root, recording, other, port = tmp_path / "bench", van_folder[1], "zzzzzzzz", free_port()
    shutil.copytree(van_folder[0], root)
    shutil.copytree(root / "recordings" / recording, root / "recordings" / other)
    folder = Folder(root)
    folder.keep(replace(folder.card(other), id=other), stage="stopped", said="stopped")
    context = browser.new_context(bypass_csp=True)
    with served(root, tmp_path / "cases.db", port=port) as server:
        page, waits = opened(context, server, recording), context.new_page()
        waits.goto(f"{server.url}/recordings/{other}")
        bench_js(page, "b.live.set(b.topic, 'draft:hookup', 'typed before', true)")
        page.wait_for_function("window.bench.live.settled")
        bench_js(page, "b.live.addEventListener('lost', () => { window.lost = true; })")
        server.process.kill()
        page.wait_for_function("window.lost")
    bench_js(page, "b.live.set(b.topic, 'draft:hookup', 'typed while it was gone', true)")
    bench_js(page, "b.look(2, 3)")
    folder.keep(folder.card(other), stage="ready", said="")  # while its page has no link
    with served(root, tmp_path / "cases.db", port=port) as server:
        page.wait_for_function("window.bench.live.settled")
        two = opened(context, server, recording)
        two.wait_for_function("window.bench.get('draft:hookup') === 'typed while it was gone'")
        two.wait_for_function("window.bench.window.start_s === 2")
        waits.wait_for_selector("#bench[data-stage=ready]")  # joining told it
        status = page.evaluate("import('/static/ask.js').then(({ask}) => ask('POST', location.pathname.replace("
                               "'recordings', 'api/recordings') + '/stop'))")  # fmt: skip
        assert status == {}, "its token is good at the new server"
        bench_js(page, "b.look(4, 5)")
        page.wait_for_function("window.bench.live.settled")
        server.process.send_signal(signal.SIGTERM)  # at once: the window is not written yet
        server.process.wait(20)
    context.close()
    kept = json.loads((root / "state" / f"recording-{recording}.json").read_text())
    assert kept["values"]["window"] == {"start_s": 4, "end_s": 5}
