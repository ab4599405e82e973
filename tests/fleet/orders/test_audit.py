"""The chain shows every change, and where."""

from __future__ import annotations

import random

from msgspec.structs import replace

from fleet.orders_audit import AuditRow, first_broken, next_row


def chain(count: int) -> list[AuditRow]:
    rows: list[AuditRow] = []
    for at in range(count):
        body = {"node": f"n{at}", "rev": at, "why": 'a "quoted"\nline'}
        rows.append(next_row(rows[-1] if rows else None, at=1764020001.25 + at, who="ann", what="seal", body=body))
    return rows


def spoiled(rows: list[AuditRow], dice: random.Random) -> tuple[list[AuditRow], int]:
    """One thing wrong, and the number of the first row that must be named."""
    at = dice.randrange(len(rows))
    kind = dice.choice(["who", "what", "body", "hash", "previous", "at", "drop", "swap", "twice", "cut"])
    if kind in ("who", "what", "body", "hash", "previous"):
        text = getattr(rows[at], kind)
        place = dice.randrange(len(text))
        other = chr(ord(text[place]) ^ 1) if kind not in ("hash", "previous") else "0123456789abcdef"[
            int(text[place], 16) ^ 1
        ]  # fmt: skip
        changed = replace(rows[at], **{kind: text[:place] + other + text[place + 1 :]})
        return [*rows[:at], changed, *rows[at + 1 :]], at + 1
    if kind == "at":
        return [*rows[:at], replace(rows[at], at=rows[at].at + 0.25), *rows[at + 1 :]], at + 1
    if kind == "drop":
        return [*rows[:at], *rows[at + 1 :]], at + 1 if at + 1 < len(rows) else len(rows)
    if kind == "swap":
        at = min(at, len(rows) - 2)
        return [*rows[:at], rows[at + 1], rows[at], *rows[at + 2 :]], at + 1
    if kind == "twice":
        return [*rows[: at + 1], *rows[at:]], at + 2
    return rows[:at], len(rows)


def test_a_chain_that_nobody_touched_holds() -> None:
    rows = chain(30)
    assert first_broken(rows, head=(30, rows[-1].hash)) is None
    assert first_broken([]) is None


def test_ten_thousand_mutations_are_found_and_located() -> None:
    """ASVS 16.4.2; IEC 62443-4-2 CR 2.12: flip, drop, swap, repeat or cut, each with the row named."""
    dice, rows = random.Random(5), chain(40)
    head = (len(rows), rows[-1].hash)
    for _ in range(10_000):
        bad, number = spoiled(rows, dice)
        said = first_broken(bad, head=head)
        assert said is not None
        assert f"row {number} " in said, (said, number)


def test_a_row_made_anew_with_its_hash_shows_at_the_next() -> None:
    rows = chain(5)
    forged = next_row(rows[1], at=rows[2].at, who="eve", what="seal", body={})
    assert first_broken([*rows[:2], forged, *rows[3:]]) == (
        "row 4 does not follow row 3: the hash it names is not that row's"
    )


def test_only_an_outside_copy_shows_a_chain_made_anew() -> None:
    rows, other = chain(5), chain(4)
    other.append(next_row(other[-1], at=1.0, who="eve", what="seal", body={}))
    assert first_broken(other) is None
    assert first_broken(other, head=(5, rows[-1].hash)) == "row 5 is not the one printed"
