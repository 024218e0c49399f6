"""How the program tells what it does: lines for people on a terminal, JSON lines in a service.

Everything goes to standard error; standard output belongs to the commands.
"""

from __future__ import annotations

import logging
import re
import sys
from collections.abc import Mapping
from typing import Any, Literal

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

LIBRARIES = (
    "asyncio", "uvicorn", "pymodbus", "aiomqtt", "mqtt", "influxdb_client", "Rx", "bacpypes3"
)  # fmt: skip
"""Loggers of libraries that are heard from WARNING on, or not even then if they say so."""
HIDDEN = "(hidden)"

_SECRET_KEY = re.compile(r"(?i)password|passwd|passphrase|secret|token|credential|authorization")
_IN_ADDRESS = re.compile(r"(?<=://)([^\s/@:]*):[^\s/@]+@")


def configure(log_format: Literal["auto", "text", "json"], level: str) -> None:
    """Set up logging for the process; may be called again. auto: text on a terminal, else JSON."""
    text = log_format == "text" or (log_format == "auto" and sys.stderr.isatty())
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        hide_secrets,
    ]
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[structlog.stdlib.PositionalArgumentsFormatter(), *shared],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                *(_for_people() if text else _for_machines()),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
    logging.captureWarnings(capture=True)
    for name in LIBRARIES:
        library = logging.getLogger(name)
        library.setLevel(max(library.level, logging.WARNING))


def hide_secrets(logger: WrappedLogger, method: str, event: EventDict) -> EventDict:
    """A structlog processor: what a key calls a secret, and passwords in addresses, are hidden."""
    del logger, method
    return {key: _hidden(key, value) for key, value in event.items()}


def _hidden(key: str, value: Any) -> Any:
    if _SECRET_KEY.search(key):
        return HIDDEN if value else value
    if isinstance(value, Mapping):
        return {inner: _hidden(str(inner), item) for inner, item in value.items()}
    return without_password(value) if isinstance(value, str) else value


def without_password(text: str) -> str:
    """A text in which the passwords of addresses are hidden."""
    return _IN_ADDRESS.sub(rf"\1:{HIDDEN}@", text)


def _for_people() -> list[Processor]:
    return [
        structlog.dev.ConsoleRenderer(
            colors=sys.stderr.isatty(),
            # Others would print local variables, secrets among them.
            exception_formatter=structlog.dev.plain_traceback,
        )
    ]


def _for_machines() -> list[Processor]:
    unseen = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
    return [
        structlog.processors.ExceptionRenderer(unseen),
        structlog.processors.EventRenamer("message"),
        structlog.processors.JSONRenderer(ensure_ascii=False, default=str),
    ]
