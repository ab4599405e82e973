"""The error tree. A command prints a FleetError as one line; anything else with its traceback.

FleetError
├── SetupError        a profile, node list, visit list or settings file is wrong
├── MessageError      a payload can't be read as what its topic promises; carries a reason code
├── StoreError        the database can't be opened, is of another version, or is held by another process
├── BrokerError       the broker can't be reached or refuses us
├── EstimateError     values that can't belong together
├── OrderError        an order that may not be made, sealed or moved
│   └── LimitError    a limit forbids it; an override needs a reason and a second person
└── ReportError       a report can't be made
"""

from __future__ import annotations


class FleetError(Exception):
    """Base of all errors that a person can act on: where, what, which value, what was expected, what to do next."""

    exit_code = 1


class SetupError(FleetError):
    """A set-up file is wrong."""

    exit_code = 2


class MessageError(FleetError):
    """A payload that is not what its topic promises.

    Parameters
    ----------
    reason
        Short code kept beside the payload, from `fleet.words.SetAsideReason`.
    """

    def __init__(self, message: str, reason: str = "not_valid") -> None:
        super().__init__(message)
        self.reason = reason


class StoreError(FleetError):
    """The database can't be used."""

    exit_code = 4


class BrokerError(FleetError):
    """The broker can't be used."""

    exit_code = 4


class EstimateError(FleetError):
    """Values that can't belong together."""


class OrderError(FleetError):
    """An order that may not be made, sealed or moved."""

    exit_code = 5


class LimitError(OrderError):
    """A limit forbids this order."""


class ReportError(FleetError):
    """A report can't be made."""
