"""Runs the command as a user does: in a process of its own."""

from __future__ import annotations

import atexit
import functools
import itertools
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent


@dataclass(frozen=True)
class Ran:
    status: int
    out: str
    err: str


PARALLEL = {"build", "check", "finish", "proof"}


def kickwheel(
    *words: str | Path, cwd: Path | None = None, env: dict[str, str] | None = None, timeout: float = 300
) -> Ran:
    """Where tests already run side by side, a command that says nothing of jobs gets one: starting workers takes longer
    than the small spins of tests. Such a command is forked from a process that has loaded everything; what starts
    workers or wants its own environment is started from nothing.
    """
    if "PYTEST_XDIST_WORKER" in os.environ and str(words[0]) in PARALLEL and "--jobs" not in words:
        words += ("--jobs", "1")
    words = tuple(map(str, words))
    alone = "--jobs" in words and words[words.index("--jobs") + 1] == "1"
    if alone and env is None and sys.platform == "linux":
        return _forked(words, cwd, timeout)
    done = subprocess.run(
        [sys.executable, "-m", "builder", *words],
        cwd=cwd, env=os.environ | (env or {}), capture_output=True, text=True, timeout=timeout,
    )  # fmt: skip
    return Ran(done.returncode, done.stdout, done.stderr)


def _forked(words: tuple[str, ...], cwd: Path | None, timeout: float) -> Ran:
    known = tuple(sorted((key, value) for key, value in os.environ.items() if key != "PYTEST_CURRENT_TEST"))
    # By turns: text is hashed differently in each, so that what hangs on the order of a set differs from run to run.
    ready = _ready(next(_turn) % 2, known)
    with tempfile.NamedTemporaryFile() as out, tempfile.NamedTemporaryFile() as err:
        request = {"words": words, "cwd": str(cwd or Path.cwd()), "out": out.name, "err": err.name, "timeout": timeout}
        ready.stdin.write(json.dumps(request).encode() + b"\n")
        ready.stdin.flush()
        answer = ready.stdout.readline().decode().strip()
        if answer == "late":
            raise subprocess.TimeoutExpired(list(words), timeout)
        return Ran(int(answer), Path(out.name).read_text("utf-8"), Path(err.name).read_text("utf-8"))


_turn = itertools.count()


@functools.cache
def _ready(number: int, environment: tuple[tuple[str, str], ...]) -> subprocess.Popen:
    """One of the loaded processes, for this environment."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.ready"],
        cwd=ROOT, env=dict(environment), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip

    def end() -> None:
        process.stdin.close()
        process.wait()
        process.stdout.close()

    atexit.register(end)
    return process


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, by relative name."""
    return {f.relative_to(folder).as_posix(): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}
