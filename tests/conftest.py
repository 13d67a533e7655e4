"""Shared set-up. With FAIRHEARING_NO_SKIPS set (CI sets it) a skipped test is a failed one."""

from __future__ import annotations

import os

# as in the command line: numpy's own threads wait for each other in busy loops, half of what analyses take
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import gc
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from tests.postgres import on_both_stores, server

__all__ = ["on_both_stores", "server"]

# By itself hypothesis fails an example that takes 0.2 s, or data that is slow to draw: that is the machine's.
# Where nothing may be skipped (.ci/run) the examples are always the same; other runs look for new ones.
settings.register_profile(
    "any machine",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize="FAIRHEARING_NO_SKIPS" in os.environ,
)
settings.load_profile("any machine")


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    outcome = yield
    report = outcome.get_result()  # type: ignore[attr-defined]
    if report.skipped and os.environ.get("FAIRHEARING_NO_SKIPS"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, and nothing may be: {report.longrepr}"


def pytest_collection_finish() -> None:
    """What was loaded by now stays: it is not looked through again and again for garbage."""
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)  # as in the command line
