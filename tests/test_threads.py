"""Work shared out over threads: in order, once each, errors not lost, no pool within a pool."""

from __future__ import annotations

import threading

import pytest

from witnessmark import threads


@pytest.fixture(autouse=True)
def _four_cores(monkeypatch):
    monkeypatch.setattr(threads, "cores", lambda: 4)


def test_results_come_in_the_order_of_the_items():
    assert threads.each(lambda x: x * x, range(50)) == [x * x for x in range(50)]
    assert threads.each(lambda x: x, []) == []


def test_work_is_done_on_other_threads_and_within_one_of_them_by_a_plain_loop():
    outer = threads.each(lambda _: (threading.get_ident(), threads.each(lambda _: threading.get_ident(), "ab")), "cdef")
    assert threading.get_ident() not in {own for own, _ in outer}
    assert all(set(inner) == {own} for own, inner in outer)


def test_one_core_needs_no_thread(monkeypatch):
    monkeypatch.setattr(threads, "cores", lambda: 1)
    assert set(threads.each(lambda _: threading.get_ident(), "abc")) == {threading.get_ident()}


def test_an_error_comes_out():
    def refuse(x: int) -> int:
        if x > 2:
            raise ValueError(str(x))
        return x

    with pytest.raises(ValueError, match="3"):
        threads.each(refuse, range(6))


def test_no_thread_outlives_the_call():
    before = threading.active_count()
    threads.each(lambda x: x, range(8))
    assert threading.active_count() == before
