"""The local control socket, real on both ends."""

import asyncio
import contextlib
import os
import socket
import stat
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from controller import local_socket
from controller.local_client import LocalClient, NotRunningError, find
from controller.model import Call, Reply
from controller.plant.local import LocalServer, LocalSocketError
from controller.point_values import Look
from controller.scan import Line, snapshot
from controller.spec import LineSpec, MarkPlan, Station

SPEC = LineSpec("tea", 0.04, (Station("flap", 400.0, MarkPlan()),))


@contextlib.asynccontextmanager
async def serving(name: str = "tea") -> AsyncIterator[tuple[LocalServer, list[Call]]]:
    """A server over a line that nobody scans; it accepts every verb but hold."""
    line, calls = Line(SPEC, 7, 0), []

    async def answer(call: Call) -> Reply:
        calls.append(call)
        return Reply(call, call.verb != "hold", "hold is refused in Stopped" if call.verb == "hold" else "")

    look = Look(0, {"belt_count": 7}, None)
    server = LocalServer(name, lambda: snapshot(line, 0), answer, lambda: look, {"address": "127.0.0.1:502"})
    await server.open()
    try:
        yield server, calls
    finally:
        await server.close()


def ask(name: str | None, verb: str, argument: str = "") -> str | None:
    with find(name) as client:
        return client.call(verb, "anna", argument)


def status(name: str | None) -> dict[str, object]:
    with find(name) as client:
        return client.status()


async def test_status_gives_the_snapshot_and_what_is_added_to_it() -> None:
    async with serving():
        found = await asyncio.to_thread(status, "tea")
    assert (found["line"], found["state"], found["state_number"]) == ("tea", "Stopped", 2)
    assert found["address"] == "127.0.0.1:502"
    assert found["balanced"] is True


async def test_a_call_carries_verb_argument_and_who_and_its_refusal_comes_back() -> None:
    async with serving() as (_, calls):
        assert await asyncio.to_thread(ask, "tea", "mode", "manual") is None
        assert await asyncio.to_thread(ask, "tea", "hold") == "hold is refused in Stopped"
    assert calls[0] == Call("mode", "anna", "local", "manual")


async def test_only_the_user_can_reach_it_and_it_goes_with_the_server(runtime: Path) -> None:
    async with serving() as (server, _):
        assert stat.S_IMODE(server.path.stat().st_mode) == 0o600
        assert stat.S_IMODE((runtime / "beltcue").stat().st_mode) == 0o700
    assert not server.path.exists()


async def test_a_directory_that_others_can_enter_is_refused(runtime: Path) -> None:
    (runtime / "beltcue").mkdir(mode=0o755)
    with pytest.raises(LocalSocketError, match="no one else can enter"):
        async with serving():
            pass


async def test_a_socket_left_by_a_dead_process_is_replaced(runtime: Path) -> None:
    (runtime / "beltcue").mkdir(mode=0o700)
    left = socket.socket(socket.AF_UNIX)
    left.bind(os.fspath(local_socket.socket_path("tea")))
    left.close()
    async with serving():
        assert (await asyncio.to_thread(status, "tea"))["line"] == "tea"


async def test_a_second_controller_of_the_same_line_is_refused_and_the_first_goes_on() -> None:
    async with serving():
        with pytest.raises(LocalSocketError, match="running already"):
            async with serving():
                pass
        assert (await asyncio.to_thread(status, "tea"))["line"] == "tea"


async def test_without_a_name_the_only_controller_is_found_and_of_several_none() -> None:
    with pytest.raises(NotRunningError, match="no controller is running"):
        find(None)
    async with serving("tea"):
        assert (await asyncio.to_thread(status, None))["line"] == "tea"
        async with serving("cocoa"):
            with pytest.raises(NotRunningError, match="--line"):
                await asyncio.to_thread(find, None)


@pytest.mark.parametrize("junk", [b"\n", b"[]\n", b"\xff\xfe\n", b'{"ask": "call", "verb": 3}\n', b'{"ask": ""}\n'])
async def test_junk_is_answered_in_words_and_the_next_request_is_served(junk: bytes) -> None:
    async with serving() as (server, calls):
        reader, writer = await asyncio.open_unix_connection(server.path)
        writer.write(junk + b'{"ask": "status"}\n')
        first, second = await reader.readline(), await reader.readline()
        writer.close()
        await writer.wait_closed()
    assert b'"ok": false' in first
    assert b'"ok": true' in second
    assert calls == []


async def test_an_endless_request_ends_only_its_own_connection() -> None:
    async with serving() as (server, _):
        reader, writer = await asyncio.open_unix_connection(server.path)
        writer.write(b"x" * (local_socket.MAX_LINE_BYTES * 4))
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""
        writer.close()
        assert (await asyncio.to_thread(status, "tea"))["line"] == "tea"


async def test_a_client_that_stays_connected_does_not_keep_the_server_from_closing() -> None:
    async with serving() as (server, _):
        client = await asyncio.to_thread(LocalClient, server.path)
    with pytest.raises(NotRunningError, match="went away"):
        await asyncio.to_thread(client.status)
    client.close()


@pytest.mark.parametrize("name", ["tea", "tea cartons/2", "ä" * 30, "x" * 300, "..", ""])
def test_every_line_name_has_a_short_socket_of_its_own_inside_the_directory(name: str) -> None:
    path = local_socket.socket_path(name)
    assert path.parent == local_socket.directory()
    assert path.name not in {local_socket.socket_path(other).name for other in ("tee", "tea-cartons-2", "-")}


def test_a_long_runtime_directory_still_gives_a_path_that_a_socket_may_have(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert len(os.fsencode(local_socket.socket_path("x" * 40))) <= 107
