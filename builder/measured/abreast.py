"""Parts of one spin worked on side by side: OpenCV and numpy let go of the interpreter's lock while they compute."""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, TypeVar

Part = TypeVar("Part")
Answer = TypeVar("Answer")

MOST = 4  # more only wait for the interpreter
# How long one may keep the interpreter while another waits for it: about as long as a piece of work in OpenCV takes
SWITCH_S = 0.0005

# Not by the number of cores: others may be at work beside this spin. Within a thread of `abreast` it is 1 again.
_granted: ContextVar[int] = ContextVar("threads granted", default=1)


@contextmanager
def granted(threads: int) -> Iterator[None]:
    """Within, `abreast` uses up to so many threads; else one."""
    token, patience = _granted.set(min(MOST, max(1, threads))), sys.getswitchinterval()
    sys.setswitchinterval(min(patience, SWITCH_S))
    try:
        yield
    finally:
        sys.setswitchinterval(patience)
        _granted.reset(token)


def abreast(work: Callable[[Part], Answer], parts: Iterable[Part]) -> list[Answer]:
    """The answers in the order of the parts, whatever the number of threads; parts must not depend on one another."""
    return list(one_by_one(work, parts))


def side_by_side(*works: Callable[[], Any]) -> list[Any]:
    """What each returns, in their order; within one, `abreast` uses one thread."""
    return abreast(lambda work: work(), works)


def one_by_one(work: Callable[[Part], Answer], parts: Iterable[Part]) -> Iterator[Answer]:
    """As `abreast`, for large answers: never more of them at once than threads, beside the one asked for."""
    threads = _granted.get()
    if threads == 1:
        yield from map(work, parts)
        return
    with ThreadPoolExecutor(threads) as pool:
        ahead: deque[Future[Answer]] = deque()
        for part in parts:
            ahead.append(pool.submit(work, part))
            if len(ahead) > threads:
                yield ahead.popleft().result()
        while ahead:
            yield ahead.popleft().result()
