"""One tool at a time works on orders: the lease that whoever seals, keeps or posts holds meanwhile."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from fleet.clock import monotonic_s, now_s
from fleet.errors import StoreError
from fleet.store.engine import Store
from fleet.store.lease import ORDERS, held

WAIT_S = 10.0
TRY_EVERY_S = 0.1


@contextmanager
def one_tool(store: Store, what: str, *, wait_s: float = WAIT_S) -> Iterator[None]:
    """Hold the lease on orders, waiting a little for who holds it now: each look of the listener is short.

    Raises
    ------
    StoreError
        If another process keeps it; the message names that process.
    """
    until_s = monotonic_s() + wait_s
    with ExitStack() as stack:
        while True:
            try:
                stack.enter_context(held(store, ORDERS, what=what, now_s=now_s))
                break
            except StoreError:
                if monotonic_s() >= until_s:
                    raise
                time.sleep(TRY_EVERY_S)
        yield
