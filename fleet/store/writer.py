"""The one writer of wake records: a batch is one transaction, and what it answers is true only after the commit."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.store.arrived import ArrivedAnswer, ArrivedRecord, LinkEvent, Unreadable, Written
from fleet.store.engine import Store


class Writer:
    """Keeps node ids, settings and running sequences in memory between batches. Not for several threads at once."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def write_batch(
        self,
        records: Sequence[ArrivedRecord],
        *,
        set_aside: Sequence[Unreadable] = (),
        answers: Sequence[ArrivedAnswer] = (),
        links: Sequence[LinkEvent] = (),
    ) -> Written:
        """Store everything in one transaction, in the order given; return after the commit.

        A record whose (node, boot, seq) is stored already is counted as a duplicate and changes nothing, whenever it
        comes back and whatever time it is believed to have now. Node names never seen are kept as unknown nodes.
        Touched node-days are marked dirty and `latest` follows, in the same transaction. After an exception nothing
        of the batch is stored: acknowledge nothing, keep the batch, call again.

        Raises
        ------
        StoreError
            If the database can't be written (full, locked, gone).
        """
        raise NotImplementedError

    def close(self) -> None:
        """Let go of the connection."""


def write_batch(
    store: Store,
    records: Sequence[ArrivedRecord],
    *,
    set_aside: Sequence[Unreadable] = (),
    answers: Sequence[ArrivedAnswer] = (),
    links: Sequence[LinkEvent] = (),
) -> Written:
    """One batch by a writer of its own; see `Writer.write_batch`."""
    writer = Writer(store)
    try:
        return writer.write_batch(records, set_aside=set_aside, answers=answers, links=links)
    finally:
        writer.close()
