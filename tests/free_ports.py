"""Ports for tests that have to name one before anybody listens at it."""

from __future__ import annotations

import random
import socket

_BELOW = range(20_000, 32_000)
"""The system gives none of these to a client of its own accord, as it would one that was free a moment ago."""
_CHANCE = random.SystemRandom()


def free_port() -> int:
    """A port of the loopback address that nobody listens at."""
    while True:
        port = _CHANCE.choice(_BELOW)
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port
