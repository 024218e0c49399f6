"""Host names become addresses, in threads of their own.

The system's resolver blocks its thread: where a name server is silent, for ten seconds and more,
long after whoever asked has given up. In the threads that all of the program shares, a few
controllers named by name would make pages and publishers wait that long.
"""

from __future__ import annotations

import asyncio
import socket
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from ipaddress import ip_address

LOOKUPS = 4
"""At once; more wait for their turn."""

_THREADS = ThreadPoolExecutor(LOOKUPS, thread_name_prefix="names")


async def addresses(host: str, port: int) -> list[str]:
    """Addresses of a name, best first, as of now; an address is its own.

    OSError when it has none (socket.gaierror), UnicodeError when it cannot be a name.
    """
    try:
        ip_address(host)
    except ValueError:
        pass
    else:
        return [host]
    ask = partial(socket.getaddrinfo, host, port, type=socket.SOCK_STREAM)
    found = await asyncio.get_running_loop().run_in_executor(_THREADS, ask)
    return list(dict.fromkeys(str(place[0]) for *_, place in found))
