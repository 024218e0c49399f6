"""Large answers: made, written as JSON and packed in a thread, so that nothing waits for them."""

from __future__ import annotations

import gzip
from collections.abc import Callable

from fastapi import Request, Response
from pydantic import BaseModel

from .past import ask

LEAST = 1000
"""Bytes from which on packing is worth while."""
LEVEL = 5


async def packed(request: Request, make: Callable[[], BaseModel]) -> Response:
    """What `make` gives in a thread, packed where the asker can unpack it.

    RefusalError (503) when the history cannot be read.
    """
    unpacks = "gzip" in request.headers.get("accept-encoding", "")

    def body() -> tuple[bytes, dict[str, str]]:
        text = make().model_dump_json().encode()
        if not unpacks or len(text) < LEAST:
            return text, {}
        return gzip.compress(text, LEVEL), {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"}

    content, headers = await ask(body)
    return Response(content, media_type="application/json", headers=headers)
