"""What keys do to the terminal view. Pure: a state and a key in, a state out."""

from __future__ import annotations

from dataclasses import dataclass, replace

from reports.model import NodeLine

DOWN, UP = {"j", "\x1b[B", "\x1bOB"}, {"k", "\x1b[A", "\x1bOA"}
PAGE_DOWN, PAGE_UP = {"\x1b[6~", " ", "\x06"}, {"\x1b[5~", "b", "\x02"}
FIRST, LAST = {"g", "\x1b[H"}, {"G", "\x1b[F"}
ENTER, ERASE, CANCEL = {"\r", "\n"}, {"\x7f", "\b"}, {"\x1b"}
LONGEST = 60


@dataclass(frozen=True)
class Seat:
    """Where the person is: the row, the filter, whether it is being typed, and the node that is open."""

    row: int = 0
    needle: str = ""
    typing: bool = False
    opened: int | None = None
    left: bool = False


def pressed(seat: Seat, key: str, shown: list[NodeLine], *, page_rows: int) -> Seat:
    """The seat after one key.

    >>> pressed(Seat(), "q", [], page_rows=10).left
    True
    """
    if key == "\x03":
        return replace(seat, left=True)
    if seat.typing:
        return _typed(seat, key)
    if key == "q" and seat.opened is None:
        return replace(seat, left=True)
    if seat.opened is not None and (key in CANCEL or key == "q" or key in ERASE):
        return replace(seat, opened=None)
    if key == "/":
        return replace(seat, typing=True, needle="", row=0, opened=None)
    if key in CANCEL:
        return replace(seat, needle="", row=0)
    last = max(0, len(shown) - 1)
    row = _moved(min(seat.row, last), key, last, page_rows)
    if seat.opened is not None and row != seat.row and shown:
        return replace(seat, row=row, opened=shown[row].node_id)
    if key in ENTER and shown and seat.opened is None:
        return replace(seat, row=row, opened=shown[row].node_id)
    return replace(seat, row=row)


def _typed(seat: Seat, key: str) -> Seat:
    if key in ENTER:
        return replace(seat, typing=False)
    if key in CANCEL:
        return replace(seat, typing=False, needle="")
    if key in ERASE:
        return replace(seat, needle=seat.needle[:-1])
    if len(key) == 1 and key.isprintable() and len(seat.needle) < LONGEST:
        return replace(seat, needle=seat.needle + key, row=0)
    return seat


def _moved(row: int, key: str, last: int, page_rows: int) -> int:
    if key in FIRST:
        return 0
    if key in LAST:
        return last
    step = page_rows if key in PAGE_DOWN else -page_rows if key in PAGE_UP else (key in DOWN) - (key in UP)
    return min(last, max(0, row + step))


def matching(lines: list[NodeLine], needle: str) -> list[NodeLine]:
    """Lines whose node, site, state or a flag holds every word of the filter."""
    words = needle.lower().split()
    return [line for line in lines if all(word in _text(line) for word in words)] if words else lines


def _text(line: NodeLine) -> str:
    return f"{line.node} {line.site} {line.state} {' '.join(flag.flag for flag in line.flags)}".lower()
