"""How a receiver's state is shown and logged."""

from __future__ import annotations

import structlog

from gateway.live import SinkState
from gateway.publish.sink import Sink


def test_logged_on_change_and_counted_always() -> None:
    sinks: dict[str, SinkState] = {}
    sink = Sink("mqtt", sinks)
    assert not sinks["mqtt"].connected
    with structlog.testing.capture_logs() as told:
        for reason in ("refused", "refused", "refused", "no answer"):
            sink.down(reason)
        sink.up()
        sink.up("3 refused lines set aside")
        sink.down("refused")
    assert [line.get("reason") for line in told] == ["refused", "no answer", None, "refused"]
    assert (sinks["mqtt"].failures, sinks["mqtt"].connected) == (5, False)


def test_no_secret_gets_out() -> None:
    sinks: dict[str, SinkState] = {}
    sink = Sink("mqtt", sinks, ("hunter-green", ""))
    with structlog.testing.capture_logs() as told:
        sink.down("bad password hunter-green at 127.0.0.1")
    assert sinks["mqtt"].reason == "bad password *** at 127.0.0.1"
    assert "hunter-green" not in str(told)


def test_numbers() -> None:
    sinks: dict[str, SinkState] = {}
    sink = Sink("influx", sinks)
    sink.sent(3)
    sink.sent(4)
    sink.waiting(9)
    state = sinks["influx"]
    assert (state.sent, state.waiting) == (7, 9)
    assert state.last_sent is not None
