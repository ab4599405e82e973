"""/metrics (Prometheus text), /healthz (alive) and /readyz (broker and database), on loopback."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from fleet.clock import monotonic_s
from fleet.errors import SetupError
from ingest.listen import Tally

STALE_S = 30.0
"""A loop that did not turn for so long is not alive."""


def metrics_text(tally: Tally, database: Path | None, now_s: float) -> str:
    """The counters, in the text format that Prometheus reads."""
    values: list[tuple[str, str, str, float]] = [
        ("messages_received_total", "counter", "messages that came from the broker", tally.received_count),
        ("records_stored_total", "counter", "wake records committed", tally.stored_count),
        ("records_repeated_total", "counter", "wake records that were stored already", tally.duplicate_count),
        ("payloads_set_aside_total", "counter", "payloads or elements that could not be read", tally.set_aside_count),
        ("batches_total", "counter", "transactions committed", tally.batch_count),
        ("store_errors_total", "counter", "transactions that failed and were tried again", tally.store_errors_count),
        ("messages_waiting", "gauge", "messages received and not committed", tally.waiting_count),
        ("broker_link_up", "gauge", "1 while subscribed", float(tally.link_ready)),
        ("store_up", "gauge", "1 while the last transaction went well", float(tally.store_ready)),
    ]
    if tally.last_commit_s is not None:
        age_s = now_s - tally.last_commit_s
        values.append(("last_commit_age_seconds", "gauge", "time since the last commit", age_s))
    if database is not None and database.exists():
        values.append(("database_bytes", "gauge", "size of the database file", database.stat().st_size))
    lines = []
    for name, kind, text, value in values:
        full = f"wakeledger_{name}"
        lines += [f"# HELP {full} {text}", f"# TYPE {full} {kind}", f"{full} {value:g}"]
    return "\n".join(lines) + "\n"


def is_alive(tally: Tally, now_s: float) -> bool:
    """True while the loop turns."""
    return not tally.stopped and now_s - tally.last_turn_s < STALE_S


def is_ready(tally: Tally) -> bool:
    """True while messages can be received and stored."""
    return tally.link_ready and tally.store_ready and not tally.stopped


@contextmanager
def served(port: int | None, tally: Tally, database: Path | None) -> Iterator[int | None]:
    """Serve metrics and health while the block runs; port 0 takes a free one. None serves nothing.

    Raises
    ------
    SetupError
        If the port is taken.
    """
    if port is None:
        yield None
        return
    answers: dict[str, Callable[[], tuple[int, str]]] = {
        "/metrics": lambda: (200, metrics_text(tally, database, monotonic_s())),
        "/healthz": lambda: _said(is_alive(tally, monotonic_s()), "alive", "the loop does not turn"),
        "/readyz": lambda: _said(is_ready(tally), "ready", tally.last_problem or "not connected yet"),
    }
    try:
        server = ThreadingHTTPServer(("127.0.0.1", port), _handler(answers))
    except OSError as why:
        raise SetupError(f"ingest.metrics_port {port}: {why.strerror}. Choose another port.") from why
    thread = threading.Thread(target=server.serve_forever, name="metrics", daemon=True)
    thread.start()
    try:
        yield int(server.server_address[1])
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def _said(well: bool, good: str, bad: str) -> tuple[int, str]:
    return (200, good + "\n") if well else (503, bad + "\n")


def _handler(answers: dict[str, Callable[[], tuple[int, str]]]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        """Answers the three paths and nothing else."""

        def do_GET(self) -> None:  # the name is the library's
            status, text = answers.get(self.path, lambda: (404, "only /metrics, /healthz, /readyz\n"))()
            body = text.encode()
            self.send_response(status)
            self.send_header("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing: a probe every few seconds is no news."""

    return Handler
