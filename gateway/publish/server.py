"""One connection to the time-series server: writing lines, and what its answers mean."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from types import SimpleNamespace
from typing import Any

import aiohttp
from influxdb_client.client.influxdb_client_async import InfluxDBClientAsync
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException

from gateway.settings import Settings

from .pace import LONGEST_S, Pace

FAULTY_RECORD = frozenset({400, 413, 422})
"""Answers that blame what was sent; every other one may pass (busy, no right, no bucket yet)."""

_RIGHT = "; allowed: a LOOPWITNESS_INFLUX_TOKEN that may write to this bucket"
HINTS = {
    401: _RIGHT,
    403: _RIGHT,
    404: "; are LOOPWITNESS_INFLUX_URL and the organisation and bucket that are set right?",
}
"""What to look at, by status."""


class Refused(Exception):  # noqa: N818 - an answer, handled where the batch is known
    """The server does not want these lines, now or later."""


class Unreachable(Exception):  # noqa: N818 - as above
    """The server cannot take anything at the moment."""


class Late(Unreachable):
    """The server did not answer in time; it may have the lines all the same."""


class Server:
    """Writes line protocol; counts the connections that it took."""

    def __init__(
        self, client: InfluxDBClientAsync, settings: Settings, trace: Trace, pace: Pace
    ) -> None:
        self._write = client.write_api().write
        self._bucket = settings.influx_bucket
        self._org = settings.influx_org
        self._trace = trace
        self.pace = pace

    @property
    def connections(self) -> int:
        """Connections opened so far: one more than before may mean that the server restarted."""
        return self._trace.opened

    async def write(self, lines: Sequence[str]) -> None:
        """Returns once the server said that it has them; else Refused, Late or Unreachable."""
        begun = time.monotonic()
        try:
            async with asyncio.timeout(self.pace.seconds):
                taken = await self._write(
                    bucket=self._bucket,
                    org=self._org,
                    record="\n".join(lines).encode(),
                    write_precision=WritePrecision.MS,  # type: ignore[arg-type] # declared as its own holder
                )
        except ApiException as error:
            text = f"HTTP status {error.status} {error.reason}{HINTS.get(error.status, '')}"
            raise (Refused if error.status in FAULTY_RECORD else Unreachable)(text) from None
        except TimeoutError:
            raise Late(f"no answer within {self.pace.seconds:g} s") from None
        except ValueError:  # of the address or, for what the library says, of its name
            raise Unreachable("influx_url is no address, or leads to what is none") from None
        except (aiohttp.ClientError, OSError) as error:
            raise Unreachable(str(error) or type(error).__name__) from None
        self.pace.answered(time.monotonic() - begun)
        if not taken:
            raise Unreachable("the answer is not that of a write: is influx_url right?")


class Trace:
    """Counts opened connections."""

    def __init__(self) -> None:
        self.opened = 0

    def session(self, **options: Any) -> aiohttp.ClientSession:
        """What the client library calls to make its session."""
        config = aiohttp.TraceConfig()
        config.on_connection_create_end.append(self._opened)
        return aiohttp.ClientSession(**{**options, "trace_configs": [config]})

    async def _opened(
        self,
        _session: aiohttp.ClientSession,
        _context: SimpleNamespace,
        _params: aiohttp.TraceConnectionCreateEndParams,
    ) -> None:
        self.opened += 1


@asynccontextmanager
async def server(settings: Settings, pace: Pace) -> AsyncIterator[Server]:
    """A client of the server in the settings; it connects with the first write."""
    trace = Trace()
    async with InfluxDBClientAsync(
        url=settings.influx_url,
        token=settings.influx_token.get_secret_value(),
        org=settings.influx_org,
        timeout=round(LONGEST_S * 1000),  # never before `pace` gives up
        enable_gzip=True,
        client_session_type=trace.session,
    ) as client:
        yield Server(client, settings, trace, pace)
