"""Worker processes: as many as this machine really grants, each with one thread for pictures."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path
from typing import Any


def cores_granted() -> int:
    """Cores this process may use: affinity and the control group's quota (Linux), else all."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    try:  # cgroup v2: "max 100000" or "150000 100000" (microseconds of time a period)
        quota, period = Path("/sys/fs/cgroup/cpu.max").read_text().split()
        if quota != "max":
            cores = min(cores, max(1, int(quota) // int(period)))
    except (OSError, ValueError):
        pass
    return max(1, cores)


class Workers:
    """`submit` as of an executor; with one job everything runs here, in this process, at once."""

    def __init__(self, jobs: int | None = None) -> None:
        self.jobs = jobs or cores_granted()
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> "Workers":
        if self.jobs > 1:
            # spawn: a forked child would inherit the locks of whatever threads ran at that moment
            import multiprocessing

            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(self.jobs, mp_context=context, initializer=_start_worker)
        return self

    def __exit__(self, kind, *_: Any) -> None:
        if self._pool:
            self._pool.shutdown(wait=True, cancel_futures=kind is not None)

    def stop(self) -> None:
        """End all work now, whatever it is at."""
        if self._pool:
            processes = list((self._pool._processes or {}).values())  # the public way out only comes with 3.14
            self._pool.shutdown(wait=False, cancel_futures=True)
            for process in processes:
                process.terminate()

    def submit(self, work: Callable[..., Any], *args: Any) -> "Future[Any]":
        if self._pool:
            return self._pool.submit(work, *args)
        future: Future[Any] = Future()
        try:
            one_thread()
            future.set_result(work(*args))
        except Exception as error:
            future.set_exception(error)
        return future


def one_thread() -> None:
    """Parallel work is by processes; a library's own threads would only fight over the same cores."""
    import cv2

    cv2.setNumThreads(1)


def _start_worker() -> None:
    import multiprocessing
    import signal
    import threading

    parent = multiprocessing.parent_process()
    if parent is not None:  # a parent that was killed can't end its workers: they watch it themselves
        threading.Thread(target=lambda: (parent.join(), os._exit(1)), daemon=True).start()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the parent, which ends its workers in order
    one_thread()
