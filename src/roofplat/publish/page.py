"""Pages that open from a folder and never ask a network for anything.

In: a title, style sheets, scripts and a body.
Out: one HTML text with everything inside it and a policy that forbids the rest.
"""

from __future__ import annotations

import base64
import hashlib
import importlib.metadata
import mimetypes
import re
from collections.abc import Sequence
from html.parser import HTMLParser
from importlib import resources
from typing import Any

import jinja2
from branca.element import CssLink, Figure, JavascriptLink
from markupsafe import Markup

from roofplat.publish.files import asset

__all__ = [
    "LEAFLET_CSS",
    "LEAFLET_JS",
    "ExternalLinkError",
    "OfflineFigure",
    "StrangePageError",
    "added_to",
    "fill",
    "html_page",
    "leaflet_file",
    "leaflet_licence",
    "policy_of",
    "refuse_external",
]

NOTHING = Markup()
LEAFLET_JS = "leaflet.js"
LEAFLET_CSS = "leaflet.css"
_LEAFLET_PACKAGE = "js_lib_leaflet"
_LEAFLET_DISTRIBUTION = "django-js-lib-leaflet"
_SOURCE_MAP = re.compile(r"^//# sourceMappingURL=.*$", re.MULTILINE)
_POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">')
_INLINE = re.compile(r"<(script|style)>(.*?)</\1>", re.DOTALL)
_CSS_URL = re.compile(r"url\(\s*['\"]?([^)'\"]+)['\"]?\s*\)")
_TEMPLATES = jinja2.Environment(
    loader=jinja2.FunctionLoader(asset),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


class ExternalLinkError(ValueError):
    """A page would ask a network for something: a defect of the page, never of the data."""


class StrangePageError(ValueError):
    """A page was not made by this version of the program, or was changed since."""


def fill(template: str, **values: Any) -> Markup:
    """Fill one of the package's page parts; every value is escaped.

    Parameters
    ----------
    template
        Name of a file in `publish/assets`.
    values
        What it names; a name that is missing raises.
    """
    return Markup(_TEMPLATES.get_template(template).render(values))  # noqa: S704  rendered with autoescape


def html_page(
    title: str, *, styles: Sequence[str], scripts: Sequence[str], body: Markup, after: Markup = NOTHING
) -> str:
    """Put a page together, with the policy that lets only these scripts and styles run.

    Parameters
    ----------
    title
        Plain text.
    styles, scripts
        Contents, in order; they go into the page as they are.
    body
        Markup of the body.
    after
        Markup that follows the scripts: they run before a browser has read it.

    Returns
    -------
    str

    Raises
    ------
    ExternalLinkError
        Something in the page points to a network, or would end its own element early.

    Examples
    --------
    >>> page = html_page("<Plan>", styles=["p{color:black}"], scripts=[], body=Markup("<p>Side A</p>"))
    >>> "<title>&lt;Plan&gt;</title>" in page, "default-src 'none'" in page
    (True, True)
    """
    # A browser reads CR LF as LF, and hashes what it has read.
    styles = [_inner(style, "style") for style in styles]
    scripts = [_inner(script, "script") for script in scripts]
    policy = _policy(scripts, styles)
    page = str(
        fill(
            "page.html.j2",
            title=title,
            policy=Markup(policy),  # noqa: S704  made of hashes above
            styles=[Markup(style) for style in styles],  # noqa: S704  our own files
            scripts=[Markup(script) for script in scripts],  # noqa: S704  our own files
            body=body,
            after=after,
        )
    )
    refuse_external(page)
    return page


class OfflineFigure(Figure):
    """A figure that puts every link of its elements into the page, or raises.

    Links name files of Leaflet's package; anything else in the head of a folium element is
    refused, because it may ask a network.
    """

    def __init__(self, title: str, *, after: Markup = NOTHING) -> None:
        super().__init__(title=title)
        self._after = after
        self._name = "OfflineFigure"

    def render(self, **kwargs: Any) -> str:
        """Render all elements into one page."""
        for child in self._children.values():
            child.render(**kwargs)
        styles, scripts = [], []
        for name, element in self.header._children.items():
            if isinstance(element, JavascriptLink):
                scripts.append(leaflet_file(element.url))
            elif isinstance(element, CssLink):
                styles.append(leaflet_file(element.url))
            elif name != "meta_http":
                styles.append(element.render(**kwargs))
        scripts += [element.render(**kwargs) for element in self.script._children.values()]
        body = Markup("\n").join(
            Markup(element.render(**kwargs))  # noqa: S704  the map's own body, filled with autoescape
            for element in self.html._children.values()
        )
        return html_page(self.title or "", styles=styles, scripts=scripts, body=body, after=self._after)


def policy_of(page: str) -> str:
    """The policy that a page of ours carries.

    Raises
    ------
    StrangePageError
        It carries none.

    Examples
    --------
    >>> policy_of(html_page("Plan", styles=[], scripts=[], body=Markup("")))[:18]
    "default-src 'none'"
    """
    found = _POLICY.search(page)
    if found is None:
        raise StrangePageError("The page carries no policy of ours.")
    return found[1]


def added_to(
    page: str,
    *,
    styles: Sequence[str],
    scripts: Sequence[str],
    body: Markup,
    known: Sequence[str],
    head: Markup = NOTHING,
) -> str:
    """Add parts to a page of ours, and let it ask the server that it came from, and no other.

    Parameters
    ----------
    page
        What `html_page` made.
    styles, scripts
        Contents to add. The scripts run after those of the page, before the last of them.
    body
        Markup that stands before the first script.
    head
        Markup that stands at the end of the head.
    known
        Scripts that the page must have as they are, in this order: what is added works with no others.

    Returns
    -------
    str

    Raises
    ------
    StrangePageError
        Its policy is not that of its scripts and styles, or it lacks some of the known scripts.
    ExternalLinkError
        Something that is added points to a network, or would end its own element early.

    Examples
    --------
    >>> page = html_page("Plan", styles=[], scripts=["start()"], body=Markup("<p>Side A</p>"))
    >>> more = added_to(page, styles=[], scripts=["add()"], body=Markup("<hr>"), known=["start()"])
    >>> more.index("<hr>") < more.index("add()") < more.index("start()")
    True
    >>> "connect-src 'self'" in policy_of(more)
    True
    """
    held = list(_INLINE.finditer(page))
    own = {tag: [found for found in held if found[1] == tag] for tag in ("script", "style")}
    old_scripts, old_styles = ([found[2] for found in own[tag]] for tag in ("script", "style"))
    if policy_of(page) != _policy(old_scripts, old_styles):
        raise StrangePageError("The page was changed since it was made.")
    rest = iter(old_scripts)
    if not old_scripts or not all(_inner(script, "script") in rest for script in known):
        raise StrangePageError("The page was made by another version.")
    styles = [_inner(style, "style") for style in styles]
    scripts = [_inner(script, "script") for script in scripts]
    more_head = f"{head}" + "".join(f"<style>{style}</style>\n" for style in styles)
    refuse_external(f"{more_head}{body}")
    policy = _policy([*old_scripts[:-1], *scripts, old_scripts[-1]], [*old_styles, *styles], connect="'self'")
    at, first, last = page.index("</head>"), own["script"][0].start(), own["script"][-1].start()
    added = "".join(f"<script>{script}</script>\n" for script in scripts)
    more = f"{page[:at]}{more_head}{page[at:first]}{body}\n{page[first:last]}{added}{page[last:]}"
    return more.replace(policy_of(page), policy, 1)


def leaflet_file(name: str) -> str:
    """Read one of Leaflet's files from its package, images inside and source map left out.

    Parameters
    ----------
    name
        `leaflet.js` or `leaflet.css`.

    Raises
    ------
    ExternalLinkError
        There is no local copy of what is asked for.

    Examples
    --------
    >>> leaflet_file("https://example.org/leaflet.js")
    Traceback (most recent call last):
        ...
    roofplat.publish.page.ExternalLinkError: There is no local copy of https://example.org/leaflet.js.
    """
    if name not in (LEAFLET_JS, LEAFLET_CSS):
        raise ExternalLinkError(f"There is no local copy of {name}.")
    folder = resources.files(_LEAFLET_PACKAGE).joinpath("static", _LEAFLET_PACKAGE)
    text = _SOURCE_MAP.sub("", folder.joinpath(name).read_text("utf-8"))
    if name == LEAFLET_JS:
        return text

    def inlined(found: re.Match[str]) -> str:
        target = found.group(1)
        if target.startswith("#"):
            return found.group(0)
        image = base64.b64encode(folder.joinpath(*target.split("/")).read_bytes()).decode("ascii")
        return f"url(data:{mimetypes.guess_type(target)[0]};base64,{image})"

    return _CSS_URL.sub(inlined, text)


def leaflet_licence() -> str:
    """Read the licence text that Leaflet asks to be kept with it."""
    text = importlib.metadata.distribution(_LEAFLET_DISTRIBUTION).read_text("LICENSE")
    if not text:
        raise FileNotFoundError(f"The package {_LEAFLET_DISTRIBUTION} carries no licence text.")
    return text


def refuse_external(page: str) -> None:
    """Raise when anything in a page points outside its own folder.

    Examples
    --------
    >>> refuse_external('<a href="areas/north.html">North</a> <img src="data:image/png;base64,AA==">')
    >>> refuse_external('<img src="//example.org/a.png">')
    Traceback (most recent call last):
        ...
    roofplat.publish.page.ExternalLinkError: The page would ask for //example.org/a.png (img src).
    """
    parser = _Links()
    parser.feed(page)
    parser.close()


class _Links(HTMLParser):
    """Looks at every address in tags and style sheets."""

    _ADDRESSES = frozenset(
        {"action", "background", "data", "formaction", "href", "poster", "src", "srcset", "xlink:href"}
    )

    def __init__(self) -> None:
        super().__init__()
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_style = tag == "style"
        for name, value in attrs:
            if name in self._ADDRESSES and value is not None:
                self._check(value, f"{tag} {name}")
            elif name == "style" and value is not None:
                self._check_css(value)

    def handle_endtag(self, tag: str) -> None:  # noqa: ARG002  the parser calls it so
        self._in_style = False

    def handle_data(self, data: str) -> None:
        if self._in_style:
            self._check_css(data)

    def _check_css(self, text: str) -> None:
        if "@import" in text:
            raise ExternalLinkError("A style sheet would import another one.")
        for found in _CSS_URL.finditer(text):
            self._check(found.group(1), "style sheet")

    @staticmethod
    def _check(address: str, where: str) -> None:
        address = address.strip()
        inside = address.startswith(("#", "data:image/")) or not re.match(
            r"(?i)[a-z][a-z0-9+.-]*:|[/\\]", address
        )
        if not inside:
            raise ExternalLinkError(f"The page would ask for {address} ({where}).")


def _policy(scripts: Sequence[str], styles: Sequence[str], *, connect: str = "'none'") -> str:
    return "; ".join(
        [
            "default-src 'none'",
            "script-src " + (" ".join(map(_source_hash, scripts)) or "'none'"),
            "style-src " + (" ".join(map(_source_hash, styles)) or "'none'"),
            "img-src data:",
            f"connect-src {connect}",
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )


def _inner(text: str, tag: str) -> str:
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if f"</{tag}" in text.lower() or (tag == "script" and "<!--" in text):
        raise ExternalLinkError(f"A {tag} of the page would end its own element early.")
    return text


def _source_hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'"
