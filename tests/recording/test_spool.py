"""Text tables that go through the disk on their way into a store: the same recording as when held in memory."""

from __future__ import annotations

import json

import pytest

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording
from witnessmark.recording.store_import import import_recording
from witnessmark.recording.store_verify import verify

from .test_store import refused, same


def _rows(n=3000, rate=1000.0, make=lambda i: f"{i % 7 / 10},{i * 13 % 11}"):
    return [f"{i / rate:.4f},{make(i)}" for i in range(n)]


TEXTS = {
    "plain": "t,crank,cam\n" + "\n".join(_rows()) + "\n",
    "no header": "\n".join(_rows()) + "\n",
    "rate in a comment": "# rate_hz: 1000\ncrank,cam\n" + "\n".join(r.split(",", 1)[1] for r in _rows()) + "\n",
    "rate and no header": "# rate_hz: 1000\n" + "\n".join(_rows()) + "\n",
    "milliseconds": "Time [ms],crank,cam\n" + "\n".join(_rows(rate=1.0)) + "\n",
    "decimal comma": "t;crank;cam\n" + "\n".join(r.replace(",", ";").replace(".", ",") for r in _rows()) + "\n",
    "blanks": "t crank cam\n" + "\n".join(r.replace(",", "  ") for r in _rows()) + "\n",
    "text cells": "t,crank,cam\n" + "\n".join(_rows(make=lambda i: f"{i % 7},{'open' if i == 1700 else i % 3}")) + "\n",
    "empty cells": "t,crank,cam\n" + "\n".join(_rows(make=lambda i: f"{i % 7 if i % 900 else ''},{i % 3}")) + "\n",
    "infinite": "t,crank,cam\n" + "\n".join(_rows(make=lambda i: f"{'1e999' if i == 30 else i % 7},{i % 3}")) + "\n",
    "wrong width": "t,crank,cam\n" + "\n".join([*_rows(1500), "1.5,7", *_rows()[1500:]]) + "\n",
    "cut short": "t,crank,cam\n" + "\n".join(_rows()) + "\n3.0000,0.",
    "bad times": "t,crank,cam\n" + "\n".join([*_rows(9), ",1,2", *_rows()[9:]]) + "\n",
    "a jump": "t,crank,cam\n" + "\n".join([*_rows()[:900], *_rows()[1000:]]) + "\n",
    "uneven": "t,crank\n" + "\n".join(f"{i / 1000 + (i % 3) * 0.0004:.5f},{i % 7}" for i in range(3000)) + "\n",
    "changes": "t,crank\n" + "\n".join(f"{i * i / 1000:.4f},{i % 2}" for i in range(300)) + "\n",
    "utf-16": ("t,crank,cam\n" + "\n".join(_rows()) + "\n").encode("utf-16"),
    "latin-1": ("t,Nockenwellenfühler,cam\n" + "\n".join(_rows()) + "\n").encode("latin-1"),
}  # fmt: skip


@pytest.mark.parametrize("name", list(TEXTS))
@pytest.mark.parametrize("block", [4 << 20, 5000])
def test_a_spooled_table_is_the_table(tmp_path, name, block, monkeypatch):
    monkeypatch.setattr("witnessmark.recording.readers.csv_table._BLOCK", block)
    text = TEXTS[name]
    path = tmp_path / "van.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    import_recording(path, tmp_path / "store")
    same(open_recording(path), open_recording(tmp_path / "store"))
    verify(tmp_path / "store")
    there = {p.name for p in (tmp_path / "store").iterdir()}
    said = json.loads((tmp_path / "store" / "recording.json").read_text(encoding="utf-8"))
    named = {c[key] for c in said["channels"] for key in ("file", "times", "pyramid") if c[key]}
    assert there == named | {"recording.json"}


@pytest.mark.parametrize(
    "text", ["", "t,crank\n", "t,crank\n0,1\n", "t,crank\n1,1\n0,2\n0.5,3\n", "t,crank\n0,a\n1,b\n"]
)
def test_a_table_refused_in_memory_is_refused_when_spooled_in_the_same_words(tmp_path, text):
    path = tmp_path / "van.csv"
    path.write_text(text)
    words = refused(path)
    with pytest.raises(BadRecording) as caught:
        import_recording(path, tmp_path / "store")
    assert str(caught.value) == words
    assert list(tmp_path.iterdir()) == [path]
