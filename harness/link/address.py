"""Addresses of ports: devices of this computer, and URLs of ports on other hosts.

One rule: whatever is shown or kept of an address has passed :func:`shown_address`.
"""

from __future__ import annotations

import re

_USER = re.compile(r"(?<=://)[^/?#]*@")
RFC2217 = "rfc2217://"


def is_remote(url: str) -> bool:
    """Tell whether an address is a URL and not a device of this computer."""
    return "://" in url


def names_user(url: str) -> bool:
    """Tell whether a URL carries a user name or password, which no port has any use for."""
    return _USER.search(url) is not None


def shown_address(text: str) -> str:
    """Leave user names and passwords out of every URL in a text."""
    return _USER.sub("", text)
