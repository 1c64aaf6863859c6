"""Who may ask for what: one test for each line of docs/workbench-security.md."""

import json
import os
import re
import stat

import pytest
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from witnessmark.errors import BadWorkbench
from witnessmark.workbench.app import make_app
from witnessmark.workbench.security import COOKIE, COOKIE_DAYS, Device, Keys
from witnessmark.workbench.security_pairing import CODE_S, Pairing, forget_devices

from .asking import ADDRESS, HERE, OWN, TABLET, client, proof


class Clock:
    now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def root(tmp_path):
    (tmp_path / "bench" / "recordings").mkdir(parents=True)
    return tmp_path / "bench"


# ---- names: a page of another site whose name was turned to this machine (DNS rebinding)


@pytest.mark.parametrize("host", ["127.0.0.1:8720", "localhost:8720", "localhost", "[::1]:8720", "127.0.0.1"])
def test_answers_to_its_own_name(root, host):
    assert client(root).get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8720", "192.0.2.1:8720", "localhost.evil.example", ""])
def test_answers_to_no_other_name(root, host):
    assert client(root).get("/", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize(
    "host", ["127.0.0.1:80; script-src *", "127.0.0.1:8720, x", "[::1]; x", "localhost:x", "evil; x"]
)
def test_name_that_is_none_gets_into_no_header(root, host):
    answer = client(root).get("/", headers={"Host": host})
    assert answer.status_code == 421
    assert "connect-src 'self' ws://127.0.0.1; form-action" in answer.headers["content-security-policy"]


def test_on_the_network_answers_to_addresses_and_the_machine_s_name_only(root):
    import socket

    of = client(root, lan=True)
    assert of.get("/", headers={"Host": "192.0.2.1:8720"}).status_code == 200
    assert of.get("/", headers={"Host": f"{socket.gethostname()}:8720"}).status_code == 200
    assert of.get("/", headers={"Host": "evil.example:8720"}).status_code == 421


# ---- changes: only by pages of this bench


def test_change_needs_header_and_token(root):
    of = client(root)
    good = proof(of)
    assert of.post("/api/recordings/aaaaaaaa/stop", headers=good).status_code != 403
    for bad in ({}, {"X-Witnessmark": "1"}, {"X-Token": good["X-Token"]}, {**good, "X-Token": "0" * 64},
                {**good, "X-Token": b"\xc3\xa9"}):  # fmt: skip
        assert of.post("/api/recordings/aaaaaaaa/stop", headers=bad).status_code == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:9999", "https://127.0.0.1:8720"])
def test_change_from_another_site_is_refused(root, origin):
    of = client(root)
    assert (
        of.put("/api/recordings?name=a.csv", content=b"x", headers={**proof(of), "Origin": origin}).status_code == 403
    )
    assert not list((root / "recordings").iterdir())


def test_change_that_the_browser_says_is_another_site_s_is_refused(root):
    of = client(root)
    headers = {**proof(of), "Sec-Fetch-Site": "cross-site"}
    assert of.post("/api/recordings/aaaaaaaa/stop", headers=headers).status_code == 403


@pytest.mark.parametrize("origin", [None, "http://evil.example", "null"])
def test_live_link_is_only_for_pages_of_this_bench(root, origin):
    headers = {"Host": OWN["Host"]} if origin is None else {**OWN, "Origin": origin}
    with pytest.raises(WebSocketDisconnect), client(root).websocket_connect("/live", headers=headers):
        pass
    with client(root).websocket_connect("/live", headers=OWN) as link:
        link.send_json({"kind": "join", "topics": ["start"]})
        assert link.receive_json()["kind"] == "state"


def test_token_is_the_same_after_a_restart(root):
    assert proof(client(root)) == proof(client(root))


# ---- what a browser is told


@pytest.mark.parametrize(
    "path", ["/", "/static/live.js", "/nothing", "/api/recordings/aaaaaaaa/views", "/recordings/x"]
)
def test_every_answer_keeps_the_browser_strict(root, path):
    headers = client(root).get(path).headers
    policy = dict(p.strip().partition(" ")[::2] for p in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["connect-src"] == "'self' ws://127.0.0.1:8720"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cross-origin-resource-policy"] == "same-origin"


def test_report_is_in_a_sandbox_of_its_own(bench):
    import http.client

    server, recording = bench
    link = http.client.HTTPConnection("127.0.0.1", server.port)
    link.request("GET", f"/api/recordings/{recording}/report")
    answer = link.getresponse()
    policy = answer.headers["content-security-policy"]
    assert "sandbox" in policy
    assert "script-src" not in policy
    assert "default-src 'none'" in policy
    assert b"slot 23" in answer.read()


def test_pages_work_under_the_strict_policy(bench, browser):
    """With the policy as it is served: what it refuses a page says on its console, and is wrong."""
    server, recording = bench
    _, opened = server.json("POST", "/api/cases", b'{"complaint": "Cranks long"}', {"Content-Type": "application/json"})
    context = browser.new_context()
    page, refused = context.new_page(), []
    page.on("console", lambda m: refused.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: refused.append(str(e)))
    for path in ("/", f"/recordings/{recording}", f"/api/recordings/{recording}/report", "/recordings/none"):
        page.goto(server.url + path)
        page.wait_for_load_state("networkidle")
    page.goto(server.url + opened["url"])
    page.wait_for_selector("#entries li")
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    page.wait_for_selector("#c-1-complaint")
    page.goto(f"{server.url}/recordings/{recording}")
    page.wait_for_selector("#bench[data-stage=ready]")
    assert [r for r in refused if "404" not in r] == []  # 404: the page that is not there
    page.evaluate(
        "const s = document.createElement('script'); s.textContent = 'window.evil = 1'; document.body.append(s)"
    )
    assert page.evaluate("window.evil ?? 'refused'") == "refused"
    assert "Content Security Policy" in refused.pop(), "and this test would have seen it"
    context.close()


# ---- devices on the network


def test_device_that_is_not_paired_sees_only_the_page_that_pairs(root):
    of = client(root, True, ADDRESS, TABLET)
    answer = of.get("/")
    assert (answer.status_code, answer.headers["location"]) == (303, "/pair")
    assert of.get("/recordings/aaaaaaaa").status_code == 303
    assert of.get("/api/recordings").status_code == 401
    assert of.get("/pair").status_code == of.get("/static/ask.js").status_code == 200
    assert of.put("/api/recordings?name=a.csv", content=b"x", headers=proof(of, "/pair")).status_code == 401
    of_tablet = {"Host": "192.0.2.1:8720", "Origin": ADDRESS}
    with pytest.raises(WebSocketDisconnect), of.websocket_connect("/live", headers=of_tablet):
        pass


@pytest.mark.parametrize("path", ["/pair", "/recordings/aaaaaaaa"])
def test_pages_without_a_script_show_no_button_that_does_nothing(root, path):
    of = client(root) if path != "/pair" else client(root, True, ADDRESS, TABLET)
    assert 'id="ground"' not in of.get(path).text
    assert 'id="ground"' in client(root).get("/").text


def test_pairing(root):
    said = []
    of = client(root, True, ADDRESS, TABLET, show=said.append)
    headers = proof(of, "/pair")
    code = re.search(r"(\d{3}) (\d{3})", said[0])
    wrong = of.post(
        "/pair", json={"code": "000000" if code[0] != "000 000" else "1", "name": "tablet"}, headers=headers
    )
    assert wrong.status_code == 400
    assert "4 more tries" in wrong.json()["error"]
    assert of.post("/pair", json={"code": code[0], "name": ""}, headers=headers).status_code == 400
    answer = of.post("/pair", json={"code": code[0], "name": "tablet in bay 2"}, headers=headers)
    assert answer.status_code == 200
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert of.get("/").status_code == 200
    assert proof(of)["X-Token"] != headers["X-Token"], "a page from before the pairing changes nothing"
    assert of.get("/pair").status_code == 303
    with of.websocket_connect("/live", headers={"Host": "192.0.2.1:8720", "Origin": ADDRESS, "Cookie": cookie}) as link:
        link.send_json({"kind": "join", "topics": ["start"]})
        assert link.receive_json()["kind"] == "state"
    other = client(root, True, ADDRESS, ("192.0.2.8", 1), show=said.append)
    again = other.post("/pair", json={"code": code[0], "name": "x"}, headers=proof(other, "/pair"))
    assert again.status_code == 400, "a code is good once"
    forget_devices(root)
    assert client(root, True, ADDRESS, TABLET).get("/", headers={"Cookie": cookie}).status_code == 303


@pytest.mark.parametrize("sent", [b"", b"[]", b"{", b'{"code": 1}', b"[" * 4000])
def test_nonsense_pairs_nobody(root, sent):
    of = client(root, True, ADDRESS, TABLET)
    headers = {**proof(of, "/pair"), "Content-Type": "application/json"}
    assert of.post("/pair", content=sent, headers=headers).status_code == 400


def test_few_tries_then_waiting_times_that_double():
    said, clock = [], Clock()
    pairing = Pairing(said.append, clock)
    for wait_s in (60, 120, 240):
        pairing.ask()
        code = re.search(r"\d{3} \d{3}", said[-1])[0]
        for _ in range(5):
            with pytest.raises(BadWorkbench):
                pairing.take("abc")
        lines = len(said)
        pairing.ask()
        assert len(said) == lines, "no code is shown while none is taken"
        for given in (code, "abc"):
            with pytest.raises(BadWorkbench, match=f"wait {wait_s} seconds"):
                pairing.take(given)
        clock.now += wait_s + 1
        with pytest.raises(BadWorkbench):
            pairing.take(code)


def test_waiting_for_the_next_code_gives_no_more_tries():
    said, clock = [], Clock()
    pairing = Pairing(said.append, clock)
    for n in range(5):
        pairing.ask()
        with pytest.raises(BadWorkbench, match="too many wrong codes" if n == 4 else "more tries"):
            pairing.take("abc")
        clock.now += CODE_S + 1


def test_code_lives_for_minutes():
    said, clock = [], Clock()
    pairing = Pairing(said.append, clock)
    pairing.ask()
    code = re.search(r"\d{3} \d{3}", said[0])[0]
    clock.now += CODE_S + 1
    with pytest.raises(BadWorkbench):
        pairing.take(code)
    assert len(said) == 2, "a new one is shown"


def test_cookie_is_signed_and_grows_old(root):
    keys = Keys(root)
    good = keys.cookie(Device("abcdefgh", "tablet"), now_s=0.0)
    assert keys.device(good, now_s=1.0) == Device("abcdefgh", "tablet")
    assert keys.device(good, now_s=COOKIE_DAYS * 86400.0 + 1) is None
    text, _, mac = good.partition(".")
    for bad in ("", ".", text, f"{text}.", f"{text}x.{mac}", f"{text}.{mac[:-1]}0", f".{mac}", "é.é"):
        assert keys.device(bad, now_s=1.0) is None or bad == good
    keys.forget()
    assert keys.device(good, now_s=1.0) is None


@pytest.mark.skipif(os.name != "posix", reason="rights of files are POSIX's")
def test_key_is_for_its_owner_only(root):
    Keys(root)
    assert stat.S_IMODE((root / "key").stat().st_mode) == 0o600
    os.chmod(root / "key", 0o644)
    Keys(root)
    assert stat.S_IMODE((root / "key").stat().st_mode) == 0o600


def test_cookie_of_another_bench_is_no_good(root, tmp_path):
    (tmp_path / "other").mkdir()
    cookie = Keys(tmp_path / "other").cookie(Device("abcdefgh", "x"))
    of = client(root, True, ADDRESS, TABLET)
    assert of.get("/", headers={"Cookie": f"{COOKIE}={cookie}"}).status_code == 303


# ---- no path leaves the data folder, and none is shown


@pytest.mark.parametrize(
    ("given", "kept"),
    [("../../../evil.csv", "evil.csv"), ("/etc/evil.csv", "evil.csv"), ("..\\evil.csv", "evil.csv"),
     ("a\0b.csv", "a_b.csv"), ("C:\\x\\evil.csv", "evil.csv"), ("..csv", None), ("..", None), (".bashrc", None),
     ("x" * 300 + ".csv", "x" * 196 + ".csv"), ("\U0001f527" * 80 + ".csv", "\U0001f527" * 49 + ".csv")],
)  # fmt: skip
def test_names_of_files_stay_names(root, given, kept):
    of = client(root)
    answer = of.put("/api/recordings", params={"name": given}, content=b"x", headers=proof(of))
    made = [str(p.relative_to(root / "recordings")) for p in root.glob("recordings/*/upload/*")]
    if kept is None:
        assert (answer.status_code, made) == (415, [])
    else:
        assert made == [f"{answer.json()['id']}/upload/{kept}"]


@pytest.mark.parametrize("bad", ["..", "%2e%2e", "..%2f..", "a", "AAAAAAAA", "aaaaaaa%00", "key", "aaaaaaaa%2fupload"])
def test_ids_are_ids(root, bad):
    (root / "analysis.json").write_text("secret")
    of = client(root)
    for what in ("analysis", "views", "report"):
        answer = of.get(f"/api/recordings/{bad}/{what}")
        assert answer.status_code in (400, 404, 422)
        assert "secret" not in answer.text
    assert of.post(f"/api/recordings/{bad}/remove", headers=proof(of)).status_code in (400, 404, 405)
    assert (root / "key").exists()


def test_link_to_elsewhere_is_not_followed(root, van_folder):
    (root / "recordings" / van_folder[1]).symlink_to(van_folder[0] / "recordings" / van_folder[1])
    assert client(root).get(f"/api/recordings/{van_folder[1]}/analysis").status_code == 400


def test_static_files_stay_static(root):
    of = client(root)
    for path in ("/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static//etc/passwd"):
        assert of.get(path).status_code == 404


def test_nothing_served_tells_where_it_lies(van_folder, tmp_path):
    root, recording = van_folder
    of = TestClient(make_app(root, str(tmp_path / "cases.db")), "http://127.0.0.1:8720", client=HERE)
    for path in ("/", f"/recordings/{recording}", "/api/recordings", f"/api/recordings/{recording}/analysis",
                 f"/api/recordings/{recording}/views"):  # fmt: skip
        answer = of.get(path)
        assert answer.status_code == 200
        assert str(root) not in answer.text
        assert "/tmp" not in answer.text
    analysis = json.loads((root / "recordings" / recording / "analysis.json").read_text())
    assert analysis["recording"]["path"] == "bakery-van.npz"


def test_errors_tell_no_place(root):
    of = client(root)
    folder = of.app.state.bench.folder
    text = f"{root}/recordings/aaaaaaaa/upload/my van.csv: no; see /home/x/y.toml, km/h or C:\\a\\b.txt and {root}/key"
    assert folder.without_places(text) == "my van.csv: no; see y.toml, km/h or b.txt and key"


def test_only_known_things_are_kept(root):
    of = client(root)
    with of.websocket_connect("/live", headers=OWN) as link:
        for topic, key, value in [
            ("recording:aaaaaaaa", "window", 1), ("case:aaaaaaaa", "picked", 1), ("../x", "y", 1), ("start", "x", 1),
            ("start", "draft:../x", 1), ("start", "draft:new", "x" * 70000), ("start", "window", 1),
        ]:  # fmt: skip
            link.send_json({"kind": "set", "topic": topic, "key": key, "value": value, "base": 0, "n": 7})
            assert (m := link.receive_json())["kind"] == "wrong"
            assert m["n"] == 7
        for sent in ("", "[]", "{", '{"kind": 1}', '{"kind": "set"}', '{"kind": "join", "topics": 3}', "[" * 100000,
                     '{"kind": "set", "topic": "start", "key": "draft:a", "value": NaN}'):  # fmt: skip
            link.send_text(sent)
        link.send_json({"kind": "set", "topic": "start", "key": "draft:new", "value": "kept", "base": 0})
        while link.receive_json()["kind"] != "state":
            pass
    assert [p.name for p in (root / "state").iterdir()] == ["start.json"]


def test_page_cannot_fill_the_disk_with_forms(root):
    of = client(root)
    shelf = of.app.state.bench.shelf
    for n in range(64):
        shelf.set("start", f"draft:form-{n}", "typed", 0)
    with pytest.raises(BadWorkbench, match="64 forms"):
        shelf.set("start", "draft:one-more", "typed", 0)
    shelf.set("start", "draft:form-5", None, 100)
    shelf.set("start", "draft:one-more", "typed", 0)
    assert "draft:form-5" not in shelf.topic("start").values
