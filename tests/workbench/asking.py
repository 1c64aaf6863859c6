"""Asking the app itself, without a server, as this machine or as a tablet beside it."""

import re

from starlette.testclient import TestClient

from witnessmark.workbench.app import make_app

HERE, TABLET = ("127.0.0.1", 50000), ("192.0.2.7", 50000)  # TEST-NET-1, RFC 5737
ADDRESS = "http://192.0.2.1:8720"
OWN = {"Host": "127.0.0.1:8720", "Origin": "http://127.0.0.1:8720"}


def client(root, lan=False, address="http://127.0.0.1:8720", who=HERE, **more):
    app = make_app(root, str(root.parent / "cases.db"), lan, **more)
    return TestClient(app, address, client=who, follow_redirects=False, raise_server_exceptions=False)


def proof(client, path="/"):
    token = re.search('name="token" content="([0-9a-f]+)"', client.get(path).text)[1]
    return {"X-Witnessmark": "1", "X-Token": token}
