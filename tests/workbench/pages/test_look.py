"""The look: words and marks stand out enough on both grounds.

Contrast as WCAG 2.1 defines it (published: relative luminance and contrast ratio; success criteria 1.4.3 for text, 4.5
to 1, and 1.4.11 for what a control is known by, 3 to 1).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import witnessmark.workbench

STATIC = Path(witnessmark.workbench.__file__).parent / "static"
LOOK = (STATIC / "look.css").read_text(encoding="utf-8")
TEXTS = ("ink", "soft", "suspect", "reference", "spark", "fuel")
GROUNDS = ("paper", "sheet", "pale")


def tokens(block):
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6})", block))


LIGHT = tokens(re.search(r":root \{(.*?)\}", LOOK, re.S)[1])
DARK = tokens(re.search(r':root\[data-ground="dark"\] \{(.*?)\}', LOOK, re.S)[1])
ASKED = tokens(re.search(r":root:not\(\[data-ground\]\) \{(.*?)\}", LOOK, re.S)[1])
PRINTED = tokens(re.search(r":root, :root\[data-ground\] \{(.*?)\}", LOOK, re.S)[1])


def luminance(colour):
    digits = colour[1:] if len(colour) == 7 else "".join(c * 2 for c in colour[1:])
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a, b):
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_computed_as_published():
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    # a grey of 4.54 to 1 on white (published: WCAG 2.1 understanding documents use #767676 as the lightest that passes)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("text", TEXTS)
@pytest.mark.parametrize("chosen", [LIGHT, DARK, PRINTED], ids=["light", "dark", "print"])
def test_text_is_readable(chosen, text, ground):
    assert contrast(chosen[text], chosen[ground]) >= 4.5


@pytest.mark.parametrize("chosen", [LIGHT, DARK], ids=["light", "dark"])
def test_controls_and_focus_are_seen(chosen):
    for ground in GROUNDS:
        assert contrast(chosen["edge"], chosen[ground]) >= 3.0
        assert contrast(chosen["focus"], chosen[ground]) >= 3.0
    assert contrast(chosen["paper"], chosen["soft"]) >= 4.5, "a filled button under the pointer"


def test_dark_ground_is_the_same_whether_asked_for_or_chosen():
    assert ASKED == DARK
    assert set(LIGHT) == set(DARK)
