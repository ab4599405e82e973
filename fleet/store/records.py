"""Wake records in and out. Writing: open one `Writer` and give it batches; reading: frames in blocks."""

from __future__ import annotations

from fleet.store.arrived import ArrivedAnswer, ArrivedRecord, LinkEvent, Unreadable, Written
from fleet.store.writer import Writer, write_batch

__all__ = ["ArrivedAnswer", "ArrivedRecord", "LinkEvent", "Unreadable", "Writer", "Written", "write_batch"]
