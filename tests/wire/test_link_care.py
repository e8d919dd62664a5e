"""An I/O side that is killed, frozen, cut off or restarted, over both protocols: Aborted, back alone, never started alone.

So many rounds as BELTCUE_LINK_CUTS says (default 1) of each; how long each took is printed, never asserted.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import pytest

from tests.wire.cuts import KINDS, PROTOCOLS, NoNamespacesError, cutting, net

ROUNDS = int(os.environ.get("BELTCUE_LINK_CUTS", "1"))


@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize("kind", KINDS)
async def test_a_lost_io_side_aborts_and_comes_back_without_a_start(tmp_path: Path, protocol: str, kind: str) -> None:
    async with contextlib.AsyncExitStack() as stack:
        between = None
        if kind == "black-holed":
            try:
                between = await stack.enter_async_context(net())
            except NoNamespacesError as error:
                pytest.skip(f"no network namespaces here: {error}")
        cut = await stack.enter_async_context(cutting(tmp_path, protocol, between))
        took_s = [await cut.round(kind) for _ in range(ROUNDS)]
        lost_after_s = cut.place.spec.limits.link_lost_s
    took = ", ".join(f"{s:.2f}" for s in took_s)
    print(f"{protocol} {kind}: aborting after {took} s; lost_after {lost_after_s:g} s")
