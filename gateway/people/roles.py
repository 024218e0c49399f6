"""Which role may do what: the one place where that is said."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum


class Role(StrEnum):
    """From least to most; each may do what the ones before it may."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    TECHNICIAN = "technician"
    ADMINISTRATOR = "administrator"

    def covers(self, least: Role) -> bool:
        """Whether this is enough where `least` is asked for."""
        order = list(Role)
        return order.index(self) >= order.index(least)


DEEDS: Mapping[str, Role] = {
    "acknowledge": Role.OPERATOR,
    "reset": Role.OPERATOR,
    "shelve": Role.OPERATOR,
    "unshelve": Role.OPERATOR,
    "out-of-service": Role.TECHNICIAN,
    "back-in-service": Role.TECHNICIAN,
    "check": Role.TECHNICIAN,
    "relearn": Role.TECHNICIAN,
    "people": Role.ADMINISTRATOR,
}
"""Every deed with the least role that may do it."""


def deeds_of(role: Role | None) -> list[str]:
    """What a role may do; nothing without one."""
    return [deed for deed, least in DEEDS.items() if role is not None and role.covers(least)]
