"""The asking side of the local control socket: plain blocking calls, so that a short command starts quickly."""

from __future__ import annotations

import json
import os
import socket
from pathlib import Path
from typing import Any, Self

from controller.local_socket import socket_path, sockets


class NotRunningError(Exception):
    """No controller answers; one line that says which was looked for."""


class LocalClient:
    """A connection to one running controller."""

    def __init__(self, path: Path, timeout_s: float = 5.0) -> None:
        """Connect to the socket at `path`. Raises NotRunningError."""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(timeout_s)
        try:
            self._socket.connect(os.fspath(path))
        except OSError as error:
            self._socket.close()
            raise NotRunningError(f"no controller answers at {path}: start one with beltcue run LINE.toml") from error
        self._file = self._socket.makefile("rb")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Part from the controller."""
        self._file.close()
        self._socket.close()

    def status(self) -> dict[str, Any]:
        """The controller's snapshot as plain values. Raises NotRunningError when it went away."""
        status: dict[str, Any] = self._ask({"ask": "status"})["status"]
        return status

    def points(self) -> dict[str, Any]:
        """The last value of every point, by name. Raises NotRunningError when it went away."""
        points: dict[str, Any] = self._ask({"ask": "points"})["points"]
        return points

    def call(self, verb: str, who: str, argument: str = "") -> str | None:
        """Give a command; None when it was accepted, else the reason for its refusal. Raises NotRunningError."""
        answer = self._ask({"ask": "call", "verb": verb, "argument": argument, "who": who})
        return None if answer["ok"] else str(answer["reason"])

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        try:
            self._socket.sendall(json.dumps(request).encode() + b"\n")
            line = self._file.readline()
        except TimeoutError:
            raise NotRunningError("the controller did not answer in time") from None
        except OSError:
            line = b""
        if not line:
            raise NotRunningError("the controller went away before it answered")
        answer: dict[str, Any] = json.loads(line)
        return answer


def find(line: str | None) -> LocalClient:
    """The controller of that line, or the only one there is. Raises NotRunningError for none, or not clear which."""
    if line is not None:
        return LocalClient(socket_path(line))
    alive: list[LocalClient] = []
    for path in sockets():
        try:
            alive.append(LocalClient(path))
        except NotRunningError:
            continue
    if len(alive) == 1:
        return alive[0]
    if alive:
        names = [str(client.status()["line"]) for client in alive]
        for client in alive:
            client.close()
        raise NotRunningError(f"several controllers run; say which with --line: {', '.join(names)}")
    raise NotRunningError("no controller is running for this user: start one with beltcue run LINE.toml")
