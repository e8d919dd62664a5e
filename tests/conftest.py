"""Every test fails that leaves a task of its own running."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Iterator

# The suite tests the source itself, unless it is told where a compiled core is; before anything imports the packages.
os.environ.setdefault("BELTCUE_COMPILED", "0")

import pytest
from hypothesis import settings

# What must pass is the same each time; by hand every run looks somewhere else.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


@pytest.fixture(scope="session", autouse=True)
def _state_of_nobody(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What a test keeps with the user's state is kept elsewhere, and what the user has there decides no test."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture
async def _no_leftover_tasks() -> AsyncIterator[None]:
    """Compare the tasks before and after; the test's own task and its fixtures' are not counted."""
    before = asyncio.all_tasks()
    yield
    left = [t for t in asyncio.all_tasks() - before if t is not asyncio.current_task() and not t.done()]
    assert not left, f"tasks still running after the test: {left}"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        function = getattr(item, "function", None)
        if asyncio.iscoroutinefunction(function) and "_no_leftover_tasks" not in item.fixturenames:  # type: ignore[attr-defined]
            item.fixturenames.insert(0, "_no_leftover_tasks")  # type: ignore[attr-defined]
