"""The application: its parts put together, and what holds for every answer."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from functools import cache
from pathlib import Path
from urllib.parse import unquote, urlsplit

import anyio.to_thread
from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse
from fastapi.staticfiles import StaticFiles
from fastapi.templating import Jinja2Templates
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipeline.domain import CAUTION
from pipeline.fitting_night import FittingNight
from pipeline.records.database import Store
from pipeline.records.house import House, Refused
from pipeline.review import analyst, desk, doors, staff
from pipeline.review.pictures import Gallery, find_references
from pipeline.review.seat import NotSignedIn, Room

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
    app.mount("/static", StaticFiles(directory=_HERE / "static"), name="static")
    for part in (doors, desk, analyst, staff):
        app.include_router(part.router)
    _answer_errors(app, templates)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts))
    app.add_middleware(_Guard)
    return app


@asynccontextmanager
async def _few_threads(_app: FastAPI) -> AsyncIterator[None]:
    """Answer few requests at a time: they mostly compute, and would only slow each other down."""
    anyio.to_thread.current_default_thread_limiter().total_tokens = _THREADS
    yield


@cache
def _templates() -> Jinja2Templates:
    """All pages, compiled once in a process."""
    templates = Jinja2Templates(_HERE / "templates")
    templates.env.globals["caution"] = CAUTION
    templates.env.trim_blocks = templates.env.lstrip_blocks = True
    return templates


def _answer_errors(app: FastAPI, templates: Jinja2Templates) -> None:
    def sorry(request: Request, status: int, why: str) -> Response:
        return templates.TemplateResponse(
            request,
            "refused.html",
            {"why": why, "status": status, "listing_id": _listing_in(request)},
            status_code=status,
        )

    @app.exception_handler(NotSignedIn)
    def _to_the_door(_request: Request, _err: Exception) -> Response:
        return RedirectResponse("/enter", 303)

    @app.exception_handler(Refused)
    def _refused(request: Request, err: Exception) -> Response:
        return sorry(request, 409, str(err))

    @app.exception_handler(HTTPException)
    def _http(request: Request, err: Exception) -> Response:
        status = err.status_code if isinstance(err, HTTPException) else 500
        return sorry(request, status, str(getattr(err, "detail", err)))

    @app.exception_handler(404)
    def _not_found(request: Request, _err: Exception) -> Response:
        return sorry(request, 404, "There is nothing here by that name.")

    @app.exception_handler(RequestValidationError)
    def _not_understood(request: Request, _err: Exception) -> Response:
        return sorry(request, 422, "Something in this request was not understood.")


def _listing_in(request: Request) -> str:
    """The listing that a refused form was about, to lead back to; "" if none."""
    about_one = ("/decide/", "/take/", "/note/", "/again/", "/correct/")
    path = request.url.path
    return next((unquote(path.removeprefix(start)) for start in about_one if path.startswith(start)), "")


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
