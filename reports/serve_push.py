"""What the page may change: drafts, releases, holds, put-backs, swaps and notes. Each by whom, in the audit log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from hmac import compare_digest
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from fleet.clock import now_s, now_utc
from fleet.errors import FleetError, LimitError, SetupError
from reports.live import LiveModel
from reports.serve_access import Role, Session
from reports.serve_house import House, failed, form_of, house_of, may_post, session_of

if TYPE_CHECKING:
    from starlette.requests import Request

LONGEST_TEXT = 500


@dataclass(frozen=True)
class Asked:
    """One push that passed the door: the form, who sent it, and what they looked at."""

    house: House
    model: LiveModel
    session: Session
    fields: list[tuple[str, str]]

    def one(self, name: str) -> str:
        """The last value of a field; "" if it was not sent."""
        return next((value for key, value in reversed(self.fields) if key == name), "").strip()[:LONGEST_TEXT]

    def numbers(self, name: str) -> list[int]:
        """All values of a field that are whole numbers."""
        return [int(value) for key, value in self.fields if key == name and value.isascii() and value.isdigit()]

    def number(self, name: str) -> int:
        """One whole number.

        Raises
        ------
        SetupError
            If the field holds none.
        """
        found = self.numbers(name)
        if not found:
            raise SetupError(f"{name}: {self.one(name)!r} is not a whole number. Nothing was done.")
        return found[-1]

    def node(self) -> str:
        """The name of the node that the form is about.

        Raises
        ------
        SetupError
            If there is no such node.
        """
        wanted = self.number("node_id")
        line = next((line for line in self.model.report.nodes if line.node_id == wanted), None)
        if line is None:
            raise SetupError(f"node {wanted}: no such node. Nothing was done.")
        return line.node


Action = Callable[[Asked], tuple[str, str]]


def push(action: Action) -> Callable[[Request], Any]:
    """A POST: from our own page, by one who may push, with the session's token; answered by going back to a view."""

    async def endpoint(request: Request) -> Response:
        may_post(request)
        session = session_of(request)
        fields = await form_of(request)
        given = next((value for key, value in fields if key == "csrf"), "")
        if session is None or not compare_digest(session.csrf.encode(), given.encode()):
            raise HTTPException(403, "This form is from another session. Load the page again. Nothing was done.")
        if session.role is not Role.PUSH:
            raise HTTPException(403, "Looking only: this session may not push. Nothing was done.")
        house = house_of(request)
        try:
            back, done = await run_in_threadpool(lambda: action(Asked(house, house.reader.look(), session, fields)))
        except FleetError as why:
            return failed(request, str(why), 503 if why.exit_code == 4 else 409)
        house.sessions.said[session.csrf] = done
        return RedirectResponse(back, 303)

    return endpoint


def draft_advice(asked: Asked) -> tuple[str, str]:
    """Draft the advice of the ticked nodes."""
    from fleet.jobs.advice import draft_orders
    from fleet.store.findings import read_advice
    from fleet.store.results import advice_objects

    wanted = set(asked.numbers("node_id"))
    advice = read_advice(asked.house.store)
    rows = advice_objects(advice[advice["node_id"].isin(wanted)], asked.model.deployment.nodes)
    if not rows:
        raise SetupError("advice: no node was ticked. Nothing was drafted.")
    made = draft_orders(
        asked.house.store, asked.model.deployment, asked.house.reader.settings, rows,
        drafted_by=asked.session.who, now_at=now_utc(),
    )  # fmt: skip
    return "/orders", f"{made} drafted. Nothing has left yet."


def send(asked: Asked) -> tuple[str, str]:
    """Release the drafts in stages, once the number of nodes was typed."""
    from fleet.jobs.drafts import drafts
    from fleet.jobs.one_tool import one_tool
    from fleet.jobs.release import begin_release

    count = len(drafts(asked.house.store, asked.model.deployment))
    typed = asked.number("count")
    if typed != count:
        raise LimitError(f"send: {count} nodes would get an order, {typed} was typed. Nothing was sent.")
    with one_tool(asked.house.store, "wakeledger serve, send"):
        number = begin_release(
            asked.house.store, asked.model.deployment, asked.house.reader.settings,
            who=asked.session.who, now_at=now_utc(),
        )  # fmt: skip
    return "/orders", f"Release {number}: its first group is sealed. The listener posts it."


def hold(asked: Asked) -> tuple[str, str]:
    """Stop a release."""
    from fleet.jobs.release_step import hold as stop

    number = asked.number("release_id")
    why = asked.one("why") or "held on the page"
    if not stop(asked.house.store, number, why=why, who=asked.session.who, now_at=now_utc()):
        raise SetupError(f"release {number}: is not running. Nothing was done.")
    return "/orders", f"Release {number} is held. Nodes on trial fall back by themselves."


def withdraw(asked: Asked) -> tuple[str, str]:
    """Take back a draft, or an order that nobody has taken yet."""
    from fleet.jobs.release_step import withdraw as take
    from fleet.store.orders import read_order

    number = asked.number("order_id")
    row = read_order(asked.house.store, number)
    if row is None or row["state"] not in ("drafted", "sealed", "posted"):
        raise SetupError(f"order {number}: is no draft and no order on its way. Nothing was done.")
    if not take(asked.house.store, row, who=asked.session.who, now_at=now_utc()):
        raise SetupError(f"order {number}: has moved on meanwhile. Nothing was done.")
    return "/orders", f"Order {number} is taken back."


def put_back(asked: Asked) -> tuple[str, str]:
    """Draft the settings a node had before its last order, once 1 was typed."""
    from fleet.jobs.drafts import draft_former

    if asked.number("count") != 1:
        raise LimitError("put back: 1 node would get a draft; expected 1 to be typed. Nothing was drafted.")
    node = asked.node()
    draft_former(
        asked.house.store, asked.model.deployment, asked.house.reader.settings, node,
        drafted_by=asked.session.who, now_at=now_utc(),
    )  # fmt: skip
    return "/orders", f"{node}: its former settings are drafted. Send the draft to put them back."


def swap(asked: Asked) -> tuple[str, str]:
    """Tell that a battery was changed just now."""
    from fleet.store.setup import add_event

    node = asked.node()
    note = asked.one("note") or None
    at = now_s()
    number = add_event(
        asked.house.store, node, "swap", at_s=at, note=note, told_by=asked.session.who, told_at_s=at
    )  # fmt: skip
    return f"/nodes/{asked.number('node_id')}", f"Swap {number} is told. The next analysis starts anew from here."


def undo(asked: Asked) -> tuple[str, str]:
    """Take back something that was told of a node."""
    from fleet.store.for_live import events_of
    from fleet.store.setup import undo_event

    node_id, event_id = asked.number("node_id"), asked.number("event_id")
    if event_id not in {int(one["event_id"]) for one in events_of(asked.house.store, node_id)}:
        raise SetupError(f"event {event_id}: nothing of that number is told of this node. Nothing was done.")
    undo_event(asked.house.store, event_id)
    return f"/nodes/{node_id}", "Taken back."


def note(asked: Asked) -> tuple[str, str]:
    """Keep a note on a node."""
    from fleet.store.setup import add_note

    text = asked.one("text")
    if not text:
        raise SetupError("note: it is empty. Nothing was kept.")
    add_note(asked.house.store, asked.node(), text, told_by=asked.session.who, at_s=now_s())
    return f"/nodes/{asked.number('node_id')}", "Kept."


def push_routes() -> list[Route]:
    """The routes that change something; a page that only looks has none of them."""
    actions: dict[str, Action] = {
        "/push/draft": draft_advice, "/push/send": send, "/push/hold": hold, "/push/putback": put_back,
        "/push/withdraw": withdraw,
        "/push/swap": swap, "/push/undo": undo, "/push/note": note,
    }  # fmt: skip
    return [Route(path, push(action), methods=["POST"]) for path, action in actions.items()]
