"""What may stand in a case: texts, hashes, numbers of entries, vehicle numbers."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field

LONGEST_TEXT = 20_000
MOST_ENTRIES = 5_000  # of one case; a busy one has some hundred
SHOWN_OF_VIN = 3  # who made it; the rest tells one vehicle from all others

# Letters I, O and Q do not occur in a VIN (published: ISO 3779, 49 CFR 565); "*" is a masked character.
_VIN = re.compile(r"[A-HJ-NPR-Z0-9*]{17}")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")


def clean(text: str) -> str:
    """The text without blanks around it; ValueError where it is too long or holds what is no text."""
    text = text.replace("\r\n", "\n").strip()
    if len(text) > LONGEST_TEXT:
        raise ValueError(f"longer than {LONGEST_TEXT} characters; shorten it or add it as a file")
    if _CONTROL.search(text):
        raise ValueError("holds control characters or broken letters; write plain text")
    return text


def _said(text: str) -> str:
    text = clean(text)
    if not text:
        raise ValueError("is empty; say something")
    return text


def _masked_only(vin: str) -> str:
    if vin and (not _VIN.fullmatch(vin) or vin != masked(vin)):
        raise ValueError("is no masked vehicle number")
    return vin


Text = Annotated[str, AfterValidator(clean)]
Said = Annotated[str, AfterValidator(_said)]
MaskedVin = Annotated[str, AfterValidator(_masked_only)]
Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Number = Annotated[int, Field(ge=1, le=MOST_ENTRIES)]
Count = Annotated[int, Field(ge=0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]


def vin_form(vin: str) -> bool:
    """Whether it has the 17 letters and digits of a vehicle number; "*" masks one."""
    return _VIN.fullmatch(vin) is not None


def masked(vin: str) -> str:
    """The vehicle number with all but its first three places hidden."""
    return vin[:SHOWN_OF_VIN] + "*" * (len(vin) - SHOWN_OF_VIN)
