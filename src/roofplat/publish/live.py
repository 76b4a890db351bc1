"""The live page: the district's map, with plans asked of the server that it came from.

In: `map.html` as a build wrote it.
Out: the same page with our live scripts, and a policy that lets it ask its own server and no other.

The map itself gains no right: what is added here stands in no file of a build.
"""

from __future__ import annotations

from markupsafe import Markup

from roofplat.errors import LayerError
from roofplat.publish.files import CAUTION, asset
from roofplat.publish.map import SCRIPTS
from roofplat.publish.map_overview import is_overview
from roofplat.publish.page import StrangePageError, added_to, fill, policy_of
from roofplat.publish.wording import METHOD_WORDS

__all__ = ["live_page"]

_SCRIPTS = (
    "live_answer.js",
    "live_words.js",
    "live_ask.js",
    "live_wind.js",
    "live_compare.js",
    "live_page.js",
)
_STYLES = ("live.css",)
# A browser asks a server for an icon unless the page has one.
_ICON = Markup(
    '<link rel="icon" href="data:image/svg+xml,%3Csvg xmlns=%22http://www.w3.org/2000/svg%22 viewBox='
    '%220 0 16 16%22%3E%3Cpath d=%22M1 9L8 2L15 9V15H1Z%22 fill=%22%23d55e00%22/%3E%3C/svg%3E">\n'
)


def live_page(map_html: bytes) -> bytes:
    """Add what asks and shows "what if" to the page of a district's map.

    Of a district too big for one page `map.html` shows its areas, and is served as it is: it says so in one
    sentence and links to the maps of the areas.

    Parameters
    ----------
    map_html
        The file `map.html` of a build.

    Returns
    -------
    bytes
        The page to serve. The policy in it forbids all but its own scripts, styles and server;
        `page.policy_of` reads it.

    Raises
    ------
    LayerError
        The file was not written by this version of roofplat, or was changed since.

    Examples
    --------
    >>> live_page(b"<html></html>")
    Traceback (most recent call last):
        ...
    roofplat.errors.LayerError: map.html is not a map of this version of roofplat; build the district again.
    """
    parts = fill("live.html.j2", caution=CAUTION, methods=METHOD_WORDS)
    try:
        text = map_html.decode("utf-8")
        if is_overview(text):
            # It raises where the page has no policy of ours.
            policy_of(text)
            return map_html
        page = added_to(
            text,
            styles=[asset(name) for name in _STYLES],
            scripts=[asset(name) for name in _SCRIPTS],
            body=parts,
            head=_ICON,
            known=[asset(name) for name in SCRIPTS],
        )
    except (StrangePageError, UnicodeDecodeError):
        raise LayerError(
            "map.html is not a map of this version of roofplat; build the district again."
        ) from None
    return page.encode("utf-8")
