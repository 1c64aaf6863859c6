"""The scenario file: what it refuses, in one line that names the key."""

from __future__ import annotations

from pathlib import Path

import pytest

from witnessmark.errors import BadScenario
from witnessmark.simulate.scenario import load_scenario, parse_scenario

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


@pytest.mark.parametrize(
    ("data", "names"),
    [
        ({"durations": 3.0}, "durations"),
        ({"sensor": {"kind": "optical"}}, "sensor.kind"),
        ({"sampling": {"bits": 24}}, "sampling.bits"),
        ({"engine": {"cylinders": 4, "firing_order": [1, 2, 3]}}, "engine"),
        ({"engine": {"rod_mm": 30.0}}, "rod_mm"),
        ({"wheel": {"layout": "sixty minus two"}}, "sixty minus two"),
        ({"wheel": {"layout": "60-2", "slots": 60}}, "one of layout"),
        ({"cranking": {"attempts": [{"start_s": 2.0, "end_s": 1.0}]}}, "end_s"),
        ({"fault": [{"kind": "tooth-absent"}]}, "needs slots"),
        ({"fault": [{"kind": "tooth-absent", "slots": [60]}]}, "60"),
        ({"fault": [{"kind": "polarity-reversed"}], "sensor": {"kind": "hall"}}, "variable-reluctance"),
        ({"fault": [{"kind": "wheel-unexpected", "layout": "?"}]}, "unknown wheel"),
        ({"channel": [{"role": "scope"}]}, "channel[1].role"),
    ],
)
def test_refuses_in_one_line_naming_the_key(data: dict[str, object], names: str) -> None:
    with pytest.raises(BadScenario) as caught:
        parse_scenario(data, "my.toml")
    assert names in str(caught.value)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("my.toml: ")


def test_a_file_that_is_no_toml(tmp_path: Path) -> None:
    path = tmp_path / "broken.toml"
    path.write_text("seed = = 3")
    with pytest.raises(BadScenario, match=r"broken\.toml"):
        load_scenario(path)
    with pytest.raises(BadScenario, match="nowhere"):
        load_scenario(tmp_path / "nowhere.toml")


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.toml")), ids=lambda p: p.stem)
def test_every_example_is_valid(path: Path) -> None:
    assert load_scenario(path).title


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ({"engin": {}}, "s.toml: engin: unknown key; remove or correct it"),
        ({"fault": [{"kind": "tooth-gone"}]}, "s.toml: fault[1].kind: expected 'tooth-absent'"),
        ({"sampling": {"rate_hz": -5}}, "s.toml: sampling.rate_hz: expected greater than or equal to 1000"),
    ],
)
def test_a_wrong_key_is_named_as_it_stands_in_the_file(data, text):
    with pytest.raises(BadScenario) as wrong:
        parse_scenario(data, "s.toml")
    assert str(wrong.value).startswith(text)
