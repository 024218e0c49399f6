"""An export in a process of its own, for the pages: an order on standard input, rows on output.

So that no export, however long, takes time from the rows of this second; when the reader of the
output goes away, or the gateway does, it ends by itself.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress

from gateway import logs
from gateway.errors import LoopwitnessError

from .export import export_stream
from .job import Job

NICE = 10
"""Lets the gateway go first."""
BROKEN_PIPE = 1


def main() -> int:
    """Do the job; the exit code. What cannot be is a line on standard error."""
    logs.configure("text", "error")
    with suppress(OSError):
        os.nice(NICE)
    job = Job.model_validate_json(sys.stdin.buffer.read())
    try:
        export_stream(job.site, job.order, job.store, sys.stdout.buffer, parquet=job.parquet)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        # Whoever reads has gone: so that nothing is said of it when the process ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BROKEN_PIPE
    except (LoopwitnessError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return getattr(error, "exit_code", 1)
    return 0


if __name__ == "__main__":
    sys.exit(main())
