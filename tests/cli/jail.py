"""What the unit file forbids, put on by hand: `python jail.py PROGRAM ...`.

System calls outside the unit's groups, memory that is writable and executable, and sockets of
other families fail with EPERM, as systemd has it with SystemCallFilter, MemoryDenyWriteExecute and
RestrictAddressFamilies. Needs libseccomp and systemd-analyze.
"""

from __future__ import annotations

import ctypes
import errno
import os
import subprocess
import sys
from functools import lru_cache

ALLOW, ERRNO = 0x7FFF0000, 0x00050000
MASKED, EQUAL = 7, 4
WRITE, EXECUTE, SHM_EXEC = 2, 4, 0o100000
NO_NEW_PRIVILEGES = 38
FAMILIES = (1, 2, 10)
"""AF_UNIX, AF_INET, AF_INET6."""
ARGUMENTS = {
    "mmap": [[(2, EXECUTE, 0)], [(2, WRITE | EXECUTE, EXECUTE)]],
    "mprotect": [[(2, EXECUTE, 0)]],
    "pkey_mprotect": [[(2, EXECUTE, 0)]],
    "shmat": [[(2, SHM_EXEC, 0)]],
}
"""Allowed when all of (argument, mask, value) hold in one of the lists."""


class Comparison(ctypes.Structure):
    """struct scmp_arg_cmp of seccomp.h."""

    _fields_ = (
        ("arg", ctypes.c_uint), ("op", ctypes.c_int),
        ("datum_a", ctypes.c_uint64), ("datum_b", ctypes.c_uint64),
    )  # fmt: skip


@lru_cache
def group(name: str) -> frozenset[str]:
    """The system calls of one of systemd's groups."""
    said = subprocess.run(
        ["systemd-analyze", "--no-pager", "syscall-filter", name],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    found: set[str] = set()
    for line in map(str.strip, said.splitlines()[1:]):
        if line.startswith("@"):
            found |= group(line)
        elif line and not line.startswith("#"):
            found.add(line)
    return frozenset(found)


def put_on(allowed: frozenset[str]) -> None:
    """Forbid everything else to this process and what it starts."""
    library = ctypes.CDLL("libseccomp.so.2")
    library.seccomp_init.restype = ctypes.c_void_p
    rules = ctypes.c_void_p(library.seccomp_init(ERRNO | errno.EPERM))

    def allow(name: str, tests: list[tuple[int, int, int, int]]) -> None:
        number = library.seccomp_syscall_resolve_name(name.encode())
        if number >= 0:
            table = (Comparison * len(tests))(*(Comparison(*test) for test in tests))
            assert library.seccomp_rule_add_array(rules, ALLOW, number, len(tests), table) == 0

    for name in allowed - set(ARGUMENTS) - {"socket"}:
        allow(name, [])
    for name, choices in ARGUMENTS.items():
        for tests in choices:
            allow(name, [(arg, MASKED, mask, value) for arg, mask, value in tests])
    for family in FAMILIES:
        allow("socket", [(0, EQUAL, family, 0)])
    assert ctypes.CDLL(None).prctl(NO_NEW_PRIVILEGES, 1, 0, 0, 0) == 0
    assert library.seccomp_load(rules) == 0


if __name__ == "__main__":
    put_on(group("@system-service") - group("@privileged") - group("@resources"))
    os.execv(sys.argv[1], sys.argv[1:])  # noqa: S606 - no shell is wanted
