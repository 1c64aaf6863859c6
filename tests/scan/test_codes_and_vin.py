"""Trouble codes and vehicle identification numbers against the published examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from witnessmark.errors import BadScan
from witnessmark.scan.codes import code_bytes, code_text, normal_code
from witnessmark.scan.vin import check_digit, checked, masked, weighted_sum, well_formed

# Published: 01 43 = P0143 is the example of ISO 15031-5, fig. 19; the others follow the bits of ISO 15031-6.
PAIRS = {
    "01 43": "P0143",
    "03 35": "P0335",
    "03 40": "P0340",
    "16 0A": "P160A",
    "23 36": "P2336",
    "40 35": "C0035",
    "92 34": "B1234",
    "C1 00": "U0100",
}


@pytest.mark.parametrize(("pair", "text"), PAIRS.items())
def test_codes_both_ways(pair: str, text: str) -> None:
    assert code_text(bytes.fromhex(pair)) == text
    assert code_bytes(text) == bytes.fromhex(pair)


def test_two_zero_bytes_are_no_code() -> None:
    assert code_text(b"\0\0") is None


@given(st.binary(min_size=2, max_size=2))
def test_every_pair_comes_back(pair: bytes) -> None:
    text = code_text(pair)
    assert (text is None and pair == b"\0\0") or (text is not None and code_bytes(text) == pair)


@pytest.mark.parametrize("text", ["", "P033", "P4336", "X0336", "P0336-00", "PO336", "P03G6"])
def test_what_is_no_code_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(BadScan, match=r"is no trouble code, expected a form like") as caught:
        code_bytes(text)
    assert "\n" not in str(caught.value)


def test_half_a_code_is_refused() -> None:
    with pytest.raises(BadScan, match="two bytes, not 1"):
        code_text(b"\x03")
    assert normal_code(" p0336 ") == "P0336"


# Published: the sample of 49 CFR 565; the second from a public agency's handout to makers; all ones sum to 89.
@pytest.mark.parametrize(
    ("vin", "total", "digit"),
    [
        ("1G4AH59H?5G118341", 411, "4"),
        ("1J9RP1A3?A1644345", 314, "6"),
        ("1M8GDM9A?KP042788", 351, "X"),
        ("11111111?11111111", 89, "1"),
    ],
)
def test_check_digits(vin: str, total: int, digit: str) -> None:
    whole = vin.replace("?", digit)
    assert weighted_sum(whole) == total
    assert check_digit(whole) == digit
    assert checked(whole) == "fits"
    assert checked(vin.replace("?", "5")) == "does not fit"


def test_one_wrong_place_is_seen() -> None:
    # any single digit changed changes the sum by less than 11 times nothing: 11 is prime and no weight is its multiple
    right = "1M8GDM9AXKP042788"
    for place in (*range(8), *range(9, 17)):
        if right[place].isdigit():
            wrong = right[:place] + str((int(right[place]) + 1) % 10) + right[place + 1 :]
            assert checked(wrong) == "does not fit"


@pytest.mark.parametrize("vin", ["", "1G4AH59H45G11834", "1G4AH59H45G11834O", "1g4ah59h45g118341"])
def test_badly_formed_numbers(vin: str) -> None:
    assert not well_formed(vin)
    assert checked(vin) == "not well formed"


def test_masking_leaves_the_maker() -> None:
    assert masked("1G4AH59H45G118341") == "1G4**************"
    assert masked("") == ""
