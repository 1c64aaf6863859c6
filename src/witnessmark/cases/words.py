"""What may stand in a case: texts, hashes, numbers of entries, vehicle numbers."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field

from witnessmark.scan.vin import masked

LONGEST_TEXT = 20_000
MOST_ENTRIES = 5_000  # of one case; a busy one has some hundred

# Letters I, O and Q do not occur in a VIN (published: ISO 3779, 49 CFR 565); "*" is a masked character.
_VIN = re.compile(r"[A-HJ-NPR-Z0-9*]{17}")
# Trouble code form (published: SAE J2012 / ISO 15031-6; clause not re-opened); the two digits after the dash are the
# failure type some control units add.
_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?")
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


def is_code(text: str) -> bool:
    """Whether this is a trouble code such as P0336."""
    return _CODE.fullmatch(text) is not None


def _a_code(text: str) -> str:
    if not is_code(text):
        raise ValueError('no trouble code, expected a form like "P0336"')
    return text


Text = Annotated[str, AfterValidator(clean)]
Said = Annotated[str, AfterValidator(_said)]
Code = Annotated[str, AfterValidator(_a_code)]
MaskedVin = Annotated[str, AfterValidator(_masked_only)]
Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Number = Annotated[int, Field(ge=1, le=MOST_ENTRIES)]
Count = Annotated[int, Field(ge=0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]


def vin_form(vin: str) -> bool:
    """Whether it has the 17 letters and digits of a vehicle number; "*" masks one."""
    return _VIN.fullmatch(vin) is not None
