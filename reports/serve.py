"""`wakeledger serve`: the live page as a Starlette application, and the server under it."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from fleet.clock import now_s, now_utc, present_s
from reports.api import api_routes
from reports.live import LiveModel, LiveReader
from reports.live_intake import intake_view
from reports.live_node import node_view, readings_view
from reports.live_orders import orders_view
from reports.live_views import advice_view, changed_ids, due_view, visits_view, wall_view
from reports.model import NodeLine
from reports.serve_access import COOKIE, Access, token_of
from reports.serve_door import Door
from reports.serve_events import CLIENTS, Hub
from reports.serve_house import (
    House,
    environment,
    failed,
    form_of,
    guarded,
    house_of,
    look,
    may_post,
    page,
    session_of,
    with_cookie,
)
from reports.serve_push import push_routes

if TYPE_CHECKING:
    from starlette.requests import Request

ASSETS = {
    "live.css": ("static/live.css", "text/css; charset=utf-8"),
    "live.js": ("static/live.js", "text/javascript; charset=utf-8"),
    "regular.woff2": ("static/font/source-sans-3-latin-400-normal.woff2", "font/woff2"),
    "semibold.woff2": ("static/font/source-sans-3-latin-600-normal.woff2", "font/woff2"),
}
WRONG_TOKEN_WAIT_S = 1.0


def build_app(reader: LiveReader, access: Access) -> Starlette:
    """The application: views, stream, interface for programs; and pushes, unless it only looks."""
    routes = [
        Route("/", guarded(due)), Route("/wall", guarded(wall)), Route("/advice", guarded(advice)),
        Route("/orders", guarded(orders)), Route("/visits", guarded(visits)), Route("/intake", guarded(intake)),
        Route("/nodes/{node_id:int}", guarded(node)), Route("/nodes/{node_id:int}/readings", guarded(readings)),
        Route("/events", events), Route("/assets/{name}", asset),
        Route("/login", login_form), Route("/login", login, methods=["POST"]),
        Route("/logout", logout, methods=["POST"]), *api_routes(),
    ]  # fmt: skip
    if not access.look_only:
        routes += push_routes()
    app = Starlette(
        routes=routes, lifespan=_lifespan,
        middleware=[Middleware(Door, access=access), Middleware(GZipMiddleware, minimum_size=1000)],
        exception_handlers={HTTPException: _refused},
    )  # fmt: skip
    app.state.house = House(reader, access)
    app.state.hub = Hub(reader)
    return app


@asynccontextmanager
async def _lifespan(app: Starlette) -> AsyncIterator[None]:
    watcher = asyncio.create_task(app.state.hub.run())
    try:
        yield
    finally:
        watcher.cancel()
        with suppress(asyncio.CancelledError):
            await watcher


def _refused(request: Request, why: Exception) -> Response:
    status = why.status_code if isinstance(why, HTTPException) else 500
    text = why.detail if isinstance(why, HTTPException) else "Something failed here."
    headers = dict(why.headers or {}) if isinstance(why, HTTPException) else {}
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": text}, status, headers)
    response = failed(request, text, status)
    response.headers.update(headers)
    return response


def _page_number(request: Request) -> int:
    text = request.query_params.get("page", "1")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 7 else 1


def due(request: Request) -> Response:
    """Who needs a person, and when."""
    model, asked = look(request), request.query_params
    found = due_view(
        model, house_of(request).say, present_s(), page=_page_number(request),
        needle=asked.get("q", "")[:60], state=asked.get("state", "")[:10],
    )  # fmt: skip
    return page(request, "live_due.html", "due", model=model, found=found)


def wall(request: Request) -> Response:
    """Every node at once."""
    model = look(request)
    site = request.query_params.get("site", "")
    found = wall_view(model, house_of(request).say, site=site, changed_ids=changed_ids(model))
    return page(request, "live_wall.html", "wall", model=model, found=found)


def _line(request: Request, model: LiveModel) -> NodeLine:
    wanted = int(request.path_params["node_id"])
    line = next((line for line in model.report.nodes if line.node_id == wanted), None)
    if line is None:
        raise HTTPException(404, "No such node. It may be retired.")
    return line


def _moment(request: Request, name: str) -> float | None:
    text = request.query_params.get(name, "")
    return float(text) if text.isascii() and text.isdigit() and len(text) < 12 else None


def _readings(request: Request, model: LiveModel, line: NodeLine) -> dict[str, Any]:
    newest = model.heard(line) or model.report.as_of
    return readings_view(
        house_of(request).store, line, since=_moment(request, "since"), until=_moment(request, "until"),
        newest=newest + 1,
    )  # fmt: skip


def node(request: Request) -> Response:
    """One node."""
    house, model = house_of(request), look(request)
    line = _line(request, model)
    found = node_view(house.store, model, line, house.say, present_s())
    return page(
        request, "live_node.html", "node", model=model, found=found, readings=_readings(request, model, line)
    )  # fmt: skip


def readings(request: Request) -> Response:
    """The readings of one node alone, for zooming without loading the page again."""
    model = look(request)
    line = _line(request, model)
    html = environment().get_template("live_readings.html").render(
        node_id=line.node_id, readings=_readings(request, model, line)
    )  # fmt: skip
    return HTMLResponse(html)


def advice(request: Request) -> Response:
    """Settings worth changing."""
    from fleet.jobs.drafts import open_nodes

    house, model = house_of(request), look(request)
    drafted = {node_id for node_id, now in model.now.items() if now.order == "drafted"}
    busy = frozenset(open_nodes(house.store) | drafted)
    return page(request, "live_advice.html", "advice", model=model, found=advice_view(model, house.say, busy))


def orders(request: Request) -> Response:
    """What is on its way."""
    house, model = house_of(request), look(request)
    found = orders_view(house.store, house.reader.settings, model, now_at=now_utc())
    return page(request, "live_orders.html", "orders", model=model, found=found)


def visits(request: Request) -> Response:
    """What to load for a round."""
    model = look(request)
    return page(request, "live_visits.html", "visits", model=model, found=visits_view(model, house_of(request).say))


def intake(request: Request) -> Response:
    """Whether the evidence is sound."""
    house, model = house_of(request), look(request)
    found = intake_view(house.store, model, house.say, present_s())
    return page(request, "live_intake.html", "intake", model=model, found=found)


async def events(request: Request) -> Response:
    """The stream of changes."""
    if session_of(request) is None:
        return PlainTextResponse("A token is needed.\n", 401)
    hub: Hub = request.app.state.hub
    if len(hub.queues) >= CLIENTS:
        return PlainTextResponse("Too many listen.\n", 503)
    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return with_cookie(request, StreamingResponse(hub.listen(), media_type="text/event-stream", headers=headers))


@lru_cache(maxsize=8)
def _asset(name: str) -> tuple[bytes, str, str]:
    path, kind = ASSETS[name]
    data = resources.files("reports").joinpath(path).read_bytes()
    return data, kind, f'"{hashlib.sha256(data).hexdigest()[:20]}"'


def asset(request: Request) -> Response:
    """A style sheet, script or font; nothing in them is secret."""
    name = request.path_params["name"]
    if name not in ASSETS:
        raise HTTPException(404, "No such file.")
    data, kind, tag = _asset(name)
    headers = {"etag": tag, "cache-control": "max-age=3600"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(data, media_type=kind, headers=headers)


def login_form(request: Request) -> Response:
    """The field for a token."""
    if session_of(request) is not None:
        return with_cookie(request, RedirectResponse("/", 303))
    if house_of(request).access.proxy is not None:
        raise HTTPException(403, "The proxy did not say who you are.")
    return HTMLResponse(environment().get_template("live_login.html").render(wrong=False))


async def login(request: Request) -> Response:
    """Begin a session with a token; a wrong one costs a second."""
    may_post(request)
    house = house_of(request)
    given = next((value for key, value in await form_of(request) if key == "token"), "")
    token = token_of(house.access.tokens, given.strip())
    if token is None:
        await asyncio.sleep(WRONG_TOKEN_WAIT_S)
        return HTMLResponse(environment().get_template("live_login.html").render(wrong=True), 403)
    number, _ = house.sessions.begin(token.who, house.access.role(token.role), now_s())
    request.state.new_session = number
    return with_cookie(request, RedirectResponse("/", 303))


async def logout(request: Request) -> Response:
    """End a session."""
    may_post(request)
    house_of(request).sessions.end(request.cookies.get(COOKIE))
    response = RedirectResponse("/login", 303)
    response.delete_cookie(COOKIE, httponly=True, samesite="strict")
    return response


def run(app: Starlette, host: str, port: int) -> None:
    """Serve until stopped."""
    import uvicorn

    uvicorn.run(
        app, host=host, port=port, log_level="warning", access_log=False, proxy_headers=False, server_header=False,
        timeout_graceful_shutdown=2, h11_max_incomplete_event_size=65_536,
    )  # fmt: skip
