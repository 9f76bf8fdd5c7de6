"""order = "angle", from photos to site: frames shot late are put into their places."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.command import kickwheel
from tests.pictures import write_catalog, write_photo
from tests.turntable import Scene, Turntable, uneven_angles

CATALOG = (
    '[shop]\nname = "Saltmarsh Bench"\n[output]\nwidths = [200]\nformats = ["webp"]\ngif = false\nmp4 = false\n'
    '[[item]]\ntitle = "Jug"\nframes = "jug"\norder = "angle"\n'
)
LATE = (17, 9)  # marks that were missed, and shot after the turn


def shot_late(folder: Path, seed: int) -> tuple[list[str], np.ndarray]:
    """A catalogue and its photos; the photos' names in the order of their marks, and the marks' angles."""
    angles = uneven_angles(24, seed=seed, sigma_deg=0.5)
    shot = [*(mark for mark in range(24) if mark not in LATE), *LATE]
    table = Turntable(Scene(seed=seed), width=400, height=300, focal35_mm=50.0)
    write_catalog(folder, CATALOG)
    names = [""] * 24
    for number, mark in enumerate(shot):
        names[mark] = f"IMG_{number:04d}.jpg"
        write_photo(folder / "jug" / names[mark], table.photo(angles[mark], noise_seed=number), quality=93)
    return names, angles


@pytest.mark.parametrize("seed", [3, 5, 8])
def test_check_lists_the_frames_by_angle_and_misses_none(tmp_path, seed):
    names, angles = shot_late(tmp_path, seed)
    ran = kickwheel("check", tmp_path, "--json")
    assert ran.status == 0, ran.out
    item = json.loads(ran.out)["items"][0]
    assert [frame["file"] for frame in item["frames"]] == names
    assert np.abs(np.array([frame["angle_deg"] for frame in item["frames"]]) - angles).max() < 1.0
    assert not {"skipped-step", "duplicate", "open-loop"} & {finding["kind"] for finding in item["findings"]}


def test_the_site_turns_through_them_in_order(tmp_path):
    _, angles = shot_late(tmp_path, seed=5)
    assert kickwheel("build", tmp_path).status == 0
    spin = json.loads((tmp_path / "site/jug/spin.json").read_text())
    shown = [frame["angle_deg"] for frame in spin["frames"]]
    assert shown == sorted(shown) and len(set(shown)) == 24
    assert np.abs(np.array(shown) - angles).max() < 1.0
