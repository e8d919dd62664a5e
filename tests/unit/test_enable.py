"""Raising enable: low seen, high seen, not inhibited; each step only on the I/O side's answer."""

from __future__ import annotations

import pytest

from controller.enable import Enable, Phase, accepted
from controller.registers import Status, StatusBit

US = 77


def answer(echo: int, inhibited: bool = True, owner: int = US) -> Status:
    return Status(heartbeat_echo=echo, bits=int(StatusBit.INHIBITED) if inhibited else 0, owner=owner)


@pytest.mark.parametrize(
    ("echo", "heartbeat", "expected"),
    [
        (5, 5, True),
        (6, 5, True),
        (4, 5, False),
        (2, 65535, True),
        (65535, 2, False),
        (32772, 5, True),
        (32773, 5, False),
    ],
)
def test_an_answer_to_this_heartbeat_or_a_later_one(echo: int, heartbeat: int, expected: bool) -> None:
    assert accepted(Status(heartbeat_echo=echo), heartbeat) is expected


def test_the_handshake() -> None:
    enable = Enable()
    enable.begin(10)
    assert not enable.high
    enable.step(answer(9), US, 11)
    assert enable.phase is Phase.LOW_SENT
    enable.step(answer(10), US, 12)
    assert enable.high
    assert not enable.up
    enable.step(answer(11, inhibited=False), US, 13)  # not yet the answer to the high
    assert not enable.up
    enable.step(answer(12, inhibited=True), US, 14)
    assert not enable.up
    enable.step(answer(13, inhibited=False), US, 15)
    assert enable.up


def test_an_answer_to_another_owner_is_none() -> None:
    enable = Enable()
    enable.begin(10)
    enable.step(answer(10, owner=5), US, 11)
    assert not enable.high
    enable.step(answer(10), US, 11)
    enable.step(answer(11, inhibited=False, owner=5), US, 12)
    assert not enable.up


def test_lowering_needs_no_consent_and_undoes_everything() -> None:
    enable = Enable()
    enable.begin(10)
    enable.step(answer(10), US, 11)
    enable.step(answer(11, inhibited=False), US, 12)
    enable.lower()
    assert not enable.high
    enable.step(answer(12, inhibited=False), US, 13)
    assert not enable.high
