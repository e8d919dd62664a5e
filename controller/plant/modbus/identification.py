"""Function 43/14: who answers, in the basic objects. Source: MODBUS Application Protocol V1.1b3, section 6.21."""

from __future__ import annotations

from controller import __version__
from controller.modbus_pdu import Refused, exception

FUNCTION, KIND = 0x2B, 0x0E
_BASIC_ALSO_ALONE = 0x81
"""Conformity level: the basic objects, in one answer and each alone."""
_STREAMS, _ALONE = (1, 2, 3), 4
OBJECTS = (b"beltcue", b"beltcue", __version__.encode())
"""Vendor name, product code and revision. There is no vendor but the program."""


def identify(pdu: bytes) -> bytes:
    """Answer one request to function 43."""
    if len(pdu) < 2 or pdu[1] != KIND:
        return exception(FUNCTION, Refused.FUNCTION)
    if len(pdu) != 4 or pdu[2] not in (*_STREAMS, _ALONE):
        return exception(FUNCTION, Refused.VALUE)
    code, first = pdu[2], pdu[3]
    if code == _ALONE:
        if first >= len(OBJECTS):
            return exception(FUNCTION, Refused.ADDRESS)
        chosen = [first]
    else:
        # Who asks for more than there is gets what there is, and who begins behind the end gets all of it.
        chosen = list(range(first if first < len(OBJECTS) else 0, len(OBJECTS)))
    head = bytes((FUNCTION, KIND, code, _BASIC_ALSO_ALONE, 0, 0, len(chosen)))
    return head + b"".join(bytes((n, len(OBJECTS[n]))) + OBJECTS[n] for n in chosen)
