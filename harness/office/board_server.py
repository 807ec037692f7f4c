"""Serves the office page: with the address's secret on this computer, with accounts beyond it; nothing is taken but
a name and a password.
"""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness.errors import HalfpowerError, shell_word
from harness.office import accounts
from harness.person import page_web
from harness.person.page_web import A_DAY_S, HEADERS, LOOPBACK, Access, Shown, Watching, body_of, file, refuse, serving

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

    from harness.office.accounts import Hashed

FILES: Final = Path(__file__).parent / "page_files"
_OPEN: Final = {"page.css": page_web.FILES, "icon.svg": page_web.FILES, "board.css": FILES, "enter.js": FILES}
_LET_IN: Final = {"board.js": FILES, "stream.js": page_web.FILES}
_LONGEST: Final = 2048  # bytes of a name and a password
_TRIES: Final = 5  # from one address in `_WITHIN_S`
_WITHIN_S: Final = 60.0
_MOST_SESSIONS: Final = 500
NO_ACCOUNT: Final = "Sign in again: this page does not know you any more."
WRONG: Final = "Name and password do not belong together."
TOO_OFTEN: Final = "Too many tries from this device; wait a minute, then try again."
ENDED: Final = "The office page is served no more; the benches go on. Start it again with 'halfpower board'."


@dataclass(slots=True, kw_only=True)
class Signed(Access):
    """Whoever has an account in a file, which is read at every request: one that is taken away is known no more."""

    path: Path
    now: Callable[[], float] = field(default=time.monotonic)
    _sessions: dict[str, tuple[str, Hashed, float]] = field(default_factory=dict)
    _tries: dict[str, list[float]] = field(default_factory=dict)

    @property
    def query(self) -> str:
        """Nothing: the address is no secret."""
        return ""

    def knows(self, token: str) -> bool:
        """Whether a cookie is of somebody who signed in within a day, and whose account stands as it was then."""
        session = self._sessions.get(token)
        if session is None:
            return False
        name, kept, until = session
        try:
            stands = accounts.read(self.path).get(name) == kept
        except HalfpowerError:
            return False
        if not stands or self.now() > until:
            self.leave(token)
            return False
        return True

    def may_try(self, client: str) -> bool:
        """Whether a device may try another password; the try is counted."""
        now = self.now()
        recent = [at for at in self._tries.get(client, ()) if now - at < _WITHIN_S]
        if len(recent) >= _TRIES:
            return False
        self._tries = {who: times for who, times in self._tries.items() if now - times[-1] < _WITHIN_S}
        self._tries[client] = [*recent, now]
        return True

    def enter(self, client: str, name: str, password: str) -> str | None:
        """A token for whoever has this name and password; raises ConfigError where the file cannot be read."""
        kept = accounts.read(self.path).get(name)
        if not (kept or accounts.NOBODYS).is_of(password) or kept is None:
            return None
        self._tries.pop(client, None)
        token = secrets.token_urlsafe(24)
        self._sessions[token] = name, kept, self.now() + A_DAY_S
        while len(self._sessions) > _MOST_SESSIONS:
            self.leave(next(iter(self._sessions)))
        return token

    def leave(self, token: str) -> None:
        """Forget a session."""
        self._sessions.pop(token, None)


def app(page: Shown, access: Access, watching: Watching) -> Starlette:
    """The page as an ASGI application."""
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import JSONResponse, Response
    from starlette.routing import Route

    signed = access if isinstance(access, Signed) else None

    def token_of(request: Request) -> str:
        return request.cookies.get(access.cookie, "")

    async def index(request: Request) -> Response:
        if signed is None:
            return access.welcome(file(FILES / "board.html"), access.token)
        return file(FILES / ("board.html" if signed.knows(token_of(request)) else "enter.html"))

    async def one_file(request: Request) -> Response:
        name = request.url.path[1:]
        return file((_OPEN | _LET_IN)[name] / name)

    async def events(request: Request) -> Response:
        token = token_of(request)
        return watching.stream(page, lambda: access.knows(token))

    async def enter(request: Request) -> Response:
        assert signed is not None
        body = await body_of(request, _LONGEST)
        try:
            sent = json.loads(body or b"")
            name, password = sent["name"], sent["password"]
            if not (isinstance(name, str) and isinstance(password, str) and len(password) <= accounts.LONGEST):
                raise TypeError
        except (ValueError, TypeError, KeyError, RecursionError):
            return refuse(400, WRONG)
        client = request.client.host if request.client else ""
        if not signed.may_try(client):
            return refuse(429, TOO_OFTEN)
        try:
            token = await run_in_threadpool(signed.enter, client, name, password)
        except HalfpowerError:
            return refuse(503, "The accounts cannot be read now; whoever started this page can tell why.")
        if token is None:
            return refuse(403, WRONG)
        return access.welcome(Response(status_code=204, headers=HEADERS), token)

    async def account(_request: Request) -> Response:
        return JSONResponse({"signed": signed is not None}, headers=HEADERS)

    async def leave(request: Request) -> Response:
        assert signed is not None
        signed.leave(token_of(request))
        response = Response(status_code=204, headers=HEADERS)
        response.delete_cookie(access.cookie, path="/")
        return response

    routes = [
        Route("/", access.guarded(index, enters=True, anybody=signed is not None)),
        *(Route(f"/{name}", access.guarded(one_file, anybody=signed is not None)) for name in _OPEN),
        *(Route(f"/{name}", access.guarded(one_file)) for name in _LET_IN),
        Route("/events", access.guarded(events)),
        Route("/account", access.guarded(account)),
    ]
    if signed is not None:
        routes += [
            Route("/enter", access.guarded(enter, anybody=True), methods=["POST"]),
            Route("/leave", access.guarded(leave), methods=["POST"]),
        ]
    return Starlette(routes=routes)


def served(page: Shown, where: str = LOOPBACK, account_file: Path | None = None) -> AbstractContextManager[str]:
    """Serve the page at HOST[:PORT] in a thread; gives its address. Beyond loopback it needs a file of accounts."""
    if account_file is None and not page_web.is_loopback(where):
        raise HalfpowerError(
            f"--page {where}: other computers would reach the page there, so it needs accounts: make some with "
            "'halfpower board --accounts office.json --add NAME', then name the file with --accounts. Without --page "
            "it is for this computer alone."
        )
    if account_file is not None and not accounts.read(account_file):
        raise HalfpowerError(
            f"{account_file}: has no account. This adds one: halfpower board --accounts {shell_word(account_file)} "
            "--add NAME"
        )

    def access(host: str, port: int) -> Access:
        return Access(host=host, port=port) if account_file is None else Signed(host=host, port=port, path=account_file)

    return serving(page, where, access, partial(app, page), ended=ENDED)
