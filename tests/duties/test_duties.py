"""Duties by the clock: done again and again, never in the way."""

import threading
import time

from service.duties.workflow import Duties, Duty


def test_a_duty_that_fails_stops_no_other():
    done: list[str] = []
    enough = threading.Event()

    def fails() -> None:
        raise RuntimeError("no")

    def works() -> None:
        done.append("works")
        if len(done) >= 3:
            enough.set()

    duties = Duties(Duty("fails", fails), Duty("works", works), every_s=0.01)
    duties.start()
    assert enough.wait(10.0)
    duties.stop()
    count = len(done)
    time.sleep(0.05)
    assert len(done) == count


def test_what_is_to_be_done_at_the_end_is_done_once_more():
    done: list[str] = []
    duties = Duties(
        Duty("last", lambda: done.append("last"), at_the_end=True),
        Duty("other", lambda: done.append("other")),
    )
    duties.start()
    duties.stop()
    assert done[-1] == "last"
    assert done.count("other") == 1


def test_one_that_was_never_started_can_be_stopped():
    done: list[str] = []
    Duties(Duty("last", lambda: done.append("last"), at_the_end=True)).stop()
    assert done == ["last"]
