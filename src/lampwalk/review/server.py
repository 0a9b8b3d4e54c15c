"""The address on this machine, who may ask, and what is answered.

Only 127.0.0.1 is listened on. Every address begins with a secret token; `Host` and, for changes, `Origin`
must be this very server, so that no other page in the browser can reach it (DNS rebinding, cross-site
requests). Files are served from a list, never by path.
"""

from __future__ import annotations

import base64
import hmac
import json
import logging
import secrets
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

from ..errors import LampwalkError, OutputError
from . import export, view
from .pictures import Pictures
from .session import Session, Stale
from .strokes import Box

log = logging.getLogger(__name__)

HOST = "127.0.0.1"

MOST_BYTES = 1_000_000
"""Largest request: a stroke of 20 000 points has half of that."""

NEWS_S = 10.0
"""Seconds that a page waits for news before it asks again."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content-Security-Policy (W3C CSP Level 3): nothing from elsewhere, nothing inline."""

TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


class Server:
    """Serves the review page of one session.

    Parameters
    ----------
    session : Session
    port : int
        0 takes a free one.

    Raises
    ------
    OutputError
        The port is taken.
    """

    def __init__(self, session: Session, *, port: int = 0) -> None:
        self.session = session
        self.token = secrets.token_urlsafe(24)
        assets = resources.files(__package__) / "assets"
        self.assets = {item.name: item.read_bytes() for item in assets.iterdir() if not item.name.startswith("export.")}
        self.pictures = Pictures(session)
        try:
            self._http = _Http((HOST, port), _Handler)
        except (OSError, OverflowError) as error:
            raise OutputError(
                f"port {port} cannot be used: {getattr(error, 'strerror', None) or error}",
                remedy="leave --port out: a free one is chosen",
            ) from error
        self._http.owner = self

    @property
    def port(self) -> int:
        """The port that is listened on."""
        return int(self._http.server_address[1])

    @property
    def address(self) -> str:
        """The address of the page, with its token."""
        return f"http://{HOST}:{self.port}/{self.token}/"

    def serve(self) -> None:
        """Answer until `stop`, or until Ctrl-C; everything is saved before this returns."""
        self.session.start()
        try:
            self._http.serve_forever(poll_interval=0.2)
        finally:
            self._http.server_close()
            self.session.close()

    def stop(self) -> None:
        """Let `serve` return; from another thread."""
        self._http.shutdown()


class _Http(ThreadingHTTPServer):
    daemon_threads = True
    allow_reuse_address = False  # a second server on a taken port must fail, also where the system would allow it
    owner: Server

    def handle_error(self, request: Any, client_address: Any) -> None:
        log.debug("a connection broke off", exc_info=True)


class _Refused(Exception):
    """A request that is not answered."""

    def __init__(self, status: HTTPStatus, text: str) -> None:
        super().__init__(text)
        self.status, self.text = status, text


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server_version = "lampwalk"
    sys_version = ""
    timeout = 60
    server: _Http

    def do_GET(self) -> None:
        """Answer with a page, a picture or the state."""
        self._answer(self._get)

    def do_POST(self) -> None:
        """Carry out a change."""
        self._answer(self._post)

    def log_message(self, format: str, *args: Any) -> None:
        """Log without the token."""
        log.debug("%s", (format % args).replace(self.server.owner.token, "TOKEN"))

    def _answer(self, act: Callable[[str, Mapping[str, str]], tuple[str, bytes]]) -> None:
        status = HTTPStatus.OK
        try:
            path, query = self._checked()
            kind, body = act(path, query)
        except _Refused as error:
            self.close_connection = True  # what is left of the request is not read
            status, kind, body = error.status, "text/plain", error.text.encode("utf-8")
        except Stale as error:
            status, (kind, body) = (
                HTTPStatus.CONFLICT,
                _json({"error": error.message, "remedy": error.remedy}),
            )
        except LampwalkError as error:
            status = HTTPStatus.UNPROCESSABLE_ENTITY
            kind, body = _json({"error": error.message, "remedy": error.remedy, "file": error.file})
        except Exception:
            log.exception("request failed")
            status = HTTPStatus.INTERNAL_SERVER_ERROR
            kind, body = _json(
                {"error": "that failed inside lampwalk", "remedy": "run with --log FILE and send the log"}
            )
        self._send(status, kind, body)

    def _checked(self) -> tuple[str, dict[str, str]]:
        """Path behind the token and query; refuses what does not come from the page."""
        owner = self.server.owner
        own = {f"{HOST}:{owner.port}", f"localhost:{owner.port}"}
        if self.headers.get("Host") not in own:
            raise _Refused(HTTPStatus.FORBIDDEN, "wrong host")
        parts = urlsplit(self.path)
        _, _, rest = parts.path.partition("/")
        token, slash, path = rest.partition("/")
        if not slash or not hmac.compare_digest(token.encode("utf-8"), owner.token.encode("utf-8")):
            raise _Refused(HTTPStatus.FORBIDDEN, "use the address that lampwalk has printed")
        origin = self.headers.get("Origin")
        if origin is not None and origin not in {f"http://{host}" for host in own}:
            raise _Refused(HTTPStatus.FORBIDDEN, "wrong origin")
        if self.headers.get("Sec-Fetch-Site", "none") not in ("same-origin", "none"):
            raise _Refused(HTTPStatus.FORBIDDEN, "not from another page")
        query = {name: values[0] for name, values in parse_qs(parts.query).items()}
        return unquote(path), query

    def _get(self, path: str, query: Mapping[str, str]) -> tuple[str, bytes]:
        owner = self.server.owner
        session, pictures = owner.session, owner.pictures
        name = "page.html" if path == "" else path.removeprefix("assets/")
        if (path == "" or path.startswith("assets/")) and name in owner.assets:
            return TYPES["." + name.rsplit(".", 1)[-1]], owner.assets[name]
        if path == "news":
            pages = session.seen(query.get("page", ""))
            session.wait(_whole(query, "serial"), NEWS_S)
            return _json({**view.state(session), "pages": pages})
        if path == "offer":
            return _json(view.offer(session))
        if path == "export":
            return "text/html", export.page(session, pictures).encode("utf-8")
        if path in ("result", "unhidden", "coverage"):
            kind = "image/png" if path == "coverage" else "image/jpeg"
            return kind, getattr(pictures, path)()
        if path in ("frame", "thumb", "light", "mask", "window"):
            name = query.get("frame", "")
            if name not in session.masks and not (path == "window" and name == ""):
                raise _Refused(HTTPStatus.NOT_FOUND, "no such frame")
            if path == "window":
                box = (_whole(query, "r0"), _whole(query, "c0"), _whole(query, "r1"), _whole(query, "c1"))
                return "image/jpeg", pictures.window(name, box)
            return "image/png" if path == "mask" else "image/jpeg", getattr(pictures, path)(name)
        raise _Refused(HTTPStatus.NOT_FOUND, "there is nothing here")

    def _post(self, path: str, query: Mapping[str, str]) -> tuple[str, bytes]:
        owner = self.server.owner
        session = owner.session
        if self.headers.get("Origin") is None:
            raise _Refused(HTTPStatus.FORBIDDEN, "changes come from the page only")
        data = self._body()
        if path == "change":
            seen = data.get("seen")
            done = session.change(data, seen=seen if isinstance(seen, int) else -1)
            return _json(
                {
                    **done,
                    "patch": _patch(owner.pictures, done["box"], session.run.small),
                    "state": view.state(session),
                }
            )
        if path == "merge":
            session.merge()
        elif path == "bye":
            session.gone(str(data.get("page", "")))
        elif path == "conflict" and data.get("take") == "theirs":
            session.reload()
        elif path == "conflict" and data.get("take") == "mine":
            session.overrule()
        else:
            raise _Refused(HTTPStatus.NOT_FOUND, "there is nothing here")
        return _json(view.state(session))

    def _body(self) -> dict[str, Any]:
        length = self.headers.get("Content-Length", "")
        if not length.isdecimal():
            raise _Refused(HTTPStatus.LENGTH_REQUIRED, "say how long the request is")
        if int(length) > MOST_BYTES:
            raise _Refused(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "the request is too large")
        body = self.rfile.read(int(length))
        if self.headers.get("Content-Type", "").split(";")[0].strip() != "application/json":
            raise _Refused(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "send JSON")
        try:
            data = json.loads(body)
        except (ValueError, RecursionError):
            raise _Refused(HTTPStatus.BAD_REQUEST, "that is no JSON") from None
        if not isinstance(data, dict):
            raise _Refused(HTTPStatus.BAD_REQUEST, "send one object")
        return data

    def _send(self, status: HTTPStatus, kind: str, body: bytes) -> None:
        self.send_response(status)
        text = kind.startswith("text/") or kind == "application/json"
        self.send_header("Content-Type", f"{kind}; charset=utf-8" if text else kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("Content-Security-Policy", POLICY)
        self.send_header("Cross-Origin-Opener-Policy", "same-origin")
        self.send_header("Cross-Origin-Resource-Policy", "same-origin")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.end_headers()
        self.wfile.write(body)


def _json(data: Mapping[str, Any]) -> tuple[str, bytes]:
    return "application/json", json.dumps(data, ensure_ascii=False).encode("utf-8")


def _whole(query: Mapping[str, str], name: str) -> int:
    try:
        return int(query.get(name, "-1")[:12])
    except ValueError:
        raise _Refused(HTTPStatus.BAD_REQUEST, f"{name} is no number") from None


def _patch(pictures: Pictures, box: Box, small: tuple[int, int]) -> str | None:
    """Encode the changed part of the result as base64 PNG; None where the page asks for the whole instead."""
    area = (box[2] - box[0]) * (box[3] - box[1])
    if not 0 < area < 0.6 * small[0] * small[1]:
        return None
    return base64.b64encode(pictures.result(box)).decode("ascii")
