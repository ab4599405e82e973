"""One word for one thing: wake causes, flags, order states, where a time came from, and the sentence shown for each."""

from __future__ import annotations

from enum import IntEnum, StrEnum


class Cause(IntEnum):
    """Why a main processor woke; the number is stored, the name in lower case is on the wire."""

    TIMER = 0
    BAND_LOW = 1
    BAND_HIGH = 2
    COUNT = 3
    PIN = 4
    TOUCH = 5
    POWER_ON = 6
    BROWNOUT = 7
    WATCHDOG = 8
    CRASH = 9
    OTHER = 10

    @property
    def word(self) -> str:
        """The word on the wire and in results."""
        return self.name.lower()


CAUSE_OF_WORD = {cause.word: cause for cause in Cause if cause is not Cause.OTHER}
BAND_CAUSES = (Cause.BAND_LOW, Cause.BAND_HIGH)
RESET_CAUSES = (Cause.POWER_ON, Cause.BROWNOUT, Cause.WATCHDOG, Cause.CRASH)


class TimeFrom(IntEnum):
    """Where the time of a record came from, best first."""

    CLOCK = 0
    ARRIVAL_LESS_LATE = 1
    UPTIME = 2
    ARRIVAL = 3


class SetAsideReason(StrEnum):
    """Why a payload was set aside."""

    NOT_JSON = "not_json"
    NOT_VALID = "not_valid"
    TOO_LARGE = "too_large"
    TOO_DEEP = "too_deep"
    BAD_TOPIC = "bad_topic"
    NO_MAPPING = "no_mapping"
    BAD_LINE = "bad_line"


class Flag(StrEnum):
    """What can be wrong with a node."""

    WAKES_OFTEN = "wakes_often"
    DRAINS_FAST = "drains_fast"
    SLEEP_LEAK = "sleep_leak"
    WEAK_CELL = "weak_cell"
    EDGE_CHATTER = "edge_chatter"
    RADIO_STRUGGLE = "radio_struggle"
    BROWNOUTS = "brownouts"
    CRASH_LOOP = "crash_loop"
    STUCK_READING = "stuck_reading"
    CLOCK_WRONG = "clock_wrong"
    GONE_QUIET = "gone_quiet"
    RECORDS_MISSING = "records_missing"
    COLD_RISK = "cold_risk"
    SWAP_SEEN = "swap_seen"
    IDS_CROSSED = "ids_crossed"
    ORDER_UNANSWERED = "order_unanswered"
    ORDER_WORSE = "order_worse"
    UNLIKE_PEERS = "unlike_peers"


FLAG_SENTENCE = {
    Flag.WAKES_OFTEN: "wakes more often than its past, its like or its life target allows",
    Flag.DRAINS_FAST: "its battery loses more than the charge budget explains",
    Flag.SLEEP_LEAK: "its sleep current has risen",
    Flag.WEAK_CELL: "its battery holds less than was fitted",
    Flag.EDGE_CHATTER: "a threshold sits inside the noise or the daily swing of its reading",
    Flag.RADIO_STRUGGLE: "a bad link costs it charge",
    Flag.BROWNOUTS: "its supply collapses under load",
    Flag.CRASH_LOOP: "its firmware restarts again and again",
    Flag.STUCK_READING: "its sensor no longer moves or sits at its rail",
    Flag.CLOCK_WRONG: "its clock can't be believed",
    Flag.GONE_QUIET: "it has been silent for longer than its interval and link history allow",
    Flag.RECORDS_MISSING: "many of its records never arrive",
    Flag.COLD_RISK: "it will brown out at the cold to come",
    Flag.SWAP_SEEN: "its battery was changed and nobody said so",
    Flag.IDS_CROSSED: "it seems to have changed places with another node",
    Flag.ORDER_UNANSWERED: "it has not taken an order in time",
    Flag.ORDER_WORSE: "things got worse after an order",
    Flag.UNLIKE_PEERS: "it behaves unlike its peers",
}


class OrderState(StrEnum):
    """The life of an order."""

    DRAFTED = "drafted"
    SEALED = "sealed"
    POSTED = "posted"
    ON_TRIAL = "on_trial"
    IN_FORCE = "in_force"
    REFUSED = "refused"
    LAPSED = "lapsed"
    OVERTAKEN = "overtaken"
    UNSURE = "unsure"
    LOST = "lost"
    PUT_BACK = "put_back"


class EventKind(StrEnum):
    """What a person told about a node."""

    VISIT = "visit"
    SWAP = "swap"
    MOVED = "moved"
    RETIRED = "retired"


ODDS_WORDS = (
    (0.90, "will last"),
    (0.60, "should last"),
    (0.40, "may or may not last"),
    (0.10, "will probably not last"),
)
"""Lower edge of the odds, and the words from there up; below the last edge it 'will not last'."""
