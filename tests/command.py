"""Runs the command as a user does: in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path


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
    than the small spins of tests."""
    if "PYTEST_XDIST_WORKER" in os.environ and str(words[0]) in PARALLEL and "--jobs" not in words:
        words += ("--jobs", "1")
    done = subprocess.run(
        [sys.executable, "-m", "builder", *map(str, words)],
        cwd=cwd, env=os.environ | (env or {}), capture_output=True, text=True, timeout=timeout,
    )  # fmt: skip
    return Ran(done.returncode, done.stdout, done.stderr)


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, by relative name."""
    return {f.relative_to(folder).as_posix(): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}
