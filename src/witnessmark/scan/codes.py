"""Trouble codes as two bytes and as text (published: ISO 15031-6 / SAE J2012; the form, clauses not re-opened)."""

from __future__ import annotations

import re

from witnessmark.errors import BadScan

SYSTEMS = "PCBU"  # power train, chassis, body, network: bits 7 and 6 of the first byte
_FORM = re.compile(r"([PCBU])([0-3])([0-9A-F]{3})")


def code_text(pair: bytes) -> str | None:
    """Two bytes as text, ``01 43`` as ``P0143``; None for ``00 00``, which is no code but padding.

    Raises :class:`~witnessmark.errors.BadScan` for anything but two bytes.
    """
    if len(pair) != 2:
        raise BadScan(f"a trouble code is two bytes, not {len(pair)}; read the answer again")
    if pair == b"\0\0":
        return None
    high, low = pair
    return f"{SYSTEMS[high >> 6]}{(high >> 4) & 3:X}{high & 15:X}{low:02X}"


def code_bytes(text: str) -> bytes:
    """``P0143`` as ``01 43``; raises :class:`~witnessmark.errors.BadScan` for what is no code."""
    match = _FORM.fullmatch(text.strip().upper())
    if match is None:
        raise BadScan(f'"{text}" is no trouble code, expected a form like "P0336"; correct it or leave it out')
    system, first, rest = match.groups()
    return bytes([SYSTEMS.index(system) << 6 | int(first) << 4 | int(rest[0], 16), int(rest[1:], 16)])


def normal_code(text: str) -> str:
    """The code in capital letters; raises :class:`~witnessmark.errors.BadScan` for what is no code."""
    return code_text(code_bytes(text)) or "P0000"
