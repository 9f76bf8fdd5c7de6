"""Kills writers at random moments and prints what was met: python -m tests.bench.crash [KILLS]

Every kill is followed by a full look: all files of one version, the manifest fits, what isn't ours is there.
A broken promise stops the run with an AssertionError.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from tests.crashing import kill_proof_writers, kill_site_writers


def main(kills: int = 200) -> None:
    print("moment of the kill: uniform over the first 60 ms of an endless writer; SIGKILL")
    for way in ("exchange", "two renames"):
        with tempfile.TemporaryDirectory() as home:
            start = time.monotonic()
            met = kill_site_writers(Path(home), way, kills, seed=7)
            told = ", ".join(f"{count} x {what}" for what, count in met.items())
            print(f"site, {way}: {kills} kills in {time.monotonic() - start:.0f} s: {told}; 0 mixed, 0 lost")
    with tempfile.TemporaryDirectory() as home:
        seen = kill_proof_writers(Path(home), kills, seed=7)
        print(f"proof: {kills} kills: {seen} different proofs met, 0 broken")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
