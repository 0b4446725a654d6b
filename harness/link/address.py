"""Addresses of ports: devices of this computer, and URLs of ports on other hosts.

One rule: an address is shown or stored only through :func:`shown_address`.
"""

from __future__ import annotations

import re

_USER = re.compile(r"(?<=://)[^/?#]*@")
RFC2217 = "rfc2217://"


def is_remote(url: str) -> bool:
    """Whether an address is a URL and not a device of this computer."""
    return "://" in url


def names_user(url: str) -> bool:
    """Whether a URL has a user name or password, which no port uses."""
    return _USER.search(url) is not None


def shown_address(text: str) -> str:
    """Remove user names and passwords from every URL in a text."""
    return _USER.sub("", text)
