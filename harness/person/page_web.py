"""What every page is served with: one address, whoever is let in there, and nothing but the page.

The secret comes in the address once and is exchanged for a cookie. Beside the secret every request must name this
server as its host, and what is sent must come from a page of this server: so no other page that a browser has open can
send anything, and no name that is made to lead here is served.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import escape
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, TypeAlias

from harness.errors import HalfpowerError
from harness.words.language import ENGLISH, code, speaking, tr, tr_later

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

LOOPBACK: Final = "127.0.0.1"
FILES: Final = Path(__file__).parent / "page_files"
KINDS: Final = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
HEADERS: Final = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
A_DAY_S: Final = 86400
_BEAT_S: Final = 3.0
_MOST_CONNECTIONS: Final = 64
_STARTED_WITHIN_S: Final = 10.0
NO_SECRET: Final = tr_later("This page needs the whole address that the terminal shows, or its code scanned anew.")
OTHER_HOST: Final = tr_later("This is served under the address that the terminal shows, and under no other.")
ELSEWHERE: Final = tr_later("This did not come from the page itself, and was not taken.")

Handler: TypeAlias = "Callable[[Request], Awaitable[Response]]"


class Shown(Protocol):
    """What a page shows, and whether it has come to its end."""

    @property
    def ended(self) -> str:
        """What it ended with; empty before."""

    def tells(self, whom: Callable[[], None]) -> None:
        """Who is told of every change, in whichever thread it was made."""

    def state(self) -> str:
        """What is to be seen, as JSON."""

    def end(self, sentence: str) -> None:
        """Show nothing more but this."""


@dataclass(slots=True, kw_only=True)
class Access:
    """Who is let in, and by which address."""

    host: str  # as it was asked for
    port: int
    secret: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))  # what the secret is exchanged for

    @property
    def cookie(self) -> str:
        """Its name: a browser keeps one jar for all ports of a host."""
        return f"halfpower_{self.port}"

    @property
    def query(self) -> str:
        """What follows the address of whoever is to be let in."""
        return f"?key={self.secret}"

    def knows(self, token: str) -> bool:
        """Whether a cookie is of somebody who was let in."""
        return _same(token, self.token)

    def is_here(self, named: str) -> bool:
        """Whether a Host header names this server: as it was asked for, or by the number of an address of this machine.

        A name may be made to lead here by whoever owns it, a number not.
        """
        host, _, port = named.rpartition(":")
        if port != str(self.port):
            return False
        host = host.strip("[]")
        try:
            anywhere = ip_address(self.host).is_unspecified
        except ValueError:  # a name was asked for
            return host == self.host
        if not anywhere:
            return host == self.host or (host == "localhost" and ip_address(self.host).is_loopback)
        try:
            return not ip_address(host).is_unspecified
        except ValueError:
            return False

    def guarded(self, handler: Handler, *, enters: bool = False, anybody: bool = False) -> Handler:
        """A handler for whoever was let in; one that `enters` also for who brings the secret, or for `anybody`."""

        async def checked(request: Request) -> Response:
            if not self.is_here(request.headers.get("host", "")):
                return refuse(421, tr(OTHER_HOST))
            if request.method == "POST" and request.headers.get("origin") != f"http://{request.headers['host']}":
                return refuse(403, tr(ELSEWHERE))
            brought = anybody or self.knows(request.cookies.get(self.cookie, ""))
            if not brought and not (enters and _same(request.query_params.get("key", ""), self.secret)):
                return _sentence_page(tr(NO_SECRET)) if enters else refuse(403, tr(NO_SECRET))
            return await handler(request)

        return checked

    def welcome(self, response: Response, token: str) -> Response:
        """Give a browser the cookie by which it is known."""
        response.set_cookie(self.cookie, token, max_age=A_DAY_S, httponly=True, samesite="strict", path="/")
        return response


def refuse(status: int, sentence: str) -> Response:
    """Answer with a sentence that the page shows."""
    from starlette.responses import JSONResponse

    return JSONResponse({"sentence": sentence}, status, HEADERS)


def file(path: Path) -> Response:
    """A file of the page."""
    from starlette.responses import Response

    return Response(path.read_bytes(), media_type=KINDS[path.suffix[1:]], headers=HEADERS)


def _sentence_page(sentence: str) -> Response:
    from starlette.responses import HTMLResponse

    return HTMLResponse(
        f'<!doctype html><html lang="{code()}"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>Halfpower</title><h1>Halfpower</h1><p>{escape(sentence)}</p>",
        403,
        HEADERS,
    )


def _same(brought: str, kept: str) -> bool:
    return secrets.compare_digest(brought.encode(), kept.encode())


async def body_of(request: Request, most: int, drained: int = 0) -> bytes | None:
    """The body; None where it is longer, once so much more of it was read and dropped that a browser hears why."""
    taken, size = bytearray(), 0
    async for chunk in request.stream():
        size += len(chunk)
        if size > max(most, drained):
            return None
        if size <= most:
            taken += chunk
    return bytes(taken) if size <= most else None


@dataclass(slots=True)
class Watching:
    """The pages that are open, each waiting for the next change in the loop of the server."""

    loop: asyncio.AbstractEventLoop | None = None
    changed: set[asyncio.Event] = field(default_factory=set)

    def tell(self) -> None:
        """There is something new to show; called in any thread."""
        if self.loop is not None and not self.loop.is_closed():
            self.loop.call_soon_threadsafe(self._set)

    def _set(self) -> None:
        for event in self.changed:
            event.set()

    def stream(self, page: Shown, still: Callable[[], bool] = lambda: True) -> Response:
        """The states as a stream that a browser takes up by itself."""
        from starlette.responses import StreamingResponse

        return StreamingResponse(self.states(page, still), headers={**HEADERS, "content-type": "text/event-stream"})

    async def states(self, page: Shown, still: Callable[[], bool] = lambda: True) -> AsyncIterator[str]:
        """The state of the page, again after every change; a beat between, by which a page knows that it is heard.

        `still` is asked at every beat whether whoever looks may go on looking.
        """
        self.loop = asyncio.get_running_loop()
        event = asyncio.Event()
        self.changed.add(event)
        try:
            while True:
                event.clear()
                last = bool(page.ended)  # looked at first: it may end while this state is on its way
                yield f"event: state\ndata: {page.state()}\n\n"
                if last:
                    return
                while not event.is_set():
                    try:
                        await asyncio.wait_for(event.wait(), _BEAT_S)
                    except TimeoutError:
                        yield "event: beat\ndata:\n\n"
                    if not still():
                        return
        finally:
            self.changed.discard(event)


@contextmanager
def serving(
    page: Shown,
    where: str,
    access: Callable[[str, int], Access],
    app: Callable[[Access, Watching], Starlette],
    *,
    ended: str,
    language: str = ENGLISH,
) -> Iterator[str]:
    """Serve a page at HOST[:PORT] in a thread; gives its address. `ended` is what it shows when this ends."""
    try:
        import uvicorn
    except ImportError:
        raise HalfpowerError(
            "The page needs its extra packages; install them with: pip install 'halfpower[web]'."
        ) from None

    listening = _listening(where)
    host, port = host_and_port(where)[0], listening.getsockname()[1]
    let_in, watching = access(host, port), Watching()
    config: Any = uvicorn.Config(
        app(let_in, watching), log_config=None, access_log=False, lifespan="off", ws="none", http="h11",
        loop="asyncio", server_header=False, date_header=False, limit_concurrency=_MOST_CONNECTIONS,
        timeout_graceful_shutdown=2, timeout_keep_alive=5,
    )  # fmt: skip
    server = uvicorn.Server(config)

    def run() -> None:
        with speaking(language):
            server.run(sockets=[listening])

    thread = threading.Thread(target=run, name="page", daemon=True)
    page.tells(watching.tell)
    thread.start()
    try:
        yield f"http://{_shown(host, listening)}:{port}/{let_in.query}"
    finally:
        if not page.ended:
            page.end(ended)
        server.should_exit = True
        thread.join(_STARTED_WITHIN_S)
        listening.close()


def host_and_port(where: str) -> tuple[str, int]:
    """Take HOST[:PORT] apart, or an address of IPv6, in brackets where a port follows."""
    try:
        return str(ip_address(where)), 0
    except ValueError:
        pass
    host, colon, port = where.rpartition(":")
    if not colon:
        return where, 0
    if not (port.isdecimal() and int(port) < 65536):
        raise HalfpowerError(f"--page {where}: a port is a number up to 65535, as in 192.0.2.7:8080.")
    return host.strip("[]"), int(port)


def is_loopback(where: str) -> bool:
    """Whether what is served there is reached from this computer alone; a name is so where every address of it is."""
    host = host_and_port(where)[0]
    try:
        found = [str(address[4][0]) for address in socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)]
    except (OSError, UnicodeError):
        found = [host]
    try:
        return all(ip_address(each.partition("%")[0]).is_loopback for each in found)
    except ValueError:
        return False


def _listening(where: str) -> socket.socket:
    host, port = host_and_port(where)
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
        listening = socket.socket(family, socket.SOCK_STREAM)
        try:
            if os.name == "posix":  # elsewhere it would let another program take the port as well
                listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
            listening.listen(_MOST_CONNECTIONS)
        except OSError:
            listening.close()
            raise
    except (OSError, UnicodeError) as error:
        why = getattr(error, "strerror", None) or error
        raise HalfpowerError(
            f"--page {where}: the page cannot be served there ({why}). Name an address of this computer, such as "
            "127.0.0.1, or 0.0.0.0 for all of them."
        ) from None
    return listening


def _shown(host: str, listening: socket.socket) -> str:
    """The host as another device reaches it."""
    try:
        address = ip_address(host)
    except ValueError:
        return host
    if address.is_unspecified:
        with socket.socket(listening.family, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect(("192.0.2.1" if address.version == 4 else "2001:db8::1", 9))  # sends nothing
                address = ip_address(probe.getsockname()[0])
            except OSError:
                address = ip_address(LOOPBACK if address.version == 4 else "::1")
    return f"[{address}]" if address.version == 6 else str(address)
