"""Which kind of remedy fits what was found: other settings, a visit, or neither."""

from __future__ import annotations

from fleet.words import FLAG_SENTENCE, Flag

SETTINGS, VISIT, NONE = "settings", "visit", "none"
"""What to do about a node."""

WANTS_VISIT = {
    Flag.SLEEP_LEAK: "look for moisture, a damaged part or firmware that leaves something switched on",
    Flag.WEAK_CELL: "fit a fresh set of cells, all of one kind and age; take exhausted cells out",
    Flag.BROWNOUTS: "check cells, contacts and wiring",
    Flag.CRASH_LOOP: "read out the node and renew its firmware",
    Flag.STUCK_READING: "check the sensor and its cable: no band can be judged on a reading that does not move",
    Flag.GONE_QUIET: "go and see: a silent node takes no order",
}


def remedy_of(flagged: set[str]) -> str:
    """A visit where an open flag points at hardware, else settings.

    >>> remedy_of({"sleep_leak"}), remedy_of({"edge_chatter"})
    ('visit', 'settings')
    """
    return VISIT if any(str(flag) in flagged for flag in WANTS_VISIT) else SETTINGS


def visit_sentence(flagged: set[str]) -> str:
    """Why no setting would help, and what to look at there.

    >>> visit_sentence({"weak_cell"}).startswith("No setting would cure this: its battery holds less than was fitted;")
    True
    """
    flag = next(flag for flag in WANTS_VISIT if str(flag) in flagged)
    return f"No setting would cure this: {FLAG_SENTENCE[flag]}; {WANTS_VISIT[flag]}."
