"""The hookup form: what was inferred is offered, what is told becomes a setup, what is wrong is said at its field."""

from __future__ import annotations

import json
import tomllib
from typing import get_args

import pytest

from witnessmark.learn.write import toml
from witnessmark.recording.setup import Role, load_setup
from witnessmark.workbench import hookup

TABLES = ("vehicle", "engine", "crank_wheel")


@pytest.fixture(scope="module")
def analysis(van_folder):
    root, van = van_folder
    return json.loads((root / "recordings" / van / "analysis.json").read_text(encoding="utf-8"))


def sent(form, **changed):
    """The form as a page sends it, untouched but for ``changed``: {"engine.cylinders": "4", "channel.1.role": ...}."""
    lines = [{**{k: n[k] for k in ("name", "position")}, "said": dict(n["said"])} for n in form["lines"]]
    out = {**{t: dict(form["said"][t]) for t in TABLES}, "lines": lines}
    for name, value in changed.items():
        table, *rest = name.split(".")
        if table == "channel":
            next(n for n in out["lines"] if str(n["position"]) == rest[0])["said"][rest[1]] = value
        else:
            out[table][rest[0]] = value
    return out


def test_every_line_is_offered_as_found_with_how_sure(analysis):
    form = hookup.form_of(analysis, {})
    assert [(n["name"], n["found"]["role_sure"]) for n in form["lines"]] == [
        (c["name"], c["role_confidence"]) for c in analysis["channels"]
    ]
    assert all(value == "" for n in form["lines"] for value in n["said"].values()), "nothing counts as told"
    assert [r for r, _ in form["choices"]["role"]] == list(get_args(Role))
    assert form["found"]["wheel"].startswith("60-2")
    assert "4" in form["found"]["cylinders"]


def test_untouched_form_leaves_the_setup_as_it_was(analysis, bakery, tmp_path):
    # cams and what was learnt are not asked for in the form, and must not get lost
    told = tomllib.loads(bakery.setup.read_text(encoding="utf-8"))
    again = tmp_path / "again.toml"
    again.write_text(hookup.checked(hookup.merged(told, sent(hookup.form_of(analysis, told)))), encoding="utf-8")
    assert load_setup(again) == load_setup(bakery.setup)


def test_what_is_told_is_what_the_setup_says(analysis, tmp_path):
    form = sent(
        hookup.form_of(analysis, {}),
        **{"engine.cylinders": "4", "engine.firing_order": "1-3-4-2", "crank_wheel.slots": "60",
           "crank_wheel.missing": "59, 60", "crank_wheel.tdc_slot": "22,5", "channel.1.role": "crank",
           "channel.1.scale": "0,5", "channel.2.label": 'cam "b1" \\ in', "vehicle.complaint": "Cranks\nlong"},
    )  # fmt: skip
    place = tmp_path / "setup.toml"
    place.write_text(hookup.checked(hookup.merged({}, form)), encoding="utf-8")
    setup = load_setup(place)
    assert (setup.engine.cylinders, setup.engine.firing_order) == (4, (1, 3, 4, 2))
    assert (setup.crank_wheel.slots, setup.crank_wheel.missing, setup.crank_wheel.tdc_slot) == (60, (59, 60), 22.5)
    first, second = setup.channel
    assert (first.name, first.role, first.scale) == ("crank sensor", "crank", 0.5)
    assert second.label == 'cam "b1" \\ in'
    assert setup.vehicle.complaint == "Cranks\nlong"


def test_emptied_field_is_no_longer_said(analysis):
    told = {"engine": {"cylinders": 4}, "channel": [{"name": "coil 1", "cylinder": 1}]}
    form = sent(hookup.form_of(analysis, told), **{"engine.cylinders": "", "channel.3.cylinder": ""})
    assert hookup.merged(told, form) == {"channel": []}


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"engine.cylinders": "four"}, "engine.cylinders"),
        ({"engine.cylinders": "99"}, "engine.cylinders"),
        ({"engine.cylinders": "4", "engine.firing_order": "1 3 4"}, "engine.firing_order"),
        ({"crank_wheel.slots": "60", "crank_wheel.missing": "61"}, "crank_wheel.missing"),
        ({"vehicle.vin": "123"}, "vehicle.vin"),
        ({"channel.4.scale": "0"}, "channel.4.scale"),
        ({"channel.2.role": "flux", "channel.4.label": "x"}, "channel.2.role"),
        ({"engine.cylinders": "4", "channel.5.label": "x", "channel.6.cylinder": "7"}, "channel.6.cylinder"),
    ],
)
def test_wrong_field_is_named_and_nothing_is_written(shop, analysis, changed, field):
    form = sent(hookup.form_of(analysis, {}), **changed)
    place = shop.server.folder / "recordings" / shop.van / "setup.toml"
    status, answer = shop.server.json(
        "POST", f"/api/recordings/{shop.van}/hookup", json.dumps(form), {"Content-Type": "application/json"}
    )
    assert (status, answer["field"]) == (400, field)
    assert "\n" not in answer["error"]
    assert "/" not in answer["error"].split(";")[0], "no place on the machine"
    assert not place.exists()


def test_any_name_of_a_channel_survives_the_file():
    for name in ('two "quotes"', "tab\there", "a = [1]", "# no comment", "\\", "grüße 1 µs"):
        assert tomllib.loads(f"name = {toml(name)}")["name"] == name


def test_setup_file_is_taken_whole_or_refused_in_one_line(shop):
    place = shop.server.folder / "recordings" / shop.van / "setup.toml"
    where = f"/api/recordings/{shop.van}/hookup"
    text = '# learnt\n[[cam_wheel]]\nchannel = "cam sensor"\nedges_deg = [[40.0, "rising"], [130.0, "falling"]]\n'
    for wrong in ("[engine]\ncylindres = 4\n", "no setup", "[unheard_of]\nx = 1\n", b"\xff\xfe"):
        status, answer = shop.server.json("PUT", where, wrong)
        assert status == 400
        assert answer["error"].startswith("the setup file: ")
        assert "\n" not in answer["error"]
        assert "setup.toml" not in answer["error"]
        assert not place.exists()
    assert shop.server.json("PUT", where, text)[0] == 200
    assert place.read_text(encoding="utf-8") == text, "what the form does not ask for stays"
    place.unlink()
