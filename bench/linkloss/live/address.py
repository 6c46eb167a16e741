"""The secret part of a live page's address, kept from one start to the next.

Whoever starts the bench again on the same port finds it at the same address, and a page that is
still open there comes back by itself. The token lies in a file that only this user can read:
``$XDG_STATE_HOME/linkloss/live-PORT``, by default below ``~/.local/state``.
"""

from __future__ import annotations

import os
import re
import secrets
from pathlib import Path

_BYTES = 18
"""144 random bits."""
_FORM = re.compile(rf"[A-Za-z0-9_-]{{{_BYTES * 4 // 3}}}")
_OTHERS = 0o077


def new_token() -> str:
    """A token that nobody has seen."""
    return secrets.token_urlsafe(_BYTES)


def kept_token(port: int) -> str:
    """The token of a port. Where none can be kept, or others could have read it, it is new."""
    try:
        path = _folder() / f"live-{port}"
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        return _read(path) or _write(path)
    except (OSError, RuntimeError):  # no home, or one that cannot be written to
        return new_token()


def _folder() -> Path:
    given = os.environ.get("XDG_STATE_HOME", "")
    return (Path(given) if given else Path.home() / ".local" / "state") / "linkloss"


def _read(path: Path) -> str:
    try:
        with path.open(encoding="ascii", errors="replace") as file:
            private = os.name != "posix" or not os.fstat(file.fileno()).st_mode & _OTHERS
            token = file.read(2 * _BYTES)
    except FileNotFoundError:
        return ""
    return token if private and _FORM.fullmatch(token) else ""


def _write(path: Path) -> str:
    token = new_token()
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(token)
    return token
