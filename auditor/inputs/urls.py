"""URLs as text: telling them from paths, and showing them without what gives access."""

from __future__ import annotations

import re

_URL = re.compile(r"(?P<protocol>[A-Za-z][A-Za-z0-9+.-]+)://")
# In a longer text, where slashes may have been joined; up to the last '@' of the word, since a
# password may hold one.
_ACCESS = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+:/{1,2})(?:\S*@)?([^\s?]*)(?:\?\S*)?")


def is_url(text: str) -> bool:
    """Whether ``text`` names something by URL and no file on this machine."""
    return _URL.match(text) is not None


def shown_url(url: str) -> str:
    """``url`` without user, password, query and fragment; any other text as it is."""
    match = _URL.match(url)
    if match is None:
        return url
    rest = re.split(r"[?#]", url[match.end() :], maxsplit=1)[0]
    host, _, path = rest.partition("/")
    if "@" not in host and ":" in host and "@" in path:  # a password with a '/' in it
        host, _, path = path.rpartition("@")[2].partition("/")
    host = host.rpartition("@")[2]
    return f"{match['protocol'].lower()}://{host}" + (f"/{path}" if path else "")


def without_access(text: str) -> str:
    """``text`` with user, password and query taken out of every URL in it."""
    return _ACCESS.sub(r"\1\2", text)
