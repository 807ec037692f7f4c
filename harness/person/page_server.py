"""Serves the page of a run: what it shows, and the answers and photographs that are sent to it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import partial
from html import escape, unescape
from typing import TYPE_CHECKING, Final

from harness.person.page import Page, Refused
from harness.person.page_web import FILES, HEADERS, KINDS, LOOPBACK, Access, Watching, body_of, refuse, serving
from harness.person.photographs import LARGEST, NoPhotograph, too_large
from harness.words.json_text import json_text
from harness.words.language import code, tr

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

_LONGEST_ANSWER: Final = 4096  # bytes, the JSON around it included
_DRAINED: Final = 10 * LARGEST  # bytes that are read and dropped, so that a browser hears why
_IN_MARKUP: Final = re.compile(r'(?<=>)[^<>]*[A-Za-z][^<>]*(?=<)|(?<=aria-label=")[^"]+')
_IN_SCRIPT: Final = re.compile(r'\btr\("([^"]+)"')


def texts() -> set[str]:
    """Every text that the page says by itself."""
    markup = _IN_MARKUP.findall((FILES / "index.html").read_text("utf-8"))
    scripts = [text for path in FILES.glob("*.js") for text in _IN_SCRIPT.findall(path.read_text("utf-8"))]
    return {unescape(text) for text in markup} | set(scripts)


def spoken(name: str) -> bytes:
    """A file of the page in the language that is spoken."""
    said = (FILES / name).read_text("utf-8")
    if name == "index.html":
        said = _IN_MARKUP.sub(lambda text: escape(tr(unescape(text[0]))), said)
        return said.replace('lang="en"', f'lang="{code()}"').encode()
    if name == "texts.js":
        said = said.replace("{}", json_text({text: tr(text) for text in sorted(texts())}), 1)
    return said.encode()


def app(page: Page, access: Access, watching: Watching) -> Starlette:
    """The page as an ASGI application."""
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import Response
    from starlette.routing import Route

    def file(name: str) -> Response:
        return Response(spoken(name), media_type=KINDS[name.rpartition(".")[2]], headers=HEADERS)

    async def index(_request: Request) -> Response:
        return access.welcome(file("index.html"), access.token)

    async def one_file(request: Request) -> Response:
        return file(request.url.path[1:])

    async def events(_request: Request) -> Response:
        return watching.stream(page)

    async def answer(request: Request) -> Response:
        body = await body_of(request, _LONGEST_ANSWER, _DRAINED)
        try:
            sent = json.loads(body or b"")
            run, number, text = sent["run"], sent["question"], sent["text"]
            if not (isinstance(run, str) and isinstance(number, int) and isinstance(text, str)):
                raise TypeError
        except (ValueError, TypeError, KeyError, RecursionError):
            return refuse(400, tr("This is no answer; load the page again. The run still waits."))
        return await _done(lambda: page.answer(run, number, text))

    async def photograph(request: Request) -> Response:
        body = await body_of(request, LARGEST, _DRAINED)
        if body is None:
            return refuse(413, too_large())
        run, number = request.query_params.get("run", ""), request.query_params.get("question", "")
        return await _done(lambda: page.photograph(run, int(number) if number.isdecimal() else 0, body))

    async def _done(action: Callable[[], None]) -> Response:
        try:
            await run_in_threadpool(action)
        except Refused as error:
            return refuse(409, str(error))
        except NoPhotograph as error:
            return refuse(415, str(error))
        except OSError as error:
            return refuse(507, tr("It could not be kept: {why}. The run still waits.", why=error.strerror or error))
        return Response(status_code=204, headers=HEADERS)

    files = [path.name for path in FILES.iterdir() if path.name != "index.html" and path.suffix[1:] in KINDS]
    return Starlette(
        routes=[
            Route("/", access.guarded(index, enters=True)),
            *(Route(f"/{name}", access.guarded(one_file)) for name in files),
            Route("/events", access.guarded(events)),
            Route("/answer", access.guarded(answer), methods=["POST"]),
            Route("/photograph", access.guarded(photograph), methods=["POST"]),
        ]
    )


def served(page: Page, where: str = LOOPBACK) -> AbstractContextManager[str]:
    """Serve a page at HOST[:PORT] in a thread; gives the address with its secret."""
    return serving(
        page, where, lambda host, port: Access(host=host, port=port), partial(app, page),
        ended="The run has ended; the terminal says how.", language=page.language,
    )  # fmt: skip
