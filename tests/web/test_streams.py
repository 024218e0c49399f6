"""Pieces of a packed stream: each may follow any other, and is small."""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import AsyncIterator

import pytest

from gateway.web import streams
from gateway.web.app import make_app
from gateway.web.overview import Asked, Overview, OverviewView
from gateway.web.streams import BEGIN_PACKED, HELLO, Streams, block, event, events

from .archive import START
from .feeder import Feeder
from .large import large

GZIP = 16 + zlib.MAX_WBITS


def test_pieces_in_any_order_and_again() -> None:
    first, second = block(event(b'{"a": 1}')), block(event(300 * b"x"))
    unpacking = zlib.decompressobj(GZIP)
    seen = unpacking.decompress(BEGIN_PACKED)
    for piece in (second, first, second, second):
        seen = unpacking.decompress(piece)
        assert seen == event(300 * b"x" if piece is second else b'{"a": 1}')
    assert not unpacking.eof


@pytest.mark.slow
def test_a_second_of_a_thousand_loops_is_small() -> None:
    feeder = Feeder(large(1000), clock=lambda: START + 0.5)
    feeder.row(START)
    app = make_app(feeder.live, feeder.past(), clock=lambda: START + 0.5)
    overview: Overview = app.state.sources.overview
    view: OverviewView = overview.view(Asked())
    assert len(view.rows) == 30
    assert len(block(event(view.model_dump_json().encode()))) < 4000
    loop = app.state.sources.moments.loop("loop-0500")
    assert len(block(event(loop.model_dump_json().encode()))) < 1500


async def test_plain_for_who_cannot_unpack(feeder: Feeder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streams, "GAP_S", 0.01)

    async def state() -> bytes:
        return event(b"{}")

    stream: AsyncIterator[bytes] = events(feeder.live, state, Streams())
    async with asyncio.timeout(5):
        assert [await anext(stream), await anext(stream)] == [HELLO, b"event: state\ndata: {}\n\n"]
