"""`wakeledger watch`: the live table for a terminal. The look is read in a thread, keys are read here."""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from fleet.clock import monotonic_s, present_s
from fleet.errors import FleetError
from reports.live import LiveModel, LiveReader, by_need
from reports.watch_keys import Seat, matching, pressed
from reports.watch_view import COLUMNS, cells, page, page_rows

if TYPE_CHECKING:
    from reports.model import NodeLine

REFRESH_S = 2.0
KEY_WAIT_S = 0.5
ESCAPE_WAIT_S = 0.03


def print_once(model: LiveModel) -> None:
    """Every node as tab-separated lines, for a pipe."""
    now = present_s()
    rows = [COLUMNS, *(cells(line, model, now) for line in by_need(model))]
    for row in rows:
        sys.stdout.write("\t".join(text.replace("\t", " ") for text in row) + "\n")


class _Eye:
    """Reads the store again and again in a thread, so that keys never wait for it."""

    def __init__(self, reader: LiveReader, model: LiveModel) -> None:
        self.reader, self.model, self.trouble = reader, model, ""
        self.lines: list[NodeLine] = by_need(model)
        self.over = threading.Event()
        self.thread = threading.Thread(target=self._run, name="watch-reader", daemon=True)

    def _run(self) -> None:
        while not self.over.wait(REFRESH_S):
            try:
                model = self.reader.look()
            except FleetError as why:
                self.trouble = str(why)
                continue
            self.trouble = ""
            if model is not self.model:
                self.lines, self.model = by_need(model), model


def watch(reader: LiveReader) -> None:
    """The live view, until `q`."""
    from rich.console import Console
    from rich.live import Live

    console = Console()
    eye, seat = _Eye(reader, reader.look()), Seat()
    eye.thread.start()
    try:
        with _keys() as key_of, Live(console=console, screen=True, auto_refresh=False) as live:
            while not seat.left:
                shown = matching(eye.lines, seat.needle)
                size = console.size
                live.update(
                    page(eye.model, shown, seat, now_s=present_s(), width=size.width, height=size.height,
                         trouble=eye.trouble),
                    refresh=True,
                )  # fmt: skip
                key = key_of(REFRESH_S)
                if key:
                    seat = pressed(seat, key, shown, page_rows=page_rows(size.height))
    finally:
        eye.over.set()
        eye.thread.join(5.0)


@contextmanager
def _keys() -> Iterator[Any]:
    """A function that waits for one key; the terminal is put back at the end, whatever happens."""
    import termios
    import tty

    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    tty.setcbreak(fd)
    try:
        yield lambda wait_s: _one_key(fd, wait_s)
    finally:
        termios.tcsetattr(fd, termios.TCSADRAIN, before)


def _one_key(fd: int, wait_s: float) -> str:
    """One key or escape sequence; "" if none came in time."""
    until = monotonic_s() + wait_s
    if not select.select([fd], [], [], max(0.0, until - monotonic_s()))[0]:
        return ""
    data = os.read(fd, 1)
    if data == b"\x1b":
        while select.select([fd], [], [], ESCAPE_WAIT_S)[0] and len(data) < 8:
            data += os.read(fd, 1)
            if (data[-1:].isalpha() and data[-1:] != b"O") or data[-1:] == b"~":
                break
    elif data and data[0] >= 0xC0:
        data += os.read(fd, 1 if data[0] < 0xE0 else 2 if data[0] < 0xF0 else 3)
    return data.decode("utf-8", "replace")
