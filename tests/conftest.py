"""Shared set-up. With FAIRHEARING_NO_SKIPS set (CI sets it) a skipped test is a failed one."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.postgres import on_both_stores, server

__all__ = ["on_both_stores", "server"]


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    outcome = yield
    report = outcome.get_result()  # type: ignore[attr-defined]
    if report.skipped and os.environ.get("FAIRHEARING_NO_SKIPS"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, and nothing may be: {report.longrepr}"
