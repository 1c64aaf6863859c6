"""Legible colours and light imports."""

import subprocess
import sys

import pytest

from witnessmark.report import draw_style


def luminance(colour):
    """Relative luminance of an sRGB colour (published: WCAG 2.1, definition of relative luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(a, b):
    """Contrast ratio (published: WCAG 2.1): 1 to 21."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula_at_its_ends():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#ffffff", "#ffffff") == pytest.approx(1.0)


@pytest.mark.parametrize("name", ["INK", "SOFT", "SUSPECT", "REFERENCE", "SPARK", "FUEL"])
def test_words_in_each_colour_can_be_read(name):
    """4.5 : 1 is the least for text (published: WCAG 2.1, success criterion 1.4.3)."""
    assert contrast(getattr(draw_style, name), draw_style.PAPER) >= 4.5


def test_nothing_heavy_is_loaded_for_the_summary():
    code = (
        "import sys, witnessmark.report.terminal, witnessmark.report.analysis_json, witnessmark.report.html; "
        "print([m for m in ('matplotlib', 'jinja2', 'scipy', 'numba', 'pyarrow') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
