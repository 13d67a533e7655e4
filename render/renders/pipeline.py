"""A single-consumer pipeline thread: it takes what the first has done, while that one goes on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from queue import SimpleQueue
from typing import TypeVar

T = TypeVar("T")

WORKERS = 2


@contextmanager
def followed_by(take: Callable[[T], None]) -> Iterator[Callable[[T], None]]:
    """A function that hands things to `take`, which runs in another thread, in order.

    The block ends when all has been taken; an error of the block comes first, then one of `take`.
    """
    handed: SimpleQueue[T | None] = SimpleQueue()

    def follow() -> None:
        while (thing := handed.get()) is not None:
            take(thing)

    with ThreadPoolExecutor(1) as second:
        following = second.submit(follow)
        try:
            yield handed.put
        finally:
            handed.put(None)
        following.result()
