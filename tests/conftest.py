"""Every test fails that leaves a task of its own running."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest


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
