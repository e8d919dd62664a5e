"""How often an address may try passwords: a few wrong ones, then it has to wait, ever longer."""

from __future__ import annotations

from dataclasses import dataclass

FREE = 5
"""So many wrong passwords in a row cost nothing but the time they take."""
FIRST_WAIT_S, LONGEST_WAIT_S = 30.0, 600.0
TABLE = 1000
"""So many addresses are remembered; the one heard of longest ago is forgotten first."""


@dataclass(slots=True)
class _Record:
    wrong: int = 0
    until_s: float = 0.0


class Tries:
    """Counts wrong passwords by address. Times are monotonic seconds."""

    def __init__(self) -> None:
        self._by_client: dict[str, _Record] = {}

    def wait_s(self, client: str, now_s: float) -> float:
        """How long it must still wait before it may try again; 0 if not at all."""
        record = self._by_client.get(client)
        return 0.0 if record is None else max(0.0, record.until_s - now_s)

    def wrong(self, client: str, now_s: float) -> None:
        """It has tried a wrong one."""
        record = self._by_client.pop(client, None) or _Record()
        self._by_client[client] = record
        record.wrong += 1
        if record.wrong >= FREE:
            wait_s = FIRST_WAIT_S * 2.0 ** min(record.wrong - FREE, 10)
            record.until_s = now_s + min(wait_s, LONGEST_WAIT_S)
        while len(self._by_client) > TABLE:
            del self._by_client[next(iter(self._by_client))]

    def right(self, client: str) -> None:
        """It has given the right one: what was before is forgotten."""
        self._by_client.pop(client, None)
