"""Random and mutated frames and half-open connections against a Modbus server: `python -m tests.wire.modbus_flood …`.

Arguments: port, frames, half-open connections, seed. It runs last of all on the computer (nice 19) and prints one JSON
object: what it sent, and how many answers were missing or wrong. On a connection whose frames all have a right header
every frame must be answered in its turn, whatever is in it; what begins no frame ends the connection after that.
"""

from __future__ import annotations

import json
import os
import random
import socket
import struct
import sys
import time
from collections import Counter

HOST = "127.0.0.1"
TIMEOUT_S = 60.0
VALID = (
    "01 0000 0010", "02 0020 0040", "03 0000 0078", "03 0073 0001", "04 00C8 007D", "06 0098 0001",
    "10 0096 0003 06 0002 0000 0001", "2B 0E 01 00", "2B 0E 04 01", "17 0000 0001 0096 0001 02 0001", "08 0000 0000",
)  # fmt: skip


def pdu(chance: random.Random) -> bytes:
    """A request: right, with some bytes changed, cut or drawn out, or nothing but random bytes."""
    kind = chance.random()
    if kind < 0.3:
        return chance.randbytes(chance.randint(1, 253))
    made = bytearray(bytes.fromhex(chance.choice(VALID)))
    if kind < 0.8:
        for _ in range(chance.randint(1, 3)):
            made[chance.randrange(len(made))] = chance.randrange(256)
        if chance.random() < 0.3:
            made = made[: chance.randint(1, len(made))] + chance.randbytes(chance.choice((0, 0, 1, 100)))
    return bytes(made)


def frame(chance: random.Random, transaction: int) -> bytes:
    """A frame with a right header."""
    inside = pdu(chance)
    unit = chance.choice((1, 1, 1, 0, 255, chance.randrange(256)))
    return struct.pack(">HHHB", transaction, 0, len(inside) + 1, unit) + inside


def broken(chance: random.Random) -> bytes:
    """What begins no frame, or one that never becomes whole."""
    kind = chance.randrange(4)
    if kind == 0:
        return chance.randbytes(chance.randint(1, 400))
    made = bytearray(frame(chance, 0))
    if kind == 1:
        made[chance.randrange(2, 6)] ^= 1 << chance.randrange(8)
    elif kind == 2:
        struct.pack_into(">H", made, 4, chance.choice((0, 1, 255, 0xFFFF)))
    else:
        made = made[: chance.randint(1, len(made) - 1)]
    return bytes(made)


def connected(chance: random.Random, port: int) -> socket.socket:
    """A connection from one of many addresses of this computer; none of them may command."""
    made = socket.socket()
    made.settimeout(TIMEOUT_S)
    made.bind((f"127.1.{chance.randrange(256)}.{chance.randrange(1, 255)}", 0))
    made.connect((HOST, port))
    return made


def sent_and_heard(connection: socket.socket, frames: list[bytes], end: bytes, sizes: random.Random) -> tuple[int, int]:
    """Send all in pieces, take all answers; how many are missing of those due, and how many are wrong."""
    rest = b"".join(frames) + end
    reset = False
    try:
        while rest:
            size = sizes.choice((1, 7, 64, 1460, 65536))
            connection.sendall(rest[:size])
            rest = rest[size:]
        connection.shutdown(socket.SHUT_WR)
    except OSError:
        reset = True
    heard = bytearray()
    try:
        while chunk := connection.recv(65536):
            heard += chunk
    except ConnectionError:
        reset = True
    answers, at = 0, 0
    while at + 8 <= len(heard):
        transaction, protocol, length = struct.unpack_from(">HHH", heard, at)
        due = frames[answers] if answers < len(frames) else end
        if (transaction, protocol, heard[at + 6], heard[at + 7] & 0x7F) != (
            struct.unpack_from(">H", due)[0], 0, due[6], due[7] & 0x7F,
        ):  # fmt: skip
            return 0, 1
        at += 6 + length
        answers += 1
    # Where the end was broken the server closes with bytes unread, and a reset may overtake what it had said.
    missing = 0 if reset and end else max(0, len(frames) - answers)
    return missing, 0


def main() -> None:
    """Do it and say what came of it."""
    port, frames, half_open, seed = (int(word) for word in sys.argv[1:5])
    os.nice(19)
    chance = random.Random(seed)
    count: Counter[str] = Counter()
    silent = []
    for _ in range(half_open):
        one = connected(chance, port)
        if chance.random() < 0.5:
            one.send(frame(chance, 1)[: chance.randint(1, 7)])
        silent.append(one)
    began_s = time.monotonic()
    while count["frames"] < frames:
        batch = [frame(chance, n) for n in range(chance.randint(1, 120))]
        end = broken(chance) if chance.random() < 0.5 else b""
        count["frames"] += len(batch) + bool(end)
        count["connections"] += 1
        with connected(chance, port) as connection:
            if chance.random() < 0.02:
                # One that asks a lot and never listens, then goes.
                connection.settimeout(0.05)
                try:
                    connection.sendall(b"".join(batch) * 20)
                except OSError:
                    count["deaf"] += 1
                continue
            missing, wrong = sent_and_heard(connection, batch, end, chance)
            count["missing"] += missing
            count["wrong"] += wrong
    for one in silent:
        one.close()
    print(json.dumps({**count, "half_open": half_open, "seconds": round(time.monotonic() - began_s, 1)}))


if __name__ == "__main__":
    main()
