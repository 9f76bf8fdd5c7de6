"""Parts of one spin worked on side by side: OpenCV and numpy let go of the interpreter's lock while they compute."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Part = TypeVar("Part")
Answer = TypeVar("Answer")

MOST = 4  # more only wait for the interpreter


def abreast(work: Callable[[Part], Answer], parts: Iterable[Part]) -> list[Answer]:
    """The answers in the order of the parts, whatever the number of cores; parts must not depend on one another."""
    cores = min(MOST, os.cpu_count() or 1)
    if cores == 1:
        return [work(part) for part in parts]
    with ThreadPoolExecutor(cores) as pool:
        return list(pool.map(work, parts))
