"""What every request needs: the look, sessions, templates; who asks; how a view is answered."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl

from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from fleet.clock import now_s, present_s
from fleet.errors import FleetError
from reports.live import LiveModel, LiveReader
from reports.live_views import strip
from reports.model import STATES
from reports.say import Say, say
from reports.serve_access import COOKIE, Access, Role, Session, Sessions, same_origin
from reports.wall import state_mark

if TYPE_CHECKING:
    from starlette.requests import Request

    from fleet.store.engine import Store

VIEWS = (
    ("due", "/", "Due"), ("wall", "/wall", "Wall"), ("advice", "/advice", "Advice"), ("orders", "/orders", "Orders"),
    ("visits", "/visits", "Visits"), ("intake", "/intake", "Intake"),
)  # fmt: skip
LARGEST_FORM = 262_144
MOST_FIELDS = 20_000
USER_HEADER = "x-remote-user"


@dataclass(frozen=True)
class House:
    """One running page."""

    reader: LiveReader
    access: Access
    sessions: Sessions = field(default_factory=Sessions)

    @property
    def store(self) -> Store:
        """The store behind the look."""
        return self.reader.store

    @property
    def say(self) -> Say:
        """The page's words."""
        return say("en")


@lru_cache(maxsize=1)
def environment() -> Any:
    """The templates; every text put into them is escaped."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("reports", "templates"), autoescape=True, undefined=jinja2.StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


def house_of(request: Request) -> House:
    """The house a request came to."""
    house: House = request.app.state.house
    return house


def session_of(request: Request) -> Session | None:
    """Who asks; None where a token has to be given first. The named proxy's user header is taken as it is."""
    house = house_of(request)
    found = house.sessions.find(request.cookies.get(COOKIE), now_s())
    user = request.headers.get(USER_HEADER) if house.access.proxy is not None else None
    if house.access.proxy is not None and user is None:
        return None
    if found is not None and (user is None or found.who == user):
        return found
    if user is None and house.access.tokens:
        return None
    number, session = house.sessions.begin(user or house.access.who, house.access.role(Role.PUSH), now_s())
    request.state.new_session = number
    return session


def with_cookie(request: Request, response: Response) -> Response:
    """The answer with the cookie of a session begun by this request."""
    number = getattr(request.state, "new_session", None)
    if number is not None:
        response.set_cookie(COOKIE, number, httponly=True, samesite="strict", secure=request.url.scheme == "https")
    return response


def page(request: Request, template: str, view: str, **values: Any) -> Response:
    """One view, rendered."""
    house = house_of(request)
    session = session_of(request)
    if session is None:
        return RedirectResponse("/login", 303)
    model = values.pop("model", None) or house.reader.look()
    now = present_s()
    html = environment().get_template(template).render(
        view=view, views=VIEWS, strip=strip(model, now), now=now, session=session, marks=marks(),
        push=session.role is Role.PUSH, sign_out=bool(house.access.tokens),
        done=house.sessions.said.pop(session.csrf, ""),
        mark=model.mark, **values,
    )  # fmt: skip
    return with_cookie(request, _tagged(request, html))


def _tagged(request: Request, html: str) -> Response:
    tag = f'W/"{hashlib.sha256(html.encode()).hexdigest()[:20]}"'
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers={"etag": tag, "cache-control": "no-cache, private"})
    return HTMLResponse(html, headers={"etag": tag, "cache-control": "no-cache, private"})


@lru_cache(maxsize=1)
def marks() -> dict[str, Markup]:
    """The mark of every state as a small SVG."""
    return {
        state: Markup(
            '<svg class="mark" viewBox="-5 -5 10 10" width="12" height="12" aria-hidden="true">'
            + state_mark(state, 0, 0)
            + "</svg>"
        )
        for state in STATES
    }  # fmt: skip


def guarded(view: Callable[[Request], Response]) -> Callable[[Request], Response]:
    """The view behind the token, where there is one; what can't be done is said, not thrown."""

    def inside(request: Request) -> Response:
        session = session_of(request)
        if session is None:
            return RedirectResponse("/login", 303)
        request.state.session = session
        try:
            return with_cookie(request, view(request))
        except FleetError as why:
            return failed(request, str(why), 503 if why.exit_code == 4 else 409)

    return inside


def failed(request: Request, text: str, status: int) -> Response:
    """A page that says what went wrong."""
    html = environment().get_template("live_failed.html").render(text=text, status=status)
    return HTMLResponse(html, status)


async def form_of(request: Request) -> list[tuple[str, str]]:
    """The fields of a posted form.

    Raises
    ------
    HTTPException
        If it is too large or not a form.
    """
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > LARGEST_FORM:
            raise HTTPException(413, "The form is too large.")
    if request.headers.get("content-type", "").split(";")[0] != "application/x-www-form-urlencoded":
        raise HTTPException(415, "Expected a form.")
    try:
        return parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError as why:
        raise HTTPException(400, "The form can't be read.") from why


def may_post(request: Request) -> None:
    """Refuse what does not come from our own page.

    Raises
    ------
    HTTPException
        If it comes from elsewhere.
    """
    if not same_origin(request.headers):
        raise HTTPException(403, "This push did not come from the page itself. Nothing was done.")


def look(request: Request) -> LiveModel:
    """The present look."""
    return house_of(request).reader.look()
