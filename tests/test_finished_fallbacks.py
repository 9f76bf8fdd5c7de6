"""Turns that can't be cut out safely: the old backdrop stays, and the finish says why."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from builder.catalog.declaration import FinishSettings
from builder.finished import finish_frame, plan_finish
from builder.frames.photos import find_photos
from builder.spin import FrameMeasure, SpinMeasures
from tests.pictures import write_photo

COUNT, WIDTH, HEIGHT = 12, 320, 240


def shot(folder: Path, draw, backdrop: np.ndarray | None = None) -> tuple:
    """Photos of `draw(picture, angle)` on a backdrop, and plain measures of them."""
    rng = np.random.default_rng(3)
    plain = np.full((HEIGHT, WIDTH, 3), (214, 208, 200), np.float32) if backdrop is None else backdrop
    for k in range(COUNT):
        picture = plain.copy()
        draw(picture, 2 * np.pi * k / COUNT)
        noisy = picture + rng.normal(0, 1.5, picture.shape)
        write_photo(folder / f"IMG_{k:02d}.jpg", noisy.clip(0, 255).astype(np.uint8), quality=92)
    photos = find_photos(folder).photos
    frames = tuple(FrameMeasure(k, photo.path.name, angle_deg=360 * k / COUNT) for k, photo in enumerate(photos))
    return photos, SpinMeasures("turn", "turn", COUNT, frames, axis_x=(WIDTH - 1) / 2)


def block(x: float, y: float, half: float, tone=(40, 90, 120)):
    """A box of changing width about (x, y), with a mark that wanders over it."""

    def draw(picture: np.ndarray, angle: float, at: float = 0.0) -> None:
        reach = half * (0.5 + 0.5 * abs(np.cos(angle)))
        cv2.rectangle(
            picture, (round(x + at - reach), round(y - 1.2 * half)), (round(x + at + reach), round(y + half)), tone, -1
        )
        mark = round(x + at + 0.6 * reach * np.sin(angle))
        cv2.circle(picture, (mark, round(y)), max(2, round(half / 5)), (200, 160, 60), -1)

    return draw


def finished(photos, measures):
    plan = plan_finish(photos, measures, FinishSettings())
    return plan, finish_frame(plan, 3)


def kept(plan, done, reason: str) -> None:
    """The picture is whole, nothing is cut, and a finding says so with advice."""
    assert done.matte is None and plan.backdrop is None
    assert any(reason in finding.message and finding.advice for finding in plan.findings), plan.notes
    assert all(finding.kind == "old-backdrop" and finding.severity == "warn" for finding in plan.findings)
    assert any("old backdrop stays" in note for note in plan.notes)
    assert done.pixels.std() > 0 or reason.startswith("nothing")


def test_a_plain_turn_is_cut_and_says_nothing(tmp_path):
    plan, done = finished(*shot(tmp_path, block(160, 120, 40)))
    assert plan.findings == () and done.matte is not None and 0.05 < (done.matte > 127).mean() < 0.8


def test_one_colour_all_over(tmp_path):
    plan, done = finished(*shot(tmp_path, lambda picture, angle: None))
    kept(plan, done, "nothing turns")


def test_no_backdrop_to_be_seen(tmp_path):
    rng = np.random.default_rng(0)
    cloth = cv2.resize(rng.integers(20, 235, (24, 96, 3)).astype(np.float32), (3 * WIDTH, HEIGHT))

    def draw(picture, angle):
        start = round(angle / (2 * np.pi) * 2 * WIDTH)
        picture[:] = cloth[:, start : start + WIDTH]

    plan, done = finished(*shot(tmp_path, draw))
    kept(plan, done, "")


def test_patterned_cloth(tmp_path):
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    checks = np.where(((x // 6) + (y // 6)) % 2, 220, 120).astype(np.float32)[..., None].repeat(3, axis=2)
    plan, done = finished(*shot(tmp_path, block(160, 120, 40), checks))
    kept(plan, done, "patterned")


def test_two_subjects(tmp_path):
    def draw(picture, angle):
        block(160, 120, 22)(picture, angle, -70 - 10 * np.cos(angle))
        block(160, 120, 22)(picture, angle, 70 + 10 * np.cos(angle))

    plan, done = finished(*shot(tmp_path, draw))
    kept(plan, done, "two things")


def test_a_subject_that_never_leaves_the_middle_is_cut_whole(tmp_path):
    def draw(picture, angle):
        cv2.rectangle(picture, (120, 60), (200, 180), (40, 90, 120), -1)  # a round pot on the axis: it doesn't move
        at = round(160 + 60 * np.cos(angle))
        cv2.rectangle(picture, (at - 15, 90), (at + 15, 140), (40, 70, 100), -1)  # its handle does

    photos, measures = shot(tmp_path, draw)
    plan, done = finished(photos, measures)
    assert plan.findings == ()
    true = np.zeros((HEIGHT, WIDTH, 3), np.float32)
    draw(true, 2 * np.pi * 3 / COUNT)
    height, width = done.matte.shape
    wanted = cv2.warpAffine((true.max(axis=2) > 0).astype(np.float32), np.array(done.to_output), (width, height)) >= 0.5
    have = done.matte > 127
    assert (have & wanted).sum() / (have | wanted).sum() > 0.95


@pytest.mark.parametrize("advice", ["plain, still backdrop", "photo of the empty set"])
def test_the_finding_says_what_to_do(advice):
    from builder.findings import old_backdrop

    assert advice in old_backdrop("the backdrop is patterned").advice
