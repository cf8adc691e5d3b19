"""The application: its parts put together, and what holds for every answer."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from functools import cache
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote, urlencode, urlsplit

import anyio.to_thread
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import PlainTextResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles
from fastapi.templating import Jinja2Templates
from sqlalchemy.exc import DataError, OperationalError, SQLAlchemyError
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipeline.domain import CAUTION
from pipeline.fitting_night import FittingNight
from pipeline.records.database import Store
from pipeline.records.house import House, Refused
from pipeline.review import analyst, desk, doors, staff
from pipeline.review.pictures import Gallery, find_references
from pipeline.review.seat import NotSignedIn, Room, answer_page, seat_of

_HERE = Path(__file__).resolve().parent
_SECURITY = {
    "Content-Security-Policy": (
        "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
_MOST_BODY_BYTES = 64_000
_THREADS = 8
_BY_SCRIPT = "x-by-script"  # sent by static/sending.js, which wants to know what became of a form and where to go
_GO_ON = "x-go-on"
_NOT_UNDERSTOOD = "Something in this request was not understood."
_WHY = {404: "There is nothing here by that name.", 405: "This is not done here."}
_UNCHANGING = "public, max-age=31536000, immutable"


def create_app(
    records: Store, house: House, references: Path, hosts: Sequence[str], fitting: FittingNight | None = None
) -> FastAPI:
    """The moderator's page.

    Args:
        records: the database.
        house: the house's settings.
        references: folder of genuine parts' pictures, `MAKER/PART.png`.
        hosts: names that the page may be called by, as protection against a name that is made to point here.
        fitting: the night of the fit, to compare others with.
    """
    app = FastAPI(title="denim-triage", docs_url=None, redoc_url=None, openapi_url=None, lifespan=_few_threads)
    templates = _templates()
    app.state.room = Room(records, house, fitting, find_references(references), Gallery(), templates)
    app.mount(_static_path(), _Static(directory=_HERE / "static"), name="static")
    for part in (doors, desk, analyst, staff):
        app.include_router(part.router)
    _answer_errors(app, templates)
    app.add_middleware(_ForScript)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts))
    app.add_middleware(_Guard)
    return app


@asynccontextmanager
async def _few_threads(_app: FastAPI) -> AsyncIterator[None]:
    """Answer few requests at a time: they mostly compute, and would only slow each other down."""
    anyio.to_thread.current_default_thread_limiter().total_tokens = _THREADS
    yield


@cache
def _static_path() -> str:
    """The folder of styles and scripts, named after what is in them, so that browsers keep them until they change."""
    inside = hashlib.sha256()
    for file in sorted((_HERE / "static").iterdir()):
        inside.update(file.name.encode() + b"\0" + file.read_bytes())
    return f"/static/{inside.hexdigest()[:12]}"


class _Static(StaticFiles):
    """Files whose address changes with what is in them."""

    def file_response(self, *args: Any, **named: Any) -> Response:  # noqa: ANN401 - as in the class above
        """The file, to be kept for good."""
        answer = super().file_response(*args, **named)
        answer.headers["Cache-Control"] = _UNCHANGING
        return answer


@cache
def _templates() -> Jinja2Templates:
    """All pages, compiled once in a process."""
    templates = Jinja2Templates(_HERE / "templates")
    templates.env.globals["caution"] = CAUTION
    templates.env.globals["static"] = _static_path()
    templates.env.trim_blocks = templates.env.lstrip_blocks = True
    return templates


def _answer_errors(app: FastAPI, templates: Jinja2Templates) -> None:
    def sorry(request: Request, status: int, why: str) -> Response:
        if _BY_SCRIPT in request.headers:
            return PlainTextResponse(why, status)
        context = {"why": why, "status": status, "listing_id": _listing_in(request)}
        try:
            return answer_page(request, request.app.state.room, seat_of(request), "refused.html", context, status)
        except (NotSignedIn, SQLAlchemyError):  # a stranger, or a database that is away
            return templates.TemplateResponse(request, "refused.html", context, status_code=status)

    @app.exception_handler(NotSignedIn)
    def _to_the_door(request: Request, _err: Exception) -> Response:
        if _BY_SCRIPT in request.headers:
            return PlainTextResponse("Your session has ended.", 401)
        listing = _listing_in(request)
        here = quote(request.url.path) + (f"?{request.url.query}" if request.url.query else "")
        back = here if request.method == "GET" else f"/look/{quote(listing)}" if listing else "/"
        return RedirectResponse("/enter" if back == "/" else "/enter?" + urlencode({"back": back}), 303)

    @app.exception_handler(Refused)
    def _refused(request: Request, err: Exception) -> Response:
        return sorry(request, 409, str(err))

    @app.exception_handler(HTTPException)
    def _http(request: Request, err: HTTPException) -> Response:
        is_said = err.detail not in {HTTPStatus(err.status_code).phrase, ""}
        return sorry(request, err.status_code, err.detail if is_said else _WHY.get(err.status_code, _NOT_UNDERSTOOD))

    @app.exception_handler(RequestValidationError)
    def _not_understood(request: Request, _err: Exception) -> Response:
        return sorry(request, 422, _NOT_UNDERSTOOD)

    @app.exception_handler(DataError)
    def _no_such_value(request: Request, _err: Exception) -> Response:  # such as a letter that a database can't hold
        return sorry(request, 422, _NOT_UNDERSTOOD)

    @app.exception_handler(OperationalError)
    def _no_database(request: Request, err: Exception) -> Response:
        logging.getLogger("uvicorn.error").error("the database did not answer: %s", err)
        return sorry(request, 503, "The database does not answer just now. Try again in a minute.")

    @app.exception_handler(Exception)
    def _our_fault(request: Request, _err: Exception) -> Response:  # the server logs it with where it happened
        answer = sorry(request, 500, "Something here went wrong, so this was not done. If it stays so, tell an admin.")
        answer.headers.update({**_SECURITY, "Cache-Control": "no-store"})  # this answer passes no middleware
        return answer


def _listing_in(request: Request) -> str:
    """The listing that a refused form was about, to lead back to; "" if none."""
    about_one = ("/decide/", "/take/", "/note/", "/again/", "/correct/")
    path = request.url.path
    return next((unquote(path.removeprefix(start)) for start in about_one if path.startswith(start)), "")


class _ForScript:
    """Tells a script where a form leads instead of leading it there: a browser would follow without telling it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_told(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == 303:
                headers = MutableHeaders(scope=message)
                headers[_GO_ON] = headers.get("location", "/")
                del headers["location"]
                message["status"] = 204
            await send(message)

        by_script = scope["type"] == "http" and _BY_SCRIPT in Headers(scope=scope)
        await self._app(scope, receive, send_told if by_script else send)


class _Guard:
    """Refuses forms that come from elsewhere or are too long, and puts the security headers on every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(_SECURITY)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = _why_not(scope["method"], Headers(scope=scope))
        if refusal:
            await Response(refusal, 403, media_type="text/plain")(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)


def _why_not(method: str, headers: Headers) -> str:
    if method in {"GET", "HEAD"}:
        return ""
    if method != "POST":
        return "Only pages and forms are answered here."
    origin = headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != headers.get("host"):
        return "This form came from another site."
    if headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
        return "This form came from another site."
    length = headers.get("content-length", "")
    if not length.isdigit() or int(length) > _MOST_BODY_BYTES:
        return "This form is too long."
    return ""
