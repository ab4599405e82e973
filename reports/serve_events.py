"""Server-sent events: one watcher of the store for all browsers, at most two messages a second to each."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Any

from fleet.clock import now_s
from fleet.errors import FleetError
from reports.live import LiveModel, LiveReader
from reports.live_views import strip

LOOK_EVERY_S = 0.5
BEAT_S = 15.0
CLIENTS = 200
QUEUE = 8
RETRY_MS = 3000


@dataclass
class Hub:
    """Who listens, and what they were told last."""

    reader: LiveReader
    queues: set[asyncio.Queue[str]] = field(default_factory=set)
    last: LiveModel | None = None
    trouble: str = ""

    async def run(self) -> None:
        """Look at the store as long as somebody listens; a store that can't be read is told, not fatal."""
        from starlette.concurrency import run_in_threadpool

        first = True
        while True:
            await asyncio.sleep(0 if first else LOOK_EVERY_S)
            if not self.queues and not first:
                continue
            try:
                first = False
                model = await run_in_threadpool(self.reader.look)
            except FleetError as why:
                if str(why) != self.trouble:
                    self.trouble = str(why)
                    self.tell(frame_of("trouble", "", {"text": self.trouble}))
                continue
            self.trouble = ""
            if self.last is not None and model.mark != self.last.mark:
                self.tell(frame_of("change", model.mark, changes(self.last, model)))
            self.last = model

    def tell(self, frame: str) -> None:
        """Put one message before every listener; a slow one loses its oldest."""
        for queue in self.queues:
            if queue.full():
                queue.get_nowait()
            queue.put_nowait(frame)

    async def listen(self) -> AsyncIterator[str]:
        """The messages for one browser, with a beat where nothing happens."""
        queue: asyncio.Queue[str] = asyncio.Queue(QUEUE)
        self.queues.add(queue)
        try:
            yield f"retry: {RETRY_MS}\n\n"
            while True:
                try:
                    yield await asyncio.wait_for(queue.get(), BEAT_S)
                except TimeoutError:
                    yield ": beat\n\n"
        finally:
            self.queues.discard(queue)


def changes(before: LiveModel, after: LiveModel) -> dict[str, Any]:
    """What differs between two looks: nodes heard since, whether the report was made anew, the strip."""
    heard = {
        node_id: now.heard
        for node_id, now in after.now.items()
        if now.heard is not None and (before.now.get(node_id) is None or before.now[node_id].heard != now.heard)
    }
    now = now_s()
    return {"heard": heard, "anew": before.report is not after.report, "now": now, "strip": strip(after, now)}


def frame_of(event: str, number: str, data: dict[str, Any]) -> str:
    """One message in the form of the stream; JSON holds no line break."""
    head = f"id: {number}\n" if number else ""
    return f"{head}event: {event}\ndata: {json.dumps(data, allow_nan=False)}\n\n"
