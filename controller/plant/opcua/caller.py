"""Who asks for what is being done now: the library does not tell a method who called it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import dataclass
from enum import IntEnum


class Grade(IntEnum):
    """What a user may do; each grade may do what those below it may."""

    NONE = 0
    VIEW = 1
    OPERATE = 2
    ENGINEER = 3


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks. `client` is the address of the computer that the request came from."""

    name: str
    grade: Grade
    client: str


NOBODY = Caller("", Grade.NONE, "")
_asking: ContextVar[Caller] = ContextVar("asking", default=NOBODY)


def caller() -> Caller:
    """Who asks for the request in progress; nobody, with no rights, outside of one.

    A method must be a coroutine function for that: the library runs others in threads that do not know.
    """
    return _asking.get()


@contextlib.contextmanager
def asking(who: Caller) -> Iterator[None]:
    """What is done inside is done for `who`."""
    token = _asking.set(who)
    try:
        yield
    finally:
        _asking.reset(token)
