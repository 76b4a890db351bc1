"""What stands between the network and pygeoapi: who may ask, what may be asked, and how answers leave.

In: WSGI requests from anyone; the routes of the description; one run's bounds.
Out: the same requests, checked and made plain, for the application behind; or one sentence and a status.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import io
import json
import logging
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from roofplat.serve.description import Route
from roofplat.serve.setting import Serving

__all__ = [
    "ALWAYS",
    "NO_PAGE",
    "Guard",
    "RefusedError",
    "Wanted",
    "accepted_format",
    "inputs_of",
    "parameters_of",
    "plain_environ",
    "refusal_json",
]

Environ = dict[str, Any]
StartResponse = Callable[..., Any]
# An answer: status, headers, and its bytes in parts.
Answer = tuple[str, list[tuple[str, str]], Iterable[bytes]]

_LOG = logging.getLogger(__name__)
_DEEPEST = 20
_MOST_PARAMETERS = 64
_LARGEST_OFFSET = 10**9
_LONGEST_NUMBER = 32
_MOST_SHOWN = 12
_REASONS = {
    400: "Bad Request",
    401: "Unauthorized",
    403: "Forbidden",
    404: "Not Found",
    405: "Method Not Allowed",
    411: "Length Required",
    413: "Content Too Large",
    414: "URI Too Long",
    415: "Unsupported Media Type",
    421: "Misdirected Request",
    500: "Internal Server Error",
    503: "Service Unavailable",
}
_CODES = {400: "InvalidParameterValue", 404: "NotFound"}
# Sent with every answer. Nothing is kept by caches, shown in frames, or read by other sites.
ALWAYS = (
    ("X-Content-Type-Options", "nosniff"),
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), microphone=(), payment=(), usb=(), geolocation=(self)"),
    ("Cache-Control", "no-store"),
    ("Vary", "Accept, Authorization"),
)
NO_PAGE = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
# What the application behind must not say.
_NEVER = {"x-powered-by", "server", "access-control-allow-origin", "set-cookie"}
# Of these the application's own word counts.
_OWN = {"content-security-policy", "cache-control"}
_MEDIA = {"json": "application/json", "html": "text/html"}


class RefusedError(Exception):
    """A request that is not answered: its status, one sentence, and headers that go with it."""

    def __init__(self, status: int, sentence: str, headers: Iterable[tuple[str, str]] = ()) -> None:
        super().__init__(sentence)
        self.status = status
        self.headers = list(headers)


@dataclass(frozen=True, slots=True)
class Wanted:
    """A request that may be answered.

    path
        As text.
    template
        The path of the description that it fits.

    Parameters
    ----------
        Each once.
    format
        `json` or `html`.
    body
        JSON with inputs; empty where nothing is run.
    """

    path: str
    template: str
    parameters: dict[str, str]
    format: str
    body: bytes


class Guard:
    """A WSGI application before another one.

    Parameters
    ----------
    serving
        The run: its token, its names, its bounds.
    answer
        Gives the answer to a checked request; it may raise `RefusedError`.
    refusal
        Gives the page of a refusal: status, code, sentence -> HTML.
    route_of
        Finds the route of a path among those there are now.
    """

    def __init__(
        self,
        serving: Serving,
        answer: Callable[[Wanted, Environ], Answer],
        refusal: Callable[[int, str, str], tuple[str, str]],
        route_of: Callable[[str], Route | None],
    ) -> None:
        self._serving = serving
        self._token = None if serving.token is None else serving.token.encode("ascii")
        self._answer = answer
        self._refusal = refusal
        self._route_of = route_of

    def __call__(self, environ: Environ, start_response: StartResponse) -> Iterable[bytes]:
        """Answer one request."""
        try:
            wanted = self._check(environ)
            status, headers, parts = self._answer(wanted, environ)
        except RefusedError as refused:
            status, headers, parts = self._refuse(refused, environ)
        except Exception:
            _LOG.exception("An answer failed.")
            failed = RefusedError(500, "The service made a mistake; ask whoever runs it to look at its log.")
            status, headers, parts = self._refuse(failed, environ)
        start_response(status, _headers_out(headers))
        if environ.get("REQUEST_METHOD") == "HEAD":
            _close(parts)
            return []
        return parts

    def _check(self, environ: Environ) -> Wanted:
        """Everything that can be said of a request before it is looked into; cheap checks first."""
        service = self._serving.service
        method = environ["REQUEST_METHOD"]
        host = self._check_host(environ)
        self._check_token(environ)
        query = environ.get("QUERY_STRING", "")
        path = _path_of(environ)
        if len(path) + len(query) > service.address_characters:
            raise RefusedError(
                414, f"The address is longer than {service.address_characters} characters; ask for less."
            )
        route = self._route_of(path)
        if route is None:
            raise RefusedError(404, "There is nothing at this address; /api lists what there is.")
        operation = {"GET": "get", "HEAD": "get", "POST": "post"}.get(method, "")
        if operation not in route.methods:
            allowed = ", ".join({"get": "GET, HEAD", "post": "POST"}[one] for one in route.methods)
            if method == "OPTIONS":
                raise RefusedError(204, "", [("Allow", f"{allowed}, OPTIONS")])
            raise RefusedError(
                405, f"{method[:20]} is not answered here; use {allowed}.", [("Allow", f"{allowed}, OPTIONS")]
            )
        parameters = parameters_of(query)
        format_ = accepted_format(parameters.get("f"), environ.get("HTTP_ACCEPT", ""))
        if format_ == "html":
            # A form sends its empty fields too.
            parameters = {name: value for name, value in parameters.items() if value}
        _check_parameters(parameters, route.methods[operation], route.choices)
        body = b""
        if operation == "post":
            _check_origin(environ, host, self._serving)
            body = _body_of(environ, service.body_bytes)
            inputs_of(body)
        elif environ.get("CONTENT_LENGTH") not in (None, "", "0"):
            raise RefusedError(400, "A request that reads has no body; leave it out.")
        return Wanted(path, route.template, parameters, format_, body)

    def _check_host(self, environ: Environ) -> str:
        """A page of a foreign name that leads here may not ask (DNS rebinding)."""
        host = str(environ.get("HTTP_HOST", ""))
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            name = ""
        if name.lower() not in self._serving.hosts:
            raise RefusedError(
                421, "The service is not known by this name; ask it by the one it said, or set `url`."
            )
        return host

    def _check_token(self, environ: Environ) -> None:
        if self._token is None:
            return
        scheme, _, given = str(environ.get("HTTP_AUTHORIZATION", "")).partition(" ")
        offered = given.strip().encode("utf-8", "replace")
        if scheme.lower() == "basic":
            try:
                offered = base64.b64decode(offered, validate=True).partition(b":")[2]
            except (binascii.Error, ValueError):
                offered = b""
        elif scheme.lower() != "bearer":
            offered = b""
        # Takes as long for a wrong token as for the right one.
        if not hmac.compare_digest(offered, self._token):
            raise RefusedError(
                401,
                "This service wants its token, as a bearer token or as the password of any user.",
                [("WWW-Authenticate", 'Basic realm="roofplat", charset="UTF-8"'),
                 ("WWW-Authenticate", 'Bearer realm="roofplat"')],
            )  # fmt: skip

    def _refuse(self, refused: RefusedError, environ: Environ) -> Answer:
        status = f"{refused.status} {_REASONS.get(refused.status, 'Refused')}"
        if refused.status == 204:
            return "204 No Content", refused.headers, []
        code = _CODES.get(refused.status, "NoApplicableCode")
        try:
            asked = dict(parse_qsl(environ.get("QUERY_STRING", "")[:_LONGEST_QUERY])).get("f")
            html = accepted_format(asked, environ.get("HTTP_ACCEPT", "")) == "html"
        except (RefusedError, ValueError):
            html = False
        if html:
            page, policy = self._refusal(refused.status, code, str(refused))
            headers = [("Content-Type", "text/html; charset=utf-8"), ("Content-Security-Policy", policy)]
            body = page.encode("utf-8")
        else:
            headers = [("Content-Type", "application/json")]
            body = refusal_json(refused.status, str(refused))
        return status, [*headers, ("Content-Length", str(len(body))), *refused.headers], [body]


_LONGEST_QUERY = 2000


def refusal_json(status: int, sentence: str) -> bytes:
    """What a program is told that is not answered, in the words of pygeoapi's own refusals.

    Examples
    --------
    >>> refusal_json(404, "There is nothing here.")
    b'{"code": "NotFound", "type": "NotFound", "description": "There is nothing here."}'
    """
    code = _CODES.get(status, "NoApplicableCode")
    return json.dumps({"code": code, "type": code, "description": sentence}).encode("utf-8")


def parameters_of(query: str) -> dict[str, str]:
    """Read the parameters of an address, each once, as UTF-8 text.

    Examples
    --------
    >>> parameters_of("bbox=1,2,3,4&f=json")
    {'bbox': '1,2,3,4', 'f': 'json'}
    >>> parameters_of("f=json&f=html")
    Traceback (most recent call last):
        ...
    roofplat.serve.guard.RefusedError: The parameter 'f' stands twice in the address; give it once.
    """
    try:
        pairs = parse_qsl(
            query, keep_blank_values=True, errors="strict", max_num_fields=_MOST_PARAMETERS, separator="&"
        )
    except ValueError:
        raise RefusedError(
            400, f"The address is not UTF-8 text, or has more than {_MOST_PARAMETERS} parameters; mend it."
        ) from None
    found: dict[str, str] = {}
    for name, value in pairs:
        if name in found:
            raise RefusedError(
                400, f"The parameter {_shown(name)} stands twice in the address; give it once."
            )
        if not _plain(name) or not _plain(value):
            raise RefusedError(400, f"The parameter {_shown(name)} holds control characters; leave them out.")
        found[name] = value
    return found


def accepted_format(asked: str | None, accept: str) -> str:
    """Which of JSON and HTML is wanted: what the address says, else what the client likes better.

    Examples
    --------
    >>> accepted_format(None, "text/html,application/xhtml+xml,image/avif,image/webp,*/*;q=0.8")
    'html'
    >>> accepted_format(None, "application/json"), accepted_format(None, "*/*"), accepted_format("html", "")
    ('json', 'json', 'html')
    """
    if asked is not None:
        if asked not in _MEDIA:
            raise RefusedError(400, f"There is no format {_shown(asked)}; use json or html.")
        return asked
    likes = {"html": 0.0, "json": 0.0}
    for part in accept[:_LONGEST_QUERY].split(","):
        kind, _, options = part.strip().partition(";")
        weight = re.search(r"(?:^|;)\s*q=([01](?:\.\d{0,3})?)\s*(?:;|$)", options)
        share = min(float(weight.group(1)), 1.0) if weight else 1.0
        kind = kind.strip().lower()
        # A browser also names the kinds of pictures that it can show.
        if kind in ("text/html", "application/xhtml+xml"):
            likes["html"] = max(likes["html"], share)
        elif kind == "*/*" or kind.endswith("json"):
            likes["json"] = max(likes["json"], share)
    return "html" if likes["html"] > likes["json"] else "json"


def inputs_of(body: bytes) -> dict[str, Any]:
    """Read the inputs of a request to run a process.

    Parameters
    ----------
    body
        JSON as OGC 18-062r2 has it: an object with `inputs`.

    Examples
    --------
    >>> inputs_of(b'{"inputs": {"building_id": "MB-0004"}}')
    {'building_id': 'MB-0004'}
    >>> inputs_of(b'[]')
    Traceback (most recent call last):
        ...
    roofplat.serve.guard.RefusedError: The body is no JSON object with an object `inputs`; send one.
    """
    _check_depth(body)
    try:
        found = json.loads(body.decode("utf-8"), parse_constant=_no_number, object_pairs_hook=_once)
    except (ValueError, RecursionError):
        raise RefusedError(
            400, "The body is not JSON, or names something twice, or holds a number that is none; mend it."
        ) from None
    if not isinstance(found, dict) or not isinstance(found.get("inputs"), dict):
        raise RefusedError(400, "The body is no JSON object with an object `inputs`; send one.")
    strange = sorted(set(found) - {"inputs", "outputs", "response"})
    if strange:
        raise RefusedError(
            400, f"The body names {_shown(strange[0])}; only inputs, outputs and response are known here."
        )
    if found.get("response", "raw") not in ("raw", "document"):
        raise RefusedError(400, "`response` is neither raw nor document; give one of them.")
    if not isinstance(found.get("outputs", {}), dict):
        raise RefusedError(400, "`outputs` is no JSON object; leave it out, or name the outputs in one.")
    inputs: dict[str, Any] = found["inputs"]
    return inputs


def _check_parameters(
    parameters: Mapping[str, str], known: frozenset[str], choices: Mapping[str, tuple[str, ...]]
) -> None:
    """OGC 17-069r4, requirements query-param-unknown and query-param-invalid: 400 for both."""
    for name, value in parameters.items():
        if name not in known:
            near = get_close_matches(name[:100], sorted(known), n=1)
            close = f"did you mean {near[0]!r}?" if near else "/openapi lists those there are."
            raise RefusedError(400, f"There is no parameter {_shown(name)} here; {close}")
        check = _CHECKS.get(name)
        if check is not None and not check(value):
            raise RefusedError(400, f"The parameter {name!r} cannot be {_shown(value)}; {_SHAPES[name]}.")
        allowed = choices.get(name)
        words = value.split(",") if name in _LISTS else [value]
        strange = [word for word in words if allowed is not None and word not in allowed]
        if allowed is not None and strange:
            some = ", ".join(allowed) if len(allowed) <= _MOST_SHOWN else "one that /openapi lists"
            raise RefusedError(400, f"The parameter {name!r} cannot be {_shown(strange[0])}; give {some}.")


def _is_box(value: str) -> bool:
    parts = value.split(",")
    if len(parts) not in (4, 6):
        return False
    try:
        numbers = [float(part) if len(part) <= _LONGEST_NUMBER else math.nan for part in parts]
    except ValueError:
        return False
    half = len(parts) // 2
    return all(map(math.isfinite, numbers)) and numbers[1] <= numbers[half + 1]


def _is_whole(value: str, least: int) -> bool:
    digits = value.isascii() and value.isdigit() and len(value) <= _LONGEST_NUMBER
    return digits and value == str(int(value)) and least <= int(value)


_CHECKS: dict[str, Callable[[str], bool]] = {
    "bbox": _is_box,
    "limit": lambda value: _is_whole(value, 1),
    "offset": lambda value: _is_whole(value, 0) and int(value) <= _LARGEST_OFFSET,
    "sortby": lambda value: all(part.lstrip("+- ") for part in value.split(",")),
    "properties": lambda value: all(value.split(",")),
    "skipGeometry": lambda value: value in ("true", "false"),
    "resulttype": lambda value: value in ("results", "hits"),
}
_LISTS = {"sortby", "properties"}
_SHAPES = {
    "bbox": "give west, south, east and north, as -118.6,40.2,-118.5,40.3",
    "limit": "give a whole number from 1 on",
    "offset": f"give a whole number from 0 to {_LARGEST_OFFSET}",
    "sortby": "give columns with commas between them, `-` before one that sorts down",
    "properties": "give columns with commas between them",
    "skipGeometry": "give true or false",
    "resulttype": "give results or hits",
}


def _check_origin(environ: Environ, host: str, serving: Serving) -> None:
    """Another site's page may not make a browser ask with this site's rights."""
    sent_from = environ.get("HTTP_SEC_FETCH_SITE")
    origin = environ.get("HTTP_ORIGIN")
    own = {f"http://{host}".lower(), f"https://{host}".lower(), serving.url}
    if (sent_from is not None and sent_from not in ("same-origin", "none")) or (
        origin is not None and origin.lower() not in own
    ):
        raise RefusedError(403, "Another site's page may not ask here; open the page of this service.")


def _body_of(environ: Environ, most: int) -> bytes:
    kind = str(environ.get("CONTENT_TYPE", "")).partition(";")[0].strip().lower()
    if kind != "application/json":
        raise RefusedError(415, "The body must be JSON; send it with Content-Type: application/json.")
    try:
        length = int(environ.get("CONTENT_LENGTH") or 0)
    except ValueError:
        raise RefusedError(400, "The length of the body is no number; send it again.") from None
    if length > most:
        raise RefusedError(413, f"The body has {length} bytes; {most} are the most.")
    body: bytes = environ["wsgi.input"].read(length)
    if len(body) != length:
        raise RefusedError(400, "The body ended early; send it again.")
    return body


def _check_depth(body: bytes) -> None:
    """Refuse deep nesting before a parser goes down into it."""
    depth = deepest = 0
    inside = escaped = False
    for byte in body:
        if inside:
            if escaped:
                escaped = False
            elif byte == 0x5C:
                escaped = True
            elif byte == 0x22:
                inside = False
        elif byte == 0x22:
            inside = True
        elif byte in (0x5B, 0x7B):
            depth += 1
            deepest = max(deepest, depth)
        elif byte in (0x5D, 0x7D):
            depth -= 1
    if deepest > _DEEPEST:
        raise RefusedError(400, f"The body is nested more than {_DEEPEST} deep; send it flatter.")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice")
    return found


def _no_number(word: str) -> float:
    raise ValueError(word)


def _path_of(environ: Environ) -> str:
    """The path as text; bytes that are no UTF-8, controls and backslashes lead nowhere."""
    try:
        path: str = environ.get("PATH_INFO", "").encode("latin-1").decode("utf-8")
    except UnicodeError:
        raise RefusedError(400, "The address is not UTF-8 text; mend it.") from None
    # Flask would send a client with two slashes elsewhere.
    if not path.startswith("/") or "//" in path or not _plain(path):
        raise RefusedError(404, "There is nothing at this address; /api lists what there is.")
    return path


def _plain(text: str) -> bool:
    """Text without control characters, lone surrogates and their like.

    Examples
    --------
    >>> _plain("Äußere Halle 7"), _plain("a" + chr(0))
    (True, False)
    """
    return text.isprintable() or all(one.isprintable() or (one.isspace() and ord(one) > 31) for one in text)


def _shown(text: str) -> str:
    short = text if len(text) <= 60 else f"{text[:57]}..."
    return repr(short)


def _headers_out(headers: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    kept = [(name, value) for name, value in headers if name.lower() not in _NEVER]
    named = {name.lower() for name, _ in kept}
    always = [(name, value) for name, value in ALWAYS if name.lower() not in named & _OWN]
    own = {name.lower() for name, _ in always}
    out = [(name, value) for name, value in kept if name.lower() not in own]
    if "content-security-policy" not in named:
        out.append(("Content-Security-Policy", NO_PAGE))
    return out + always


def _close(parts: Iterable[bytes]) -> None:
    close = getattr(parts, "close", None)
    if close is not None:
        close()


def plain_environ(environ: Environ, wanted: Wanted) -> Environ:
    """The request as the application behind may see it: nothing but what was checked.

    Parameters
    ----------
    environ
        Of the request.
    wanted
        What was read of it.

    Returns
    -------
    dict
    """
    kept = {name: value for name, value in environ.items() if not name.startswith("HTTP_")}
    parameters = {name: value for name, value in wanted.parameters.items() if name != "f"}
    return kept | {
        "PATH_INFO": wanted.path.encode("utf-8").decode("latin-1"),
        "QUERY_STRING": urlencode({**parameters, "f": wanted.format}),
        "HTTP_HOST": environ.get("HTTP_HOST", ""),
        "HTTP_ACCEPT": _MEDIA[wanted.format],
        "CONTENT_LENGTH": str(len(wanted.body)),
        "CONTENT_TYPE": "application/json" if wanted.body else "",
        "wsgi.input": io.BytesIO(wanted.body),
    }
