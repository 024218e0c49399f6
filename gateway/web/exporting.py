"""Exports over HTTP: made by a process of their own, streamed, and ended when the reader leaves."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Literal, TypeAlias
from urllib.parse import urlencode

import structlog
from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response, StreamingResponse
from starlette.types import Message, Receive, Scope, Send

from gateway.errors import Fault, StartError
from gateway.export.export import description
from gateway.export.job import Job
from gateway.export.order import KINDS, Names, Order, OrderError, ordered
from gateway.export.parquettable import check_parquet
from gateway.export.unnamed import unnamed
from gateway.record.history import reader

from .past import ask
from .refusals import RefusalError, answer, documented
from .sources import FromApp, Sources
from .trends import TIMES

MOST = 2
"""Exports at a time."""
CHUNK = 1 << 16
CSV, PARQUET = "text/csv; charset=utf-8; header=present", "application/vnd.apache.parquet"
CSVW = "application/csvm+json"
NAMES = Names("query.rows", "query.loop", "query.transducer", "query.from", "query.to")

router = APIRouter(tags=["history"])
log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Asked:
    """An order and how it was asked for."""

    order: Order
    parquet: bool
    query: str


def asked(
    sources: FromApp,
    request: Request,
    rows: Annotated[str, Query(description=f"{', '.join(KINDS)}.")] = "readings",
    kind: Annotated[Literal["csv", "parquet"], Query(alias="format")] = "csv",
    loop: Annotated[
        list[str] | None, Query(description="Only this loop and its transducers; repeat it.")
    ] = None,
    transducer: Annotated[
        list[str] | None, Query(description="Only this transducer; repeat it.")
    ] = None,
    start: Annotated[str | None, Query(alias="from", description=TIMES)] = None,
    end: Annotated[str | None, Query(alias="to", description=f"{TIMES}; not included")] = None,
) -> Asked:
    """What an address asks for; empty parts, as a form sends them, count as left out."""
    try:
        order = ordered(
            sources.live.site, rows, _given(loop), _given(transducer), start or None, end or None,
            NAMES,
        )  # fmt: skip
        if kind == "parquet":
            check_parquet("format=parquet")
    except OrderError as error:
        raise RefusalError(404 if error.unknown else 422, error.fault) from None
    except StartError as error:
        raise RefusalError(422, Fault("query.format", str(error), "csv")) from None
    kept = [pair for pair in request.query_params.multi_items() if pair[1]]
    return Asked(order, kind == "parquet", urlencode(kept))


def _given(words: list[str] | None) -> list[str]:
    return [word for word in words or [] if word]


async def left_out(sources: Sources) -> tuple[str, ...]:
    """What the history holds and the site file does not name; nothing when it cannot be read."""
    file, site = sources.past.file, sources.live.site
    if file is None or not file.is_file():
        return ()

    def names() -> tuple[str, ...]:
        with reader(file) as connection:
            return unnamed(connection, site, ordered(site, "hours"))

    with suppress(RefusalError):
        return await ask(names)
    return ()


FromAddress: TypeAlias = Annotated[Asked, Depends(asked)]
"""A route's parameter of this type is filled in from the address."""


@router.get(
    "/export",
    response_class=Response,
    responses={
        200: {
            "description": "Rows as they were recorded, streamed. Of CSV the header `Link` names "
            "what describes its columns.",
            "content": {"text/csv": {}, PARQUET: {}},
        },
        **documented(404, 422, 503),
    },
)
async def export(sources: FromApp, wanted: FromAddress) -> Response:
    """Recorded rows as CSV or Parquet, for other tools.

    rows: `readings` (value, quality and reason of every series), `scans` (register values, for
    `loopwitness replay`), `minutes`, `hours` (count, mean, lowest, highest, standard deviation,
    worst quality), `journal`. Without loops and transducers: all of the site.
    """
    if sources.exports.open >= MOST:
        fault = Fault("export", f"{MOST} exports already", "a later try, when one has ended")
        raise RefusalError(503, fault)
    if sources.past.file is None or not sources.past.file.is_file():
        raise RefusalError(503, Fault("history", "no file to export from", "a later try"))
    return _Export(sources, wanted)


@router.get(
    "/export/metadata",
    response_class=Response,
    responses={
        200: {"description": "CSV on the Web.", "content": {CSVW: {}}},
        **documented(404, 422),
    },
)
async def metadata(sources: FromApp, wanted: FromAddress) -> Response:
    """What describes the CSV of the same address: columns, units, words, and the site."""
    address = f"../export?{wanted.query}"
    text = description(sources.live.site, wanted.order, address)
    return Response(text, media_type=CSVW)


class _Export(Response):
    """Streams what the process says; refuses when it says nothing."""

    def __init__(self, sources: Sources, wanted: Asked) -> None:
        super().__init__()
        self._sources, self._wanted, self._broken = sources, wanted, False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One answer. However it ends, the process has ended then."""
        self._sources.exports.open += 1
        try:
            async with _at_work(self._job()) as process:
                assert process.stdout is not None  # noqa: S101 - it was started with a pipe
                first = await process.stdout.read(CHUNK)
                reply: Response = (
                    StreamingResponse(
                        self._rows(process, first),
                        media_type=PARQUET if self._wanted.parquet else CSV,
                        headers=self._about(),
                    )
                    if first
                    else answer(503, [Fault("history", await _said(process), "a later try")])
                )
                await reply(scope, receive, self._unless_broken(send))
        finally:
            self._sources.exports.open -= 1

    def _unless_broken(self, send: Send) -> Send:
        """Without its end an answer breaks off, so that nobody takes half of it for the whole."""

        async def sent(message: Message) -> None:
            if not self._broken or message.get("more_body"):
                await send(message)

        return sent

    async def _rows(
        self, process: asyncio.subprocess.Process, first: bytes
    ) -> AsyncIterator[bytes]:
        assert process.stdout is not None  # noqa: S101 - it was started with a pipe
        yield first
        while chunk := await process.stdout.read(CHUNK):
            yield chunk
        if await process.wait() != 0:
            self._broken = True
            log.warning("an export broke off", reason=await _said(process))

    def _job(self) -> Job:
        store = self._sources.past.file
        assert store is not None  # noqa: S101 - looked at before
        wanted = self._wanted
        return Job(
            site=self._sources.live.site, order=wanted.order, store=store, parquet=wanted.parquet
        )

    def _about(self) -> dict[str, str]:
        site, ending = self._sources.live.site.site.id, "parquet" if self._wanted.parquet else "csv"
        stamp = datetime.fromtimestamp(self._sources.clock(), UTC).strftime("%Y%m%dT%H%M%SZ")
        name = f"{site}-{self._wanted.order.rows}-{stamp}.{ending}"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        if not self._wanted.parquet:
            address = f"export/metadata?{self._wanted.query}"
            headers["Link"] = f'<{address}>; rel="describedby"; type="{CSVW}"'
        return headers


@asynccontextmanager
async def _at_work(job: Job) -> AsyncIterator[asyncio.subprocess.Process]:
    """The process that does a job, while it lasts; killed when it has not ended by then."""
    process = await asyncio.create_subprocess_exec(
        # -P: nothing is imported from the working folder.
        sys.executable, "-P", "-m", "gateway.export",
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stdin is not None  # noqa: S101 - it was started with a pipe
        with suppress(ConnectionError):
            process.stdin.write(job.model_dump_json().encode())
            await process.stdin.drain()
        process.stdin.close()
        yield process
    finally:
        if process.returncode is None:
            with suppress(ProcessLookupError):
                os.kill(process.pid, signal.SIGKILL)
        await process.communicate()


async def _said(process: asyncio.subprocess.Process) -> str:
    """Why it ended."""
    assert process.stderr is not None  # noqa: S101 - it was started with a pipe
    lines = (await process.stderr.read()).decode(errors="replace").split("\n")
    return next((line for line in reversed(lines) if line), "it ended without a word")
