"""The local control socket: status and commands for the one user whom the system lets through.

Directory 0700, socket 0600, and the peer's user is read from the socket itself. The server is handed a way to get a
snapshot and a way to give a call; it never sees the line's state. An output that was forced over a connection is let
go when that connection ends.
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

from controller.local_socket import HOLD_S, MAX_LINE_BYTES, socket_path
from controller.model import Call, Forced, Reply
from controller.plant.view import looked, plain
from controller.point_values import Look
from controller.snapshot import Snapshot

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
        look: Callable[[], Look],
        about: dict[str, Any] | None = None,
    ) -> None:
        """`call` answers and never raises; `about` is added to every status, as it then is."""
        self.path: Path = socket_path(line)
        self._line, self._snapshot, self._call, self._look = line, snapshot, call, look
        self._about = about or {}
        self._socket: socket.socket | None = None
        self._inode: int | None = None
        self._tasks: set[asyncio.Task[None]] = set()

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
            self._socket = _listening(self.path)
            self._inode = self.path.stat().st_ino
        except OSError as error:
            why = error.strerror or f"{error}; set XDG_RUNTIME_DIR to a directory with a short path"
            raise LocalSocketError(f"control socket {self.path}: {why}") from error
        asyncio.get_running_loop().add_reader(self._socket, self._accept, self._socket)

    async def close(self) -> None:
        """Stop listening, part from those connected and remove the socket, if it is still ours."""
        if self._socket is None:
            return
        asyncio.get_running_loop().remove_reader(self._socket)
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self._socket.close()
        self._socket = None
        with contextlib.suppress(FileNotFoundError):
            if self._inode == self.path.stat().st_ino:
                self.path.unlink()

    def _accept(self, listening: socket.socket) -> None:
        # Not asyncio's own server: that one loses a connection which it has accepted just as it is closed.
        try:
            peer, _ = listening.accept()
        except OSError:
            return  # the peer has gone already
        peer.setblocking(False)
        task = asyncio.get_running_loop().create_task(self._serve(peer), name="control socket")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        # Not closed by the task itself: one that is cancelled before its first step has no end of its own.
        task.add_done_callback(lambda _: peer.close())

    async def _serve(self, peer: socket.socket) -> None:
        if _peer_uid(peer) != os.getuid():
            return
        held: list[Forced] = []
        try:
            with contextlib.suppress(ConnectionError, TimeoutError):
                await self._converse(peer, held)
        finally:
            for forced in held:
                if self._snapshot().forced == forced:
                    await self._call(Call("unforce", forced.who, "local", forced.name))

    async def _converse(self, peer: socket.socket, held: list[Forced]) -> None:
        """Answer until the peer goes. Who holds an output and is silent for too long counts as gone: TimeoutError."""
        loop, rest = asyncio.get_running_loop(), b""
        while len(rest) <= MAX_LINE_BYTES:
            async with asyncio.timeout(HOLD_S if held else None):
                chunk = await loop.sock_recv(peer, 4096)
                if not chunk:
                    return
                *lines, rest = (rest + chunk).split(b"\n")
                for line in lines:
                    answer = json.dumps(await self._answer(line, held), ensure_ascii=False)
                    await loop.sock_sendall(peer, answer.encode() + b"\n")

    async def _answer(self, line: bytes, held: list[Forced]) -> dict[str, Any]:
        try:
            request = json.loads(line)
        except ValueError:
            return {"ok": False, "reason": "not a JSON object"}
        match request:
            case {"ask": "status"}:
                return {"ok": True, "status": plain(self._snapshot()) | self._about}
            case {"ask": "points"}:
                return {"ok": True, "points": looked(self._look())}
            case {"ask": "call", "verb": str(verb), "argument": str(argument), "who": str(who)}:
                reply = await self._call(Call(verb, who[:64] or "unnamed", "local", argument))
                if reply.accepted and verb in ("force", "unforce"):
                    forced = self._snapshot().forced
                    held[:] = [] if forced is None else [forced]
                return {"ok": reply.accepted, "reason": reply.reason}
        return {"ok": False, "reason": 'ask "status", "points", or "call" with verb, argument and who'}


def _listening(path: Path) -> socket.socket:
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
    before = os.umask(0o177)
    try:
        listening.bind(os.fspath(path))
        listening.listen()
    except OSError:
        listening.close()
        raise
    finally:
        os.umask(before)
    return listening


def _peer_uid(peer: socket.socket) -> int:
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
