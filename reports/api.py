"""The interface for programs: results as JSON with ETags and paging, health, readiness, metrics, its description."""

from __future__ import annotations

from collections.abc import Callable
from hmac import compare_digest
from typing import TYPE_CHECKING, Any

import msgspec
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from fleet import __version__
from fleet.clock import now_s, present_s
from fleet.errors import FleetError
from fleet.show import iso, plain
from reports.api_document import document
from reports.live import is_stale
from reports.model import STATES
from reports.serve_access import COOKIE, token_of
from reports.serve_house import USER_HEADER, house_of

if TYPE_CHECKING:
    from starlette.requests import Request

LIMIT, MOST = 200, 1000


def may_read(request: Request) -> bool:
    """Whether a program may look: by a token, a session, the named proxy, or because no token is asked for."""
    house = house_of(request)
    if house.access.proxy is not None:
        return USER_HEADER in request.headers
    if not house.access.tokens or house.sessions.find(request.cookies.get(COOKIE), now_s()) is not None:
        return True
    scheme, _, given = request.headers.get("authorization", "").partition(" ")
    return compare_digest(scheme.lower().encode(), b"bearer") and token_of(house.access.tokens, given) is not None


def answered(read: Callable[[Request], Any]) -> Callable[[Request], Response]:
    """JSON of what `read` gives, with the look's mark as ETag; 304 where the caller has it."""

    def endpoint(request: Request) -> Response:
        if not may_read(request):
            return JSONResponse(
                {"error": "A token is needed: Authorization: Bearer TOKEN."}, 401, {"www-authenticate": "Bearer"}
            )  # fmt: skip
        try:
            tag = f'"{house_of(request).reader.look().mark}"'
            if request.headers.get("if-none-match") == tag:
                return Response(status_code=304, headers={"etag": tag})
            body = msgspec.json.encode(read(request))
        except HTTPException as why:
            return JSONResponse({"error": why.detail}, why.status_code)
        except FleetError as why:
            return JSONResponse({"error": str(why)}, 503 if why.exit_code == 4 else 409)
        headers = {"etag": tag, "cache-control": "no-cache, private"}
        return Response(body, media_type="application/json", headers=headers)

    return endpoint


def _results(request: Request) -> list[dict[str, Any]]:
    """The results of every node by name, read once per change."""
    from fleet.store.findings import read_results

    mark = house_of(request).reader.look().mark
    held: tuple[str, list[dict[str, Any]]] | None = getattr(request.app.state, "results", None)
    if held is None or held[0] != mark:
        found = [plain(one) for one in read_results(house_of(request).store)]
        held = (mark, sorted(found, key=lambda one: str(one["node"])))
        request.app.state.results = held
    return held[1]


def _limit(request: Request) -> int:
    text = request.query_params.get("limit", str(LIMIT))
    if not (text.isascii() and text.isdigit() and len(text) < 6 and 1 <= int(text) <= MOST):
        raise HTTPException(400, f"limit: {text[:20]!r}; expected a whole number from 1 to {MOST}.")
    return int(text)


def nodes(request: Request) -> dict[str, Any]:
    """One page of results, by node name."""
    limit, after = _limit(request), request.query_params.get("after", "")
    found = [one for one in _results(request) if str(one["node"]) > after]
    page = found[:limit]
    more = str(page[-1]["node"]) if len(found) > limit else None
    return {"schema": "wakeledger.nodes/1", "nodes": page, "next_after": more}


def node(request: Request) -> dict[str, Any]:
    """The result of one node."""
    name = request.path_params["node"]
    found = next((one for one in _results(request) if one["node"] == name), None)
    if found is None:
        raise HTTPException(404, "No result for such a node.")
    return found


def report(request: Request) -> Any:
    """The report's model as it stands now."""
    return house_of(request).reader.look().report


def orders(request: Request) -> dict[str, Any]:
    """Orders, newest first, a page at a time by their number."""
    from fleet.jobs.drafts import named
    from fleet.store.orders import read_orders
    from fleet.store.results import rows_of

    limit, before = _limit(request), request.query_params.get("before")
    if before is not None and not (before.isascii() and before.isdigit() and len(before) < 19):
        raise HTTPException(400, f"before: {before[:20]!r}; expected a whole number.")
    house = house_of(request)
    rows = rows_of(named(read_orders(house.store), house.reader.look().deployment))[::-1]
    rows = [row for row in rows if before is None or int(row["order_id"]) < int(before)]
    page = [_order(row) for row in rows[:limit]]
    more = page[-1]["order_id"] if len(rows) > limit else None
    return {"schema": "wakeledger.orders/1", "orders": page, "next_before": more}


def _order(row: dict[str, Any]) -> dict[str, Any]:
    told = {key: plain(value) for key, value in row.items() if key not in ("word", "before", "predicted")}
    return told | {name: iso(plain(row[name])) for name in ("state_at", "issued", "until")}


def openapi(request: Request) -> Response:
    """This interface's description."""
    return JSONResponse(document(__version__))


def healthz(request: Request) -> Response:
    """Alive."""
    return PlainTextResponse("ok\n")


def readyz(request: Request) -> Response:
    """Whether the database answers."""
    try:
        model = house_of(request).reader.look()
    except FleetError:
        return PlainTextResponse("the database does not answer\n", 503)
    stale = " (judged long ago)" if is_stale(model, present_s()) else ""
    return PlainTextResponse(f"ready{stale}\n")


def metrics(request: Request) -> Response:
    """Counts for Prometheus; nothing per node."""
    if not may_read(request):
        return PlainTextResponse("A token is needed.\n", 401, {"www-authenticate": "Bearer"})
    try:
        model = house_of(request).reader.look()
    except FleetError:
        return PlainTextResponse("# the database does not answer\n", 503)
    lines = ["# HELP wakeledger_nodes Nodes by state.", "# TYPE wakeledger_nodes gauge"]
    lines += [f'wakeledger_nodes{{state="{state}"}} {model.report.by_state.get(state, 0)}' for state in STATES]
    counts: dict[str, int] = {}
    for now in model.now.values():
        if now.order is not None:
            counts[now.order] = counts.get(now.order, 0) + 1
    lines += ["# HELP wakeledger_newest_orders Nodes by the state of their newest order."]
    lines += ["# TYPE wakeledger_newest_orders gauge"]
    lines += [f'wakeledger_newest_orders{{state="{state}"}} {count}' for state, count in sorted(counts.items())]
    for name, value, text in (
        ("last_heard", model.last_heard, "When a node was heard last."),
        ("last_analysis", model.analysed, "When the fleet was judged last."),
    ):
        if value is not None:
            full = f"wakeledger_{name}_timestamp_seconds"
            lines += [f"# HELP {full} {text}", f"# TYPE {full} gauge", f"{full} {value:.3f}"]
    return PlainTextResponse("\n".join(lines) + "\n", media_type="text/plain; version=0.0.4")


def api_routes() -> list[Route]:
    """All routes for programs."""
    return [
        Route("/api/v1/nodes", answered(nodes)), Route("/api/v1/nodes/{node}", answered(node)),
        Route("/api/v1/report", answered(report)), Route("/api/v1/orders", answered(orders)),
        Route("/api/openapi.json", openapi), Route("/healthz", healthz), Route("/readyz", readyz),
        Route("/metrics", metrics),
    ]  # fmt: skip
