"""Patience: on a busy machine a simulated control unit may take longer than a real one may."""

from __future__ import annotations

import pytest

from witnessmark.scan import link


@pytest.fixture(scope="session", autouse=True)
def patience():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(link, "ANSWER_WITHIN_S", 2.0 * link.ANSWER_WITHIN_S)
        yield
