"""Who may ask the workbench for what: the key, tokens of pages, cookies of devices."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import secrets
import time
from dataclasses import dataclass
from pathlib import Path

from witnessmark.output import write_private

KEY_FILE = "key"
KEY_BYTES = 32
COOKIE = "witnessmark"
COOKIE_DAYS = 180  # a shop's tablet is not paired anew each month; --forget-devices ends all of them at once
DAY_S = 86400.0


@dataclass(frozen=True)
class Device:
    """A device that may use the bench: the machine itself, or one that was paired. ``name``: as its user called it."""

    id: str
    name: str


HERE = Device("here", "")


class Keys:
    """The secret of a data folder, and what is signed with it."""

    def __init__(self, root: Path):
        """The key of this folder, made where there is none: readable by its owner only."""
        self._place = root / KEY_FILE
        self._key = self._read() or self._make()

    def _read(self) -> bytes | None:
        try:
            key = bytes.fromhex(self._place.read_text(encoding="ascii"))
        except (OSError, ValueError):
            return None
        os.chmod(self._place, 0o600)
        return key if len(key) == KEY_BYTES else None

    def _make(self) -> bytes:
        key = secrets.token_bytes(KEY_BYTES)
        self._place.unlink(missing_ok=True)
        write_private(str(self._place), key.hex())
        return key

    def forget(self) -> None:
        """Make a new key: every paired device has to be paired anew."""
        self._key = self._make()

    def _mac(self, purpose: str, text: str) -> str:
        return hmac.new(self._key, f"{purpose}\0{text}".encode(), hashlib.sha256).hexdigest()

    def token(self, device: Device | None) -> str:
        """What a page of this device sends back with every change; the same after a restart of the server."""
        return self._mac("token", "" if device is None else device.id)

    def is_token(self, device: Device | None, given: str) -> bool:
        """Whether this is the device's token."""
        return hmac.compare_digest(self.token(device).encode(), given.encode())

    def cookie(self, device: Device, now_s: float | None = None) -> str:
        """The signed cookie of a paired device."""
        made_s = time.time() if now_s is None else now_s
        told = json.dumps([device.id, device.name, int(made_s)]).encode()
        text = base64.urlsafe_b64encode(told).decode()
        return f"{text}.{self._mac('cookie', text)}"

    def device(self, cookie: str, now_s: float | None = None) -> Device | None:
        """The device of a cookie; None where it is not signed by this key or too old."""
        text, _, mac = cookie.partition(".")
        if not hmac.compare_digest(self._mac("cookie", text).encode(), mac.encode()):
            return None
        name_id, name, made_s = json.loads(base64.urlsafe_b64decode(text))
        age_s = (time.time() if now_s is None else now_s) - made_s
        return Device(name_id, name) if age_s < COOKIE_DAYS * DAY_S else None
