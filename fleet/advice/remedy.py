"""Which kind of remedy fits what was found: other settings, a visit, or neither."""

from __future__ import annotations

from enum import StrEnum

from fleet.words import FLAG_SENTENCE, Flag


class Remedy(StrEnum):
    """What to do about a node."""

    SETTINGS = "settings"
    VISIT = "visit"
    NONE = "none"


WANTS_VISIT = {
    Flag.SLEEP_LEAK: "look for moisture, a damaged part or firmware that leaves something switched on",
    Flag.WEAK_CELL: "fit a fresh set of cells, all of one kind and age; take exhausted cells out",
    Flag.BROWNOUTS: "check cells, contacts and wiring",
    Flag.CRASH_LOOP: "read out the node and renew its firmware",
    Flag.STUCK_READING: "check the sensor and its cable: no band can be judged on a reading that does not move",
    Flag.GONE_QUIET: "go and see: a silent node takes no order",
}


def remedy_of(flagged: set[str]) -> Remedy:
    """A visit where an open flag points at hardware, else settings.

    >>> remedy_of({"sleep_leak"}).value, remedy_of({"edge_chatter"}).value
    ('visit', 'settings')
    """
    return Remedy.VISIT if any(str(flag) in flagged for flag in WANTS_VISIT) else Remedy.SETTINGS


def visit_sentence(flagged: set[str]) -> str:
    """Why no setting would help, and what to look at there.

    >>> visit_sentence({"weak_cell"}).startswith("No setting would cure this: its battery holds less than was fitted;")
    True
    """
    flag = next(flag for flag in WANTS_VISIT if str(flag) in flagged)
    return f"No setting would cure this: {FLAG_SENTENCE[flag]}; {WANTS_VISIT[flag]}."
