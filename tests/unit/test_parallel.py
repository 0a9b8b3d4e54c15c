from __future__ import annotations

import threading

import cv2
import pytest

from lampwalk import parallel


def test_order_is_kept_and_threads_are_used():
    meeting = threading.Barrier(2, timeout=10)

    def wait(i):
        if i < 2:
            meeting.wait()  # passes only if two items run at once
        return i

    with parallel.limited(2):
        assert parallel.each(wait, range(5)) == [0, 1, 2, 3, 4]
        assert cv2.getNumThreads() == 1


def test_one_thread_is_no_thread():
    with parallel.limited(1):
        assert set(parallel.each(lambda _: threading.current_thread(), range(3))) == {threading.current_thread()}


def test_an_error_comes_through_and_the_setting_is_restored():
    before = cv2.getNumThreads()
    with pytest.raises(ZeroDivisionError), parallel.limited(2):
        parallel.each(lambda i: 1 // i, [1, 0, 1])
    assert cv2.getNumThreads() == before


def test_an_error_of_a_job_beside_the_block_is_raised_at_its_end():
    done = []

    def block():
        with parallel.aside() as aside:
            aside(lambda: 1 / 0)
            done.append(aside(lambda: 2).result())

    with pytest.raises(ZeroDivisionError):
        block()
    assert done == [2]


def test_after_an_error_in_the_block_no_further_job_begins():
    begun, go_on = [], threading.Event()

    def block():
        with parallel.aside() as aside:
            aside(lambda: go_on.wait(10))
            aside(lambda: begun.append(1))
            threading.Timer(0.2, go_on.set).start()
            raise KeyError("of the block")

    with pytest.raises(KeyError, match="of the block"):
        block()
    assert begun == []


def test_a_job_that_was_cancelled_is_no_error():
    go_on = threading.Event()
    with parallel.aside() as aside:
        aside(lambda: go_on.wait(10))
        waiting = aside(lambda: 1 / 0)
        assert waiting.cancel()
        go_on.set()


def test_what_is_in_use_is_lent_to_nobody_else_and_is_made_once():
    made = []
    lent = parallel.Lent(lambda: made.append(object()) or made[-1])
    with lent.one() as one, lent.one() as other:
        assert one is not other
    with lent.one() as again:
        assert again in (one, other)
    assert len(made) == 2


def test_a_round_begins_while_the_last_item_of_the_one_before_is_still_at_work():
    may_end, done = threading.Event(), []

    def slow_last(item):
        if item == 1:
            assert may_end.wait(10)
        done.append(("first", item))

    def second(item):
        done.append(("second", item))
        if item == 0:
            may_end.set()

    with parallel.limited(2), parallel.rounds([0, 1]) as begin:
        begin(slow_last)
        begin(second)
    assert done[:2] == [("first", 0), ("second", 0)]
    assert done[2:] == [("first", 1), ("second", 1)]


@pytest.mark.parametrize("threads", [1, 2])
def test_an_error_in_a_round_comes_through(threads):
    def fail(item):
        raise KeyError(item)

    def two_rounds():
        with parallel.limited(threads), parallel.rounds([0, 1, 2]) as begin:
            begin(fail)
            begin(lambda _: None)

    with pytest.raises(KeyError):
        two_rounds()
