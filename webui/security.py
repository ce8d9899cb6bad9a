"""What keeps strangers out: headers, the policy of what a page may load, cookies, cross-site writes.

Nothing is loaded from elsewhere, and no script or style stands inside a page, so that a photo's metadata can
never run as one.
"""

import os
import secrets
from pathlib import Path

from flask import Flask, Response, request
from flask_wtf.csrf import CSRFProtect
from werkzeug.exceptions import Forbidden

from webui.session import needs_log_in
from webui.settings import Settings

_KEY_FILE, _KEY_BYTES = "session.key", 32
# Content Security Policy Level 3; blob: is how a browser shows a photo that was picked but not sent yet.
_POLICY = {
    "default-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "img-src": "'self' blob:",
    "connect-src": "'self'",
    "font-src": "'self'",
    "manifest-src": "'self'",
    "form-action": "'self'",
    "base-uri": "'none'",
    "frame-ancestors": "'none'",
}
_HEADERS = {
    "Content-Security-Policy": "; ".join(f"{key} {value}" for key, value in _POLICY.items()),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",
}
# A year, in seconds, as is customary.
_STRICT_TRANSPORT = "max-age=31536000"
_WRITES = ("POST", "PUT", "PATCH", "DELETE")
# What tells a browser from a machine: no browser leaves all of them out of a request that writes.
_BROWSER_HEADERS = ("Origin", "Sec-Fetch-Site", "Cookie")
# What proxies add (RFC 7239, and its older forms).
_PROXY_HEADERS = ("Forwarded", "X-Forwarded-For", "X-Real-IP")

_csrf = CSRFProtect()


def secure(app: Flask, settings: Settings) -> None:
    """Set up an application's cookies, headers and its defence against cross-site writes."""
    app.config.update(
        SECRET_KEY=_session_key(settings.data_folder),
        SESSION_COOKIE_NAME="ridgewitness",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=settings.is_https,
        TRUSTED_HOSTS=list(settings.trusted_hosts) or None,
        MAX_CONTENT_LENGTH=settings.piece_bytes,
        # A page may stay open beside the ladder all day; its token lives as long as its session.
        WTF_CSRF_TIME_LIMIT=None,
        WTF_CSRF_CHECK_DEFAULT=False,
    )
    _csrf.init_app(app)
    app.before_request(_refuse_unknown_proxy)
    app.before_request(_refuse_cross_site_write)
    app.after_request(_add_headers)
    if settings.is_https:
        app.after_request(_add_strict_transport)


def _refuse_unknown_proxy() -> None:
    """Keep a desk without accounts to this machine: by a proxy everybody would be its supervisor."""
    if not needs_log_in() and any(name in request.headers for name in _PROXY_HEADERS):
        msg = "a desk without accounts is for this machine, not for a proxy; first: ridgewitness account add"
        raise Forbidden(msg)


def is_from_browser() -> bool:
    """Tell whether a browser sent the request, which may have been made to by another site."""
    return any(name in request.headers for name in _BROWSER_HEADERS)


def _refuse_cross_site_write() -> None:
    """Ask browsers for the token that only our own pages know; a machine has no session to be misused."""
    if request.method in _WRITES and is_from_browser():
        _csrf.protect()


def _add_headers(response: Response) -> Response:
    for name, value in _HEADERS.items():
        response.headers.setdefault(name, value)
    response.headers.setdefault("Cache-Control", "no-store")
    return response


def _add_strict_transport(response: Response) -> Response:
    response.headers.setdefault("Strict-Transport-Security", _STRICT_TRANSPORT)
    return response


def _session_key(folder: Path) -> bytes:
    """Return the key that signs sessions, made at the first start and readable by nobody else."""
    place = folder / _KEY_FILE
    if not place.exists():
        fresh = folder / f".{_KEY_FILE}-{secrets.token_hex(4)}"
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(secrets.token_bytes(_KEY_BYTES))
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(place)
    return place.read_bytes()
