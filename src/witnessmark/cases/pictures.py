"""What a proof shows: photos, made smaller and without what the camera wrote into them, and slots before and after."""

from __future__ import annotations

import base64
import io
import json
import math
import warnings
from typing import Any

from witnessmark.cases.model import Attachment

WIDEST = 1200  # pixels of the longer side: sharp on half a printed page
MOST_PIXELS = 64_000_000  # more than most cameras have; a picture that claims more is not unpacked
MOST_JPEG_PIXELS = 150_000_000  # a JPEG is unpacked at an eighth of its size, as its form allows
QUALITY = 80
MOST_SLOTS = 400


def photo_svg(file: Attachment | None, label: str) -> str | None:
    """The photo as a picture of the page, None where it cannot be shown.

    Only its pixels are taken over, turned upright: place, time and camera stay in the original, which is kept whole.
    """
    from markupsafe import escape

    if file is None:
        return None
    small = _small(file.data)
    if small is None:
        return None
    data, width, height = small
    code = base64.b64encode(data).decode("ascii")
    return (f'<svg class="photo" role="img" aria-label="{escape(label)}" viewBox="0 0 {width} {height}" '
            f'xmlns="http://www.w3.org/2000/svg"><image width="{width}" height="{height}" '
            f'href="data:image/jpeg;base64,{code}"/></svg>')  # fmt: skip


def small_jpeg(data: bytes) -> bytes | None:
    """The pixels alone of a picture, turned upright and made small, as a JPEG; None where it cannot be shown."""
    small = _small(data)
    return None if small is None else small[0]


def _small(data: bytes) -> tuple[bytes, int, int] | None:
    from PIL import Image, ImageOps

    try:
        # Pillow warns of pictures above 89 million pixels; the limits here are our own
        with (
            warnings.catch_warnings(action="ignore"),
            Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "WEBP")) as opened,
        ):
            if opened.width * opened.height > (MOST_JPEG_PIXELS if opened.format == "JPEG" else MOST_PIXELS):
                return None
            # made small first: turning and converting the whole of a large picture takes several times its memory
            opened.thumbnail((WIDEST, WIDEST))
            upright = ImageOps.exif_transpose(opened).convert("RGBA")
        ground = Image.new("RGB", upright.size, "white")
        ground.paste(upright, mask=upright.getchannel("A"))
        out = io.BytesIO()
        ground.save(out, "JPEG", quality=QUALITY)
    except (OSError, ValueError, SyntaxError, ArithmeticError, LookupError, Image.DecompressionBombError):
        return None
    return out.getvalue(), ground.width, ground.height


def slots_svg(file: Attachment | None) -> str | None:
    """Every slot before and after, from a comparison's JSON; None where there is nothing to draw or it is damaged."""
    if file is None:
        return None
    from witnessmark.compare.draw import SlotNumbers, SlotPair, slots_picture

    try:
        data = json.loads(file.data)
        if data["teeth_not_comparable"] or not 0 < len(data["teeth"]) <= MOST_SLOTS:
            return None
        pairs = [
            SlotPair(int(t["slot"]), SlotNumbers(*_numbers(t["before"])), SlotNumbers(*_numbers(t["after"])))
            for t in data["teeth"]
        ]
        told = {int(f["slot"]) for f in data["findings"] if f["slot"] is not None and _stated(f)}
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError, OverflowError):
        return None
    return slots_picture(pairs, sorted(told))


def _stated(f: dict[str, Any]) -> bool:
    side = f["before"] or f["after"]
    return bool(side["stated"])


def _numbers(t: dict[str, Any] | None) -> tuple[float | None, float | None, float | None]:
    """Share seen, lateness in degrees, pulse."""
    if t is None:
        return None, None, None
    return _number(t["present"] if t["expected"] else None), _number(t["error_deg"]), _number(t["amplitude"])


def _number(value: Any) -> float | None:
    found = None if value is None else float(value)
    return found if found is not None and math.isfinite(found) else None
