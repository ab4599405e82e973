"""Who may see the page and who may push: tokens, sessions, the named proxy."""

from __future__ import annotations

import secrets
import stat
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from hmac import compare_digest
from ipaddress import ip_address
from pathlib import Path

from fleet.errors import SetupError

COOKIE = "wakeledger_session"
SESSION_S = 12 * 3600.0
SESSIONS = 1000
SHORTEST_TOKEN = 24


class Role(StrEnum):
    """What a person may do."""

    LOOK = "look"
    PUSH = "push"


@dataclass(frozen=True)
class Token:
    """One line of a token file."""

    role: Role
    who: str
    secret: str


@dataclass(frozen=True)
class Session:
    """One browser that was let in."""

    who: str
    role: Role
    csrf: str
    until_s: float


@dataclass(frozen=True)
class Access:
    """How the page is reached: `hosts` are the names it answers to, `who` the person it was started by."""

    who: str
    hosts: frozenset[str]
    tokens: tuple[Token, ...] = ()
    proxy: str | None = None
    look_only: bool = False

    def role(self, wanted: Role) -> Role:
        """The role a person gets."""
        return Role.LOOK if self.look_only else wanted


@dataclass
class Sessions:
    """Sessions by their secret; the oldest go where there are too many."""

    held: OrderedDict[str, Session] = field(default_factory=OrderedDict)
    said: dict[str, str] = field(default_factory=dict)
    """What a push did, by session, until its next page shows it."""

    def begin(self, who: str, role: Role, now_s: float) -> tuple[str, Session]:
        """A new session and its secret."""
        session = Session(who, role, secrets.token_urlsafe(24), now_s + SESSION_S)
        number = secrets.token_urlsafe(32)
        self.held[number] = session
        while len(self.held) > SESSIONS:
            self._forget(next(iter(self.held)))
        return number, session

    def find(self, number: str | None, now_s: float) -> Session | None:
        """The session of a secret, unless it has ended."""
        found = self.held.get(number) if number else None
        if found is not None and found.until_s <= now_s:
            self._forget(number or "")
            return None
        return found

    def end(self, number: str | None) -> None:
        """Forget a session."""
        self._forget(number or "")

    def _forget(self, number: str) -> None:
        gone = self.held.pop(number, None)
        if gone is not None:
            self.said.pop(gone.csrf, None)


def read_tokens(path: Path) -> tuple[Token, ...]:
    """Tokens of a file: one `role name token` a line, readable by its owner only.

    Raises
    ------
    SetupError
        If the file is missing, open to others, or a line can't be read.
    """
    if not path.is_file():
        raise SetupError(
            f"{path}: no such file; expected lines `push NAME TOKEN`. Make one with `wakeledger serve -h`."
        )
    if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise SetupError(f"{path}: others may read it; expected mode 0600. Run `chmod 600 {path}`.")
    found = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        words = line.split()
        if len(words) != 3 or words[0] not in tuple(Role) or len(words[2]) < SHORTEST_TOKEN:
            raise SetupError(
                f"{path}:{number}: expected `look NAME TOKEN` or `push NAME TOKEN`, the token at least "
                f"{SHORTEST_TOKEN} characters. `openssl rand -hex 32` makes one."
            )
        found.append(Token(Role(words[0]), words[1], words[2]))
    if not found:
        raise SetupError(f"{path}: no token in it; expected at least one line `look NAME TOKEN`.")
    return tuple(found)


def token_of(tokens: tuple[Token, ...], given: str) -> Token | None:
    """The token that was given; every one is compared, in constant time each."""
    match = None
    for token in tokens:
        if compare_digest(token.secret.encode(), given.encode()):
            match = token
    return match


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches an address.

    >>> [is_loopback(host) for host in ("127.0.0.1", "::1", "localhost", "0.0.0.0", "van.example")]
    [True, True, True, False, False]
    """
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def check_bind(host: str, *, tokens: bool, proxy: bool) -> None:
    """Refuse an address that others reach, where nothing guards it.

    Raises
    ------
    SetupError
        If the address is not loopback and neither tokens nor a proxy are given.
    """
    if not is_loopback(host) and not tokens and not proxy:
        raise SetupError(
            f"--host {host}: others can reach it; expected --token-file FILE or --behind-proxy ADDRESS with it. "
            "From afar, an SSH tunnel to 127.0.0.1 needs neither."
        )


def host_names(host: str, more: tuple[str, ...]) -> frozenset[str]:
    """Names that the Host header may hold, without port."""
    return frozenset({"127.0.0.1", "localhost", "[::1]", f"[{host}]" if ":" in host else host, *more})


def same_origin(headers: Mapping[str, str]) -> bool:
    """Whether a push comes from our own page: the browser says so, and Origin names the host asked for."""
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = headers.get("origin", "")
    return origin.split("://", 1)[-1] == headers.get("host", "") and "://" in origin
