"""Worker processes: as many as this machine really grants, each with one thread for pictures."""

from __future__ import annotations

import functools
import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path
from typing import Any

CGROUP = Path("/sys/fs/cgroup")


def cores_granted(cgroup: Path = CGROUP) -> int:
    """Cores this process may use: affinity and the control group's quota (Linux), else all; at least one.

    A quota of one core and a half gives one: a process more would only wait its turn.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    for quota, period in _quotas(cgroup):
        cores = min(cores, quota // period)
    return max(1, cores)


def _quotas(cgroup: Path) -> list[tuple[int, int]]:
    """(microseconds, of so many) granted to this process's control group and to those above it."""
    own = Path("/")
    try:
        own = Path(Path("/proc/self/cgroup").read_text().rpartition("::")[2].strip() or "/")
    except OSError:
        pass
    found = []
    for group in (own, *own.parents):
        try:  # version 2: "max 100000" or "150000 100000"
            quota, period = (cgroup / group.relative_to("/") / "cpu.max").read_text().split()
            found.append((int(quota), int(period)))
        except (OSError, ValueError):
            pass
    try:  # version 1: -1 for no limit
        quota, period = (int((cgroup / "cpu" / f"cpu.cfs_{name}_us").read_text()) for name in ("quota", "period"))
        found += [(quota, period)] if quota > 0 else []
    except (OSError, ValueError):
        pass
    return [(quota, period) for quota, period in found if period > 0]


class Job:
    """A piece of work given away. seconds: of processor time that it took, once its result is there."""

    def __init__(self, future: "Future[tuple[Any, float]]") -> None:
        self._future = future
        self.seconds = 0.0

    def result(self) -> Any:
        """Waits for it. Raises what the work raised."""
        value, self.seconds = self._future.result()
        return value


def _clocked(work: Callable[..., Any], *args: Any) -> tuple[Any, float]:
    began = time.process_time()
    value = work(*args)
    give_back()
    return value, time.process_time() - began


def give_back() -> None:
    """Memory that work needed goes back to the system, before work of another kind wants its own."""
    trim = _of_c_library("malloc_trim")
    if trim:
        trim(0)


def _one_heap() -> None:
    """One heap for all threads: what one has freed serves the others, where each would keep its own."""
    set_option, heaps_at_most = _of_c_library("mallopt"), -8
    if set_option:
        set_option(heaps_at_most, 1)


def ask_for_large_pages() -> None:
    """Processes started from here on get memory in pages of 2 MB where glibc and Linux can: a photo's pixels are then 18
    pages to clear instead of 9000, a third of what it takes to decode it. (glibc 2.35 reads this as a program starts;
    elsewhere it says nothing to anyone.)"""
    option, set_already = "glibc.malloc.hugetlb", os.environ.get("GLIBC_TUNABLES", "")
    if option not in set_already:
        os.environ["GLIBC_TUNABLES"] = ":".join(filter(None, (set_already, f"{option}=1")))


@functools.cache
def _of_c_library(name: str) -> Callable[..., int] | None:
    """A function of glibc's; other C libraries manage by themselves, or can't."""
    import ctypes

    try:
        return getattr(ctypes.CDLL(None), name)
    except (AttributeError, OSError, TypeError):  # TypeError: Windows has no name for the program itself
        return None


class Workers:
    """Pieces of work for other processes; with one job everything runs here, in this process, at once.

    loads: modules that the work will want: a process that has nothing to do yet loads them meanwhile.
    done: how often each kind of work was asked for, by its name; what a build didn't have to do isn't in it.
    """

    def __init__(self, jobs: int | None = None, loads: Sequence[str] = ()) -> None:
        self.jobs = jobs or cores_granted()
        self._loads = tuple(loads)
        self.done: Counter[str] = Counter()
        self._counting = threading.Lock()
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> "Workers":
        if self.jobs > 1:
            # spawn: a forked child would inherit the locks of whatever threads ran at that moment
            import multiprocessing

            ask_for_large_pages()
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(
                self.jobs, mp_context=context, initializer=_start_worker, initargs=(self._loads,)
            )
        return self

    def __exit__(self, kind, *_: Any) -> None:
        if self._pool:
            self._pool.shutdown(wait=True, cancel_futures=kind is not None)

    def stop(self) -> None:
        """End all work now, whatever it is at."""
        if self._pool:
            # The public way out only comes with 3.14.
            processes, manager = list((self._pool._processes or {}).values()), self._pool._executor_manager_thread
            self._pool.shutdown(wait=False, cancel_futures=True)
            for process in processes:
                process.terminate()
            if manager:  # Python's own goodbye writes to the pipe that this thread closes: it has to be done by then
                manager.join(timeout=10)

    def submit(self, work: Callable[..., Any], *args: Any) -> Job:
        with self._counting:
            self.done[work.__name__.removesuffix("_work")] += 1
        if self._pool:
            return Job(self._pool.submit(_clocked, work, *args))
        future: Future[tuple[Any, float]] = Future()
        try:
            one_thread()
            future.set_result(_clocked(work, *args))
        except Exception as error:
            future.set_exception(error)
        return Job(future)


def one_thread() -> None:
    """Parallel work is by processes; a library's own threads would only fight over the same cores."""
    _one_heap()
    import cv2

    cv2.setNumThreads(1)


def _start_worker(loads: Sequence[str]) -> None:
    import importlib
    import multiprocessing
    import signal
    import threading

    parent = multiprocessing.parent_process()
    if parent is not None:  # a parent that was killed can't end its workers: they watch it themselves
        threading.Thread(target=lambda: (parent.join(), os._exit(1)), daemon=True).start()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the parent, which ends its workers in order
    one_thread()
    # Not a daemon: Python can't end in the middle of loading a library
    threading.Thread(target=lambda: [importlib.import_module(name) for name in loads]).start()
