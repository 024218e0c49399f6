"""Alarms about the gateway itself, and what else somebody should know while it goes on watching."""

from __future__ import annotations

from dataclasses import dataclass

from .transition import Priority

SUBJECT = "gateway"
"""What these alarms are about; there is only one."""
HISTORY, ASIDE = "history-not-recorded", "history-set-aside"
ARCHIVE, CLOCK = "archive-not-written", "clock-stepped"
OVERDUE = "checks-overdue"


@dataclass(frozen=True)
class Own:
    """One thing that may be wrong with the gateway; in words while it is."""

    message: str
    next_check: str
    priority: Priority


OWN: dict[str, Own] = {
    HISTORY: Own(
        "The history is not recorded",
        "Watching goes on, but nothing is kept. On this machine: is the disk full (df), read-only "
        "(mount) or failing (journalctl -k)? Make room, or repair it: what has happened since is "
        "written as soon as the disk takes it, rows of the last minutes too.",
        Priority.MEDIUM,
    ),
    ASIDE: Own(
        "A damaged history file was set aside, a new one was begun",
        "The damaged file lies beside the new one, nothing in it was deleted; sqlite3 FILE "
        ".recover gets out what can be read. Look for the cause: a failing disk or power "
        "(journalctl -k), a copy made while the gateway ran.",
        Priority.LOW,
    ),
    ARCHIVE: Own(
        "Old rows cannot be archived, so they stay in the history",
        "Is there room for the archive folder, and may the gateway write to it? The history grows "
        "until it can.",
        Priority.LOW,
    ),
    CLOCK: Own(
        "The clock of this machine was set",
        "Does this machine get its time from the network (timedatectl)? No row is lost or written "
        "over, but times of rows and alarms around this moment are not those of other clocks.",
        Priority.LOW,
    ),
    OVERDUE: Own(
        "Transducers are overdue for a check",
        "Check them against a reference (loopwitness loopcheck LOOP); `loopwitness record` lists "
        "what is due. How often stands in the site file, as check_every_days.",
        Priority.LOW,
    ),
}
"""By what is wrong, in the order in which they are listed."""
