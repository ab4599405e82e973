"""Two SQLite libraries must not have one file open in one process: closing it in one drops the locks of the other.

(The file locks of POSIX belong to the process; see "how to corrupt", section 2.2, in SQLite's own documents.)
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager


class Guard:
    """Counts our connections to one file in this process, and lends it to the other library while none is open."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._count = 0
        self._lent_to: int | None = None

    @contextmanager
    def ours(self) -> Iterator[None]:
        """For the life of a connection of ours; waits while the file is lent to another thread.

        Raises
        ------
        RuntimeError
            If this very thread reads through the other library: it would wait for itself.
        """
        with self._changed:
            if self._lent_to == threading.get_ident():
                raise RuntimeError("a connection was opened inside an Arrow read: finish the read first")
            self._changed.wait_for(lambda: self._lent_to is None)
            self._count += 1
        try:
            yield
        finally:
            with self._changed:
                self._count -= 1
                self._changed.notify_all()

    @contextmanager
    def lent(self) -> Iterator[bool]:
        """Lend the file if nobody holds it; False if a connection is open, then read by one of ours."""
        with self._changed:
            free = self._count == 0 and self._lent_to is None
            if free:
                self._lent_to = threading.get_ident()
        try:
            yield free
        finally:
            if free:
                with self._changed:
                    self._lent_to = None
                    self._changed.notify_all()


_guards: dict[str, Guard] = {}
_lock = threading.Lock()


def guard_of(place: str) -> Guard:
    """The guard of one file, the same for every store that opens it."""
    with _lock:
        return _guards.setdefault(place, Guard())
