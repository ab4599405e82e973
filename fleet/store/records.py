"""Wake records in and out. Writing: open one `Writer` and give it batches; reading: frames, or blocks for a roll-up."""

from __future__ import annotations

from fleet.store.arrived import ArrivedAnswer, ArrivedRecord, LinkEvent, Unreadable, Written
from fleet.store.reading import read_hists, read_records, read_settings, record_blocks
from fleet.store.writer import Writer, write_batch

__all__ = [
    "ArrivedAnswer",
    "ArrivedRecord",
    "LinkEvent",
    "Unreadable",
    "Writer",
    "Written",
    "read_hists",
    "read_records",
    "read_settings",
    "record_blocks",
    "write_batch",
]
