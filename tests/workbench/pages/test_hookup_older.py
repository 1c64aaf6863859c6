"""The hookup form keeps what it does not mean to change: digits of numbers, and what another device told meanwhile."""

from __future__ import annotations

import json

import pytest

from witnessmark.workbench import hookup

from .test_hookup import sent


@pytest.fixture(scope="module")
def analysis(van_folder):
    root, van = van_folder
    return json.loads((root / "recordings" / van / "analysis.json").read_text(encoding="utf-8"))


def test_every_digit_of_a_number_survives_the_form(analysis):
    told = {"channel": [{"name": analysis["channels"][0]["name"], "scale": 0.1234567890123}]}
    assert hookup.merged(told, sent(hookup.form_of(analysis, told)))["channel"] == told["channel"]


@pytest.mark.parametrize("form", [{"engine": "x"}, {"lines": "x"}, {"lines": ["x"]}, {"lines": [{"said": "role"}]}])
def test_what_is_no_form_is_refused(form):
    with pytest.raises(hookup.BadField, match="load the page again"):
        hookup.merged({}, form)


def test_form_made_from_an_older_setup_changes_nothing_back(shop, analysis):
    place = f"/api/recordings/{shop.van}/hookup"
    kept = shop.server.folder / "recordings" / shop.van / "setup.toml"
    old = kept.read_text(encoding="utf-8") if kept.exists() else None
    first = shop.server.json("GET", place)[1]

    def save(form, **changed):
        return shop.server.json("POST", place, json.dumps({**sent(form, **changed), "revision": form["revision"]}))

    try:
        status, answer = save(first, **{"engine.cylinders": "4", "channel.1.label": "crank, new sensor"})
        assert status == 200
        told = kept.read_text(encoding="utf-8")
        status, late = save(first, **{"engine.cylinders": "6"})
        assert status == 409
        assert {(e["field"], e["says"]) for e in late["between"]} == {
            ("engine.cylinders", "now 4; here 6"), ("channel.1.label", "now crank, new sensor; here not said"),
        }  # fmt: skip
        assert (late["last"], kept.read_text(encoding="utf-8")) == (answer["revision"], told)
        assert save({**first, "revision": late["last"]}, **{"engine.cylinders": "6"})[0] == 200, "told on purpose"
        same = shop.server.json("GET", place)[1]
        assert save({**same, "revision": first["revision"]})[0] == 200, "what changes nothing back is no conflict"
    finally:
        kept.unlink(missing_ok=True) if old is None else kept.write_text(old, encoding="utf-8")
