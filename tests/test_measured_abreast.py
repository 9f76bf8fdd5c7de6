"""Work side by side gives the same answers in the same order, whatever the number of threads, and no more at once."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from builder.frames.photos import find_photos
from builder.measured import measure_spin
from builder.measured.abreast import MOST, abreast, granted, one_by_one
from tests.pictures import write_photo
from tests.turntable import Scene, Turntable


class Counting:
    """Work that knows how many threads were at it at once."""

    def __init__(self) -> None:
        self.now = self.most = 0
        self.lock = threading.Lock()

    def __call__(self, part: int) -> int:
        with self.lock:
            self.now += 1
            self.most = max(self.most, self.now)
        time.sleep(0.002)
        with self.lock:
            self.now -= 1
        return part * part


@pytest.mark.parametrize(("threads", "most"), [(0, 1), (1, 1), (2, 2), (64, MOST)])
def test_answers_come_in_order_and_no_more_threads_are_used_than_granted(threads, most):
    work = Counting()
    with granted(threads):
        assert abreast(work, range(40)) == [part * part for part in range(40)]
    assert work.most == most


def test_without_a_grant_and_within_another_piece_of_work_there_is_one_thread():
    outer, inner = Counting(), Counting()
    abreast(outer, range(10))
    assert outer.most == 1
    with granted(2):
        abreast(lambda _: abreast(inner, range(5)), range(4))
    assert inner.most == 2  # two outer threads, one at a time in each


def test_large_answers_wait_until_they_are_asked_for():
    made = []
    with granted(2):
        answers = one_by_one(made.append, range(30))
        next(answers)
        time.sleep(0.05)
        assert len(made) <= 3
        answers.close()


def test_measures_are_the_same_to_the_last_bit_with_any_number_of_threads(tmp_path):
    table = Turntable(Scene(clutter=True), width=480, height=360)
    for k in range(12):
        write_photo(tmp_path / f"IMG_{k:02d}.jpg", table.photo(30.0 * k, noise_seed=k))
    photos = find_photos(tmp_path).photos
    one, three = (measure_spin(photos, slug="pot", source="", widest=480, threads=threads) for threads in (1, 3))
    assert one == three


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="threads are counted in /proc, which only Linux has")
def test_linear_algebra_has_no_threads_of_its_own():
    """With several it adds up in another order, so that measures would hang on the number of cores."""
    program = (
        "import builder, numpy as np, scipy.linalg\n"
        "a = np.random.default_rng(1).normal(size=(700, 700)); a @ a; scipy.linalg.inv(a)\n"
        "print(open('/proc/self/status').read().partition('Threads:')[2].split()[0])"
    )
    root = Path(__file__).parent.parent
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=root, check=True)
    assert int(ran.stdout) == 1
