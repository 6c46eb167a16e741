"""Who is let in to a live session: whoever knows the token, from a page of the session itself.

A page of another site in the same browser can reach a server on this computer too. It knows no
token, and its browser says where it comes from:

- the *token* stands in the address that is printed, and in every address below it;
- the *Host* must be an address of this computer and no name that somebody else can point here
  (DNS rebinding);
- the *Origin*, where a browser sends one, must be the session's own; a WebSocket must have one,
  since browsers let any site open a WebSocket anywhere.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from ipaddress import ip_address
from urllib.parse import urlsplit

_TOKEN_BYTES = 18
_LOCAL_NAMES = frozenset({"localhost", "localhost."})


def make_token() -> str:
    """144 random bits, as text that an address may contain."""
    return secrets.token_urlsafe(_TOKEN_BYTES)


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a request was not let in."""

    status: int
    text: str


@dataclass(frozen=True, slots=True)
class Gate:
    """Checks requests to a server on ``port``.

    ``exposed``: others may come, by an address of this computer or by one of its ``names``;
    otherwise only this computer itself, by a loopback address.
    """

    port: int
    token: str = field(default_factory=make_token)
    exposed: bool = False
    names: frozenset[str] = frozenset()

    def refusal(
        self, path: str, headers: Iterable[tuple[bytes, bytes]], *, websocket: bool
    ) -> Refusal | None:
        """Why a request is not let in; None if it is. ``path`` is decoded, headers are raw."""
        found: dict[bytes, list[str]] = {}
        for name, value in headers:
            found.setdefault(name.lower(), []).append(value.decode("latin-1"))
        hosts, origins = found.get(b"host", []), found.get(b"origin", [])
        if len(hosts) != 1 or not self._is_host(hosts[0]):
            return Refusal(421, "this session is not at the address that you asked for")
        wanted = f"http://{hosts[0]}"
        if any(origin.lower() != wanted.lower() for origin in origins):
            return Refusal(403, "another page may not look in here")
        if websocket and len(origins) != 1:
            return Refusal(403, "expected the page of this session")
        came_from = found.get(b"sec-fetch-site", ["none"])[0]
        followed_link = found.get(b"sec-fetch-mode", [""])[0] == "navigate"
        if came_from not in ("same-origin", "none") and not followed_link:
            return Refusal(403, "another page may not look in here")
        if not secrets.compare_digest(self._token_of(path).encode(), self.token.encode()):
            return Refusal(403, "open the address that linkloss printed, all of it")
        return None

    def inside(self, path: str) -> str:
        """The path below the token."""
        return "/" + path.removeprefix("/").partition("/")[2]

    @staticmethod
    def _token_of(path: str) -> str:
        token, slash, _ = path.removeprefix("/").partition("/")
        return token if slash else ""

    def _is_host(self, host: str) -> bool:
        try:
            parts = urlsplit(f"//{host}")
            name, port = (parts.hostname or "").lower(), parts.port or 80
        except ValueError:
            return False
        if port != self.port or parts.netloc != host or "@" in host:
            return False
        if name in _LOCAL_NAMES or (self.exposed and name in self.names):
            return True
        try:
            address = ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or self.exposed
