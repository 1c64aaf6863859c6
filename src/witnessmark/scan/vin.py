"""The vehicle identification number: its check digit, and masking, for it is personal data.

Published: 49 CFR 565 (transliteration, weights, modulo 11) and ISO 3779/3780 (letters, length). The check digit is
mandatory in North America only; elsewhere one that does not fit is a note, not an error.
"""

from __future__ import annotations

import re

LENGTH = 17
_FORM = re.compile(r"[A-HJ-NPR-Z0-9]{17}")
_VALUES = {
    **{str(n): n for n in range(10)},
    **{c: n for n, c in enumerate("ABCDEFGH", start=1)},
    **{c: n for n, c in enumerate("JKLMN", start=1)},
    "P": 7,
    "R": 9,
    **{c: n for n, c in enumerate("STUVWXYZ", start=2)},
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
CHECK_PLACE = 8  # position 9
SHOWN = 3  # who made it; the rest tells one vehicle from all others


def well_formed(vin: str) -> bool:
    """Whether it has 17 capital letters and digits without I, O and Q."""
    return _FORM.fullmatch(vin) is not None


def weighted_sum(vin: str) -> int:
    """Sum of value times weight over all places; position 9 weighs nothing. ``vin`` is well formed there."""
    return sum(_VALUES[c] * w for c, w in zip(vin, _WEIGHTS, strict=True) if w)


def check_digit(vin: str) -> str:
    """The character that belongs in position 9, whatever stands there."""
    rest = weighted_sum(vin) % 11
    return "X" if rest == 10 else str(rest)


def checked(vin: str) -> str:
    """``fits``, ``does not fit`` or ``not well formed``."""
    if not well_formed(vin):
        return "not well formed"
    return "fits" if vin[CHECK_PLACE] == check_digit(vin) else "does not fit"


def masked(vin: str) -> str:
    """The number with all but its first three places hidden."""
    return vin[:SHOWN] + "*" * (len(vin) - SHOWN)
