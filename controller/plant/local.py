"""The local control socket: status and commands for the one user whom the system lets through.

Directory 0700, socket 0600, and the peer's user is read from the socket itself. The server is handed a way to get a
snapshot and a way to give a call; it never sees the line's state.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import struct
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from controller.local_socket import MAX_LINE_BYTES, socket_path
from controller.model import Call, Reply, Snapshot
from controller.plant.view import plain

_PEER = struct.Struct("3i")
"""pid, uid, gid as SO_PEERCRED gives them."""


class LocalSocketError(Exception):
    """The socket cannot be opened; one line that says why and what to do."""


class LocalServer:
    """Serves one line's control socket from `open` to `close`."""

    def __init__(
        self,
        line: str,
        snapshot: Callable[[], Snapshot],
        call: Callable[[Call], Awaitable[Reply]],
        about: dict[str, Any] | None = None,
    ) -> None:
        """`call` answers and never raises; `about` is added to every status."""
        self.path: Path = socket_path(line)
        self._line, self._snapshot, self._call = line, snapshot, call
        self._about = about or {}
        self._server: asyncio.Server | None = None
        self._peers: set[asyncio.Task[None]] = set()
        self._inode: int | None = None

    async def open(self) -> None:
        """Begin to listen; a socket left over by a dead process is replaced. Raises LocalSocketError."""
        folder = self.path.parent
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            about = folder.stat(follow_symlinks=False)
            if about.st_uid != os.getuid() or about.st_mode & 0o077 or folder.is_symlink():
                raise LocalSocketError(
                    f"{folder}: must be a directory of your own that no one else can enter (chmod 700); remove it"
                )
            if self.path.exists() and _answers(self.path):
                raise LocalSocketError(
                    f"a controller for line {self._line!r} is running already ({self.path}): stop that one first"
                )
            self.path.unlink(missing_ok=True)
            before = os.umask(0o177)
            try:
                self._server = await asyncio.start_unix_server(self._serve, self.path, limit=MAX_LINE_BYTES)
            finally:
                os.umask(before)
            self._inode = self.path.stat().st_ino
        except OSError as error:
            raise LocalSocketError(f"control socket {self.path}: {error.strerror or error}") from error

    async def close(self) -> None:
        """Stop listening, part from those connected and remove the socket, if it is still ours."""
        if self._server is None:
            return
        self._server.close()
        for peer in self._peers:
            peer.cancel()
        await asyncio.gather(*self._peers, return_exceptions=True)
        with contextlib.suppress(FileNotFoundError):
            if self.path.stat().st_ino == self._inode:
                self.path.unlink()
        self._server = None

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._peers.add(task)
        try:
            if _peer_uid(writer) == os.getuid():
                while line := await reader.readline():
                    writer.write(json.dumps(await self._answer(line), ensure_ascii=False).encode() + b"\n")
                    await writer.drain()
        except (ConnectionError, ValueError):
            pass  # the peer went away, or sent more than a request's length without an end
        except asyncio.CancelledError:
            pass  # closing: ends this peer only, and the stream's own callback must not log it
        finally:
            self._peers.discard(task)
            writer.close()

    async def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            request = json.loads(line)
        except ValueError:
            return {"ok": False, "reason": "not a JSON object"}
        match request:
            case {"ask": "status"}:
                return {"ok": True, "status": plain(self._snapshot()) | self._about}
            case {"ask": "call", "verb": str(verb), "argument": str(argument), "who": str(who)}:
                reply = await self._call(Call(verb, who[:64] or "unnamed", "local", argument))
                return {"ok": reply.accepted, "reason": reply.reason}
        return {"ok": False, "reason": 'ask "status", or "call" with verb, argument and who'}


def _peer_uid(writer: asyncio.StreamWriter) -> int:
    peer: socket.socket = writer.get_extra_info("socket")
    _, uid, _ = _PEER.unpack(peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size))
    return int(uid)


def _answers(path: Path) -> bool:
    """Whether a live process listens there."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.5)
        try:
            probe.connect(os.fspath(path))
        except OSError:
            return False
        return True
