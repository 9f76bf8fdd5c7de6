"""`check` of folders no one meant to make: sensible lines or one clear message, read as a stranger would."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageFilter

from builder.check_report.lines import check_json, check_lines, has_failed
from builder.colour import to_codes
from builder.commands.check import check_folder
from builder.pages.text import json_text
from tests.command import kickwheel
from tests.pictures import write_photo
from tests.turntable import Scene, Turntable

TABLE = Turntable(Scene(clutter=True), width=160, height=120)


@cache
def photo(index: int, count: int = 24) -> np.ndarray:
    return TABLE.photo(index * 360 / count, noise_seed=index)


def written(folder: Path, pictures: Iterable[np.ndarray]) -> Path:
    folder.mkdir(exist_ok=True)
    for index, picture in enumerate(pictures):
        write_photo(folder / f"IMG_{index:04d}.jpg", picture, quality=92)
    return folder


def checked(folder: Path, pictures: Iterable[np.ndarray]) -> tuple[bool, list[str], list[tuple[str, str]]]:
    """Whether something must be shot again, lines printed, and (severity, kind) of each finding but for the size of
    these small pictures. As the command does it, but measured once for both forms of the report."""
    spins = [measures for measures, _ in check_folder(written(folder, pictures))]
    findings = json.loads(json_text(check_json(spins)))["items"][0]["findings"]
    return has_failed(spins), check_lines(spins), [
        (f["severity"], f["kind"]) for f in findings if f["kind"] != "small-frames"
    ]  # fmt: skip


def out_of_focus(index: int, count: int) -> np.ndarray:
    """A bar of no detail, far out of focus: neighbours look alike here and there, and no spot lasts over three frames."""
    picture = np.full((72, 96, 3), (226, 222, 214), np.uint8)
    reach = abs(np.cos(np.pi * index / count)) * 96 * 0.3 + 4
    left, right = round(48 - reach), round(48 + reach)
    picture[18:54, left:right] = (40, 90, 120)
    picture[24:36, left : left + 4 + index] = (190, 60, 40)
    soft = np.asarray(Image.fromarray(picture).filter(ImageFilter.GaussianBlur(4)))
    return np.clip(soft + np.random.default_rng(index).normal(0, 1.5, picture.shape), 0, 255).astype(np.uint8)


def test_nothing_that_lasts(tmp_path):
    jug = tmp_path / "jug"
    jug.mkdir()
    for index in range(6):
        write_photo(jug / f"IMG_{index:04d}.jpg", out_of_focus(index, 6))
    assert "steps can't be judged" in check_lines([measures for measures, _ in check_folder(jug)])[0]


def test_no_image(tmp_path):
    (tmp_path / "notes.txt").write_text("buy foam board")
    ran = kickwheel("check", tmp_path)
    assert ran.status == 2 and ran.err.count("\n") == 1 and "holds no photo that can be read" in ran.err


def test_one_image(tmp_path):
    jug = tmp_path / "jug"
    failed, lines, findings = checked(jug, [photo(0)])
    assert failed and findings == [("fail", "too-few-frames")]
    ran = kickwheel("check", jug)
    assert ran.status == 1 and ran.out.splitlines() == lines, "the command says the same"
    assert lines[0] == "jug: reshoot. 1 frame, direction unknown, steps can't be judged."


def test_two_images(tmp_path):
    failed, _, findings = checked(tmp_path / "jug", [photo(0), photo(1)])
    assert not failed and [one for one in findings if one[0] != "note"] == [("warn", "too-few-frames")]


def test_all_the_same(tmp_path):
    failed, lines, findings = checked(tmp_path / "jug", [photo(0)] * 12)
    assert failed and findings[0] == ("fail", "duplicate") and "All frames are the same picture." in lines[1]


def test_three_hundred_frames(tmp_path):
    failed, lines, findings = checked(tmp_path / "jug", [photo(k, 300)[::2, ::2] for k in range(300)])
    assert not failed and not [one for one in findings if one[0] == "fail"] and "300 frames" in lines[0]


@pytest.mark.parametrize("mode", ["one channel", "three channels"])
def test_grey_scale(tmp_path, mode):
    greys = [photo(k).mean(axis=2).astype(np.uint8) for k in range(24)]
    pictures = greys if mode == "one channel" else [np.repeat(g[..., None], 3, axis=2) for g in greys]
    failed, _, findings = checked(tmp_path / "jug", pictures)
    assert not failed and "cast" not in {kind for _, kind in findings}


def test_a_backdrop_brighter_than_white(tmp_path):
    bright = [to_codes(TABLE.linear(k * 15.0)[0] * np.float32(2.2)) for k in range(24)]
    failed, _, findings = checked(tmp_path / "jug", bright)
    assert not failed and not [one for one in findings if one[0] == "fail"]


def test_a_subject_that_fills_the_frame(tmp_path):
    near = Turntable(Scene(shape="boat", size_mm=110.0), width=160, height=120, distance_mm=520, focal35_mm=45)
    failed, lines, findings = checked(tmp_path / "jug", [near.photo(k * 15.0, noise_seed=k) for k in range(24)])
    assert failed and ("fail", "cut-off") in findings and ("fail", "obstructed") not in findings
    assert any("Step back or zoom out" in line for line in lines)
