"""Passwords: what is one, and how it is kept: as an argon2id hash with its own salt."""

from __future__ import annotations

import unicodedata
from functools import cached_property

from argon2 import Parameters, PasswordHasher, profiles
from argon2.exceptions import InvalidHashError, VerificationError

from .names import same

LEAST, MOST = 15, 128
"""Characters. The least where there is no second factor, and the most no lower than 64 so that a
sentence can be one: OWASP Authentication Cheat Sheet, which cites NIST SP 800-63B-4. No rules on
kinds of characters, and no end date: the same."""
DIFFERENT = 5
"""Least different characters (our own choice): "aaaaaaaaaaaaaaa" is no password."""
COST = profiles.RFC_9106_LOW_MEMORY
"""argon2id, 3 passes over 64 MiB, 4 lanes, salt of 128 bits, tag of 256: the second recommended
option of RFC 9106, section 4; above the least of the OWASP Password Storage Cheat Sheet (2 passes
over 19 MiB). A fifth of a second on two small cores."""


def checked(password: str, name: str = "") -> str:
    """The password in one spelling of its letters (NFC); ValueError says what is allowed."""
    password = unicodedata.normalize("NFC", password)
    if not LEAST <= len(password) <= MOST:
        raise ValueError(
            f"{len(password)} characters; allowed: {LEAST} to {MOST}, a sentence for example"
        )
    if len(set(password)) < DIFFERENT or (name and same(password) == same(name)):
        raise ValueError(f"easily guessed; allowed: not the name, {DIFFERENT} different characters")
    return password


class Passwords:
    """Makes and compares hashes; `cost` is another in tests only. Slow on purpose: in a thread."""

    def __init__(self, cost: Parameters = COST) -> None:
        self._hasher = PasswordHasher.from_parameters(cost)

    def hash(self, password: str) -> str:
        """What is kept of a password."""
        return self._hasher.hash(password)

    def fits(self, kept: str | None, password: str) -> bool:
        """Whether this is the password; without one (None) it takes as long to say no."""
        nobodys = self._nobodys  # at the first call, whoever it is about
        try:
            text = unicodedata.normalize("NFC", password)
            right = self._hasher.verify(kept or nobodys, text)
        except (VerificationError, InvalidHashError):
            return False
        return right and kept is not None

    @cached_property
    def _nobodys(self) -> str:
        return self._hasher.hash("of nobody")
