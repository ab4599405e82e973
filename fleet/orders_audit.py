"""The audit chain: each row's hash covers the row before it, so that a changed, dropped or cut row shows."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

import msgspec

START = "0" * 64


class AuditRow(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that was done: when [s since 1970 UTC], by whom, what, with its details as canonical JSON."""

    n: int
    at: float
    who: str
    what: str
    body: str
    previous: str
    hash: str


def hash_of(n: int, at: float, who: str, what: str, body: str, *, previous: str) -> str:
    """SHA-256 of the previous hash and the row's canonical bytes, in hex.

    Each text is preceded by its length, so that no two rows share their bytes.
    """
    parts = [str(n), repr(float(at)), who, what, body]
    canonical = b"".join(f"{len(raw)}:".encode() + raw for raw in (part.encode() for part in parts))
    return hashlib.sha256(bytes.fromhex(previous) + canonical).hexdigest()


def next_row(last: AuditRow | None, *, at: float, who: str, what: str, body: object) -> AuditRow:
    """The row that follows `last`; `body` is any value that JSON can hold."""
    n, previous = (1, START) if last is None else (last.n + 1, last.hash)
    text = msgspec.json.encode(body, order="sorted").decode()
    digest = hash_of(n, at, who, what, text, previous=previous)
    return AuditRow(n=n, at=at, who=who, what=what, body=text, previous=previous, hash=digest)


def first_broken(rows: Iterable[AuditRow], *, head: tuple[int, str] | None = None) -> str | None:
    """What is wrong with a chain, naming the first broken row; None if it holds.

    Parameters
    ----------
    head
        Number and hash of a row printed or published outside; only such a copy can show a tail that was cut.
    """
    previous, expected = START, 1
    seen = {0: START}
    for row in rows:
        if row.n != expected:
            return f"row {expected} is missing: row {row.n} follows row {expected - 1}"
        if row.previous != previous:
            return f"row {row.n} does not follow row {row.n - 1}: the hash it names is not that row's"
        if hash_of(row.n, row.at, row.who, row.what, row.body, previous=previous) != row.hash:
            return f"row {row.n} was changed: its content does not give its hash"
        previous, expected = row.hash, row.n + 1
        seen[row.n] = row.hash
    if head is not None and seen.get(head[0]) != head[1]:
        where = "is missing: the tail was cut" if head[0] >= expected else "is not the one printed"
        return f"row {head[0]} {where}"
    return None
