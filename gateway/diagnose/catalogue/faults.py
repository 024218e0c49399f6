"""The whole catalogue, in the order in which causes come before consequences."""

from __future__ import annotations

from .entry import Entry
from .link import LINK
from .loop import LOOP
from .pair import PAIR
from .pneumatic import PNEUMATIC
from .setting import SETTING
from .transducer import TRANSDUCER
from .wire import WIRE

CATALOGUE: dict[str, Entry] = {
    entry.fault: entry for entry in (*LINK, *WIRE, *PNEUMATIC, *TRANSDUCER, *PAIR, *SETTING, *LOOP)
}
"""Fault identifier -> entry. A fault may be blocked only by faults before it."""
