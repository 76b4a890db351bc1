"""Licences of what the program stands on, out of the metadata of what is installed.

In: the distributions of this environment.
Out: `python -m tests.licences` lists what an installation brings, directly or not, with licence and version;
    `python -m tests.licences service` the same with an extra.
"""

from __future__ import annotations

import itertools
import re
import sys
from collections.abc import Iterable
from importlib.metadata import Distribution, PackageNotFoundError, distribution

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

# What metadata say, in whichever of three fields, and the SPDX name. The first that fits is taken, for a
# text of BSD also says that it comes without warranty as the GPL's does.
_WORDS = (
    (r"\bAGPL|Affero", "AGPL"),
    (r"\bLGPL|Lesser General Public", "LGPL"),
    (r"\bGPL|GNU General Public", "GPL"),
    (r"\bMPL|Mozilla", "MPL-2.0"),
    (r"Apache", "Apache-2.0"),
    (r"\bBSD-2|BSD 2", "BSD-2-Clause"),
    (r"\bBSD", "BSD-3-Clause"),
    (r"\bMIT-CMU|HPND", "MIT-CMU"),
    (r"\bMIT\b", "MIT"),
    (r"\bPSF|Python Software Foundation", "PSF-2.0"),
    (r"\bZPL|Zope", "ZPL-2.1"),
    (r"\bISC\b", "ISC"),
    (r"Unlicense|0BSD|CC0", "0BSD"),
)
# Somebody who changes the program or links it into another one has to give all of it away.
STRONG = ("AGPL", "GPL")


def licence_of(found: Distribution) -> str | None:
    """The licence that the metadata name, or the licence file does where they do not; None for neither."""
    metadata = found.metadata
    said = [metadata.get("License-Expression") or ""]
    said += [word for word in metadata.get_all("Classifier") or [] if word.startswith("License")]
    said.append((metadata.get("License") or "").strip().partition("\n")[0])
    files = (_first_line(found, name) for name in metadata.get_all("License-File") or [])
    # A file is opened only where nothing else says it.
    for text in itertools.chain(said, files):
        for pattern, name in _WORDS:
            if re.search(pattern, text):
                return name
    return None


def _first_line(found: Distribution, name: str) -> str:
    for place in (f"licenses/{name}", name):
        try:
            text = found.read_text(place)
        except UnicodeDecodeError:
            continue
        if text:
            return text.strip().partition("\n")[0]
    return ""


def what_comes_with(name: str, extras: Iterable[str] = ()) -> dict[str, Distribution]:
    """Everything that an installation of a distribution brings here, itself left out, by name."""
    found: dict[str, Distribution] = {}
    seen: set[tuple[str, frozenset[str]]] = set()
    waiting = [(canonicalize_name(name), frozenset(extras))]
    while waiting:
        key = waiting.pop()
        if key in seen:
            continue
        seen.add(key)
        try:
            found[key[0]] = distribution(key[0])
        except PackageNotFoundError:
            # An extra that is not installed here.
            continue
        for line in found[key[0]].requires or []:
            wanted = Requirement(line)
            if wanted.marker is None or any(
                wanted.marker.evaluate({"extra": extra}) for extra in ("", *key[1])
            ):
                waiting.append((canonicalize_name(wanted.name), frozenset(wanted.extras)))
    del found[canonicalize_name(name)]
    return dict(sorted(found.items()))


if __name__ == "__main__":
    for part, there in what_comes_with("roofplat", sys.argv[1:]).items():
        sys.stdout.write(f"{part:32} {licence_of(there) or 'unknown':14} {there.version}\n")
