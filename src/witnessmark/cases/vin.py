"""The vehicle number of a case: sealed in a private file of its own, masked everywhere else.

The log names the seal by its hash. The seal holds random salt beside the number: without it the few numbers that a
masked one leaves open could be tried against the hash.
"""

from __future__ import annotations

import json
import secrets
from typing import Any

from witnessmark.cases.codec import canonical
from witnessmark.cases.model import Attachment, Case
from witnessmark.cases.store import Cases, attachment
from witnessmark.cases.words import vin_form
from witnessmark.errors import BadCase
from witnessmark.scan.vin import masked

MEDIA_TYPE = "application/json"


def sealed(vin: str) -> tuple[str, Attachment]:
    """(masked number, seal); BadCase for what is no vehicle number. It is never repeated in the message."""
    vin = vin.strip().upper()
    if not vin_form(vin):
        raise BadCase(
            f"--vin: {len(vin)} characters, expected 17 letters and digits without I, O and Q; "
            "read it again from the vehicle"
        )
    text = canonical({"vin": vin, "salt": secrets.token_hex(16)})
    return masked(vin), attachment(text.encode(), MEDIA_TYPE, "vehicle number", private=True)


def shown(store: Cases, case: Case, *, whole: bool) -> str:
    """The vehicle number to show: masked, or whole where that is asked for and the seal is here."""
    opened = case.opened
    if not whole or opened.vin_file is None:
        return opened.vin
    seal = store.file(case.id, opened.vin_file)
    if seal is None:
        return f"{opened.vin} (left out of what was imported)"
    try:
        found = json.loads(seal.data)["vin"]
    except (ValueError, TypeError, LookupError):
        found = None
    return found if isinstance(found, str) and vin_form(found) else f"{opened.vin} (its seal holds no vehicle number)"


def without_vins(data: Any) -> Any:
    """JSON data with every value of a key ``vin`` masked."""
    if isinstance(data, dict):
        return {k: masked(v) if k.lower() == "vin" and isinstance(v, str) else without_vins(v) for k, v in data.items()}
    return [without_vins(v) for v in data] if isinstance(data, list) else data
