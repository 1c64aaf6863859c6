"""The table of code meanings keeps its form; what it must hold is there."""

from __future__ import annotations

import pytest

from witnessmark.errors import BadKnowledge, BadScan
from witnessmark.scan.knowledge import FOLDER
from witnessmark.scan.meanings import MAKERS_OWN, NOT_IN_TABLE, makers_own, meaning

# From memory of SAE J2012-DA (the standard is to be bought): which codes the groups must hold.
GROUPS = {
    "crank-circuit": "P0335 P0337 P0338 P0339 P0385 P0387 P0388 P0389",
    "crank-pattern": "P0336 P0386 P0315 P0371 P0372",
    "cam-circuit": "P0340 P0342 P0343 P0344 P0345 P0349 P0365 P0369 P0390 P0394",
    "cam-pattern": "P0341 P0346 P0366 P0391",
    "cam-timing": "P0016 P0017 P0018 P0019 P0008 P0009",
    "phaser": "P0010 P0011 P0012 P0013 P0014 P0015 P0020 P0021 P0022 P0023 P0024 P0025",
    "speed-input": "P0320 P0321 P0322 P0323 P0370 P0373 P0374",
    "misfire": "P0300 P0301 P0309 P0310 P0312 P0313 P0316 P0363",
    "ignition": "P0350 P0351 P0359 P0360 P0362 P2300 P2301",
    "injection": "P0200 P0201 P0212 P0261 P0262 P0263 P0296",
    "mixture": "P0171 P0172 P0174 P0175",
    "fuel-pressure": "P0087 P0627",
    "security": "P0513 P0633",
    "supply": "P0560 P0561 P0562 P0563 P0620 P0621 P0622 P0641 P0651 P0697 P0685 P0690",
    "module": "P0601 P0606",
    "starter": "P0615 P0616 P0617",
    "network": "U0100",
}


@pytest.mark.parametrize("group", GROUPS)
def test_the_groups_hold_their_codes(group: str) -> None:
    for code in GROUPS[group].split():
        said = meaning(code)
        assert said.group is not None, code
        assert said.group.id == group, code


def test_numbers_in_the_words() -> None:
    assert meaning("P0307").words == "misfire of cylinder 7"
    assert meaning("P0296").words == "cylinder 12: contribution or balance"
    assert meaning("P2335").words == "ignition coil L: secondary circuit"
    assert meaning("p0336").code == "P0336"


def test_codes_outside_the_table() -> None:
    # ISO 15031-6, from memory: P1 and P30-P33, and first digit 1 or 2 of the others, are the maker's
    assert all(makers_own(c) for c in ("P1000", "P3000", "P33FF", "B1234", "U2000"))
    assert not any(makers_own(c) for c in ("P3400", "P0A00", "P2500", "U3000", "C0035"))
    assert meaning("P1336").words == MAKERS_OWN
    assert meaning("P0799").words == NOT_IN_TABLE
    with pytest.raises(BadScan):
        meaning("nonsense")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.replace('group = "crank-pattern"', 'group = "crank"', 1), "there is no group crank"),
        (lambda t: t.replace('code = "P0336"', 'code = "P0335"', 1), "P0335 stands twice"),
        (lambda t: t.replace('"tooth-absent"', '"tooth-gone"'), "tooth-gone is no kind of finding"),
        (lambda t: t.replace('mark = "memory"', 'mark = "hearsay"', 1), "mark"),
    ],
)
def test_a_table_that_breaks_its_form_is_refused(change, message: str, tmp_path) -> None:
    path = tmp_path / "codes.toml"
    path.write_text(change((FOLDER / "codes.toml").read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(BadKnowledge, match=message):
        meaning("P0336", path)
