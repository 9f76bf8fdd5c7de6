"""Hotspots: the fit against the trade's own formula of a turn, and the way from catalog.toml to spin.json."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

from builder.building.build import CACHE_FOLDER, BuildRequest, build_site
from builder.catalog import read_catalog
from builder.commands.report import print_build
from builder.errors import InputError
from builder.frames.gather import chosen_items, gather_spins
from builder.items.hotspot_places import fit_hotspots
from builder.items.hotspots import Mark, fit_points, in_sight, too_near
from builder.items.numbers import measure
from builder.spin import SpinMeasures, TurnCamera
from builder.store.cache import Cache
from builder.terminal import Terminal
from builder.workers import Workers
from tests.pictures import write_catalog, write_spin

# Three cameras over turntables: elevation and roll in degrees, distance and largest radius in mm, focal length and
# principal point in px, picture size; those of the rendered sequences the project is tried on.
CAMERAS = {
    "pot, near": (15.5, 0.2, 660.0, 137.0, 3050.9, (1181.5, 908.5), (2400, 1800)),
    "boat": (14.0, -0.35, 660.0, 160.0, 1201.9, (777.5, 609.5), (1600, 1200)),
    "lamp": (13.0, 0.4, 700.0, 190.0, 1201.9, (590.5, 811.5), (1200, 1600)),
}
ANGLES = np.arange(36) * 10.0


def seen(camera, clockwise: bool, radius: float, height: float, phi_deg: float, angles=ANGLES) -> np.ndarray:
    """(n, 2) px by the perspective formula of a turn: α = θ + φ grows as the point turns clockwise seen from above;
    depth z = d − r sin α cos ε − h sin ε, x = f r cos α / z, y = f (r sin α sin ε − h cos ε) / z, y down. Height
    counts from where the camera aims. Then the picture is rolled clockwise about its principal point."""
    elevation, roll, distance, _, focal, centre, _ = camera
    sin_e, cos_e = np.sin(np.radians(elevation)), np.cos(np.radians(elevation))
    alpha = np.radians(phi_deg + (1 if clockwise else -1) * np.asarray(angles))
    z = distance - radius * np.sin(alpha) * cos_e - height * sin_e
    x = focal * radius * np.cos(alpha) / z
    y = focal * (radius * np.sin(alpha) * sin_e - height * cos_e) / z
    sin_r, cos_r = np.sin(np.radians(roll)), np.cos(np.radians(roll))
    return np.stack([cos_r * x - sin_r * y, sin_r * x + cos_r * y], -1) + centre


def measures_of(camera, clockwise: bool, known: bool = True) -> SpinMeasures:
    elevation, roll, _, _, focal, centre, _ = camera
    foot, top = (seen(camera, clockwise, 0, height, 0)[0] for height in (-100.0, 100.0))
    lean = np.degrees(np.arctan2(top[0] - foot[0], foot[1] - top[1]))
    return SpinMeasures(
        "x", "x", 36, (), axis_x=float(foot[0]), axis_tilt_deg=float(lean),
        turn="clockwise" if clockwise else "counterclockwise", angle_sigma_deg=0.1 if known else None,
        camera=TurnCamera(0.0, np.radians(elevation), -np.radians(roll), focal, centre) if known else None,
    )  # fmt: skip


def spot(rng, camera, clockwise: bool, frames, noise_px: float):
    """A random point of the object, its marks with noise, and where it truly is in all frames."""
    truth = seen(camera, clockwise, rng.uniform(0.1, 1) * camera[3], rng.uniform(-100, 120), rng.uniform(0, 360))
    marks = [Mark(ANGLES[k], tuple(truth[k] + rng.normal(0, noise_px, 2))) for k in frames]
    return marks, truth


@pytest.mark.parametrize("clockwise", [True, False])
@pytest.mark.parametrize("name", CAMERAS)
def test_true_marks_give_the_true_place_in_every_frame(name, clockwise):
    camera, rng = CAMERAS[name], np.random.default_rng(1)
    spots = [spot(rng, camera, clockwise, (2, 7, 10), 0.0) for _ in range(20)]
    view, fitted = fit_points([marks for marks, _ in spots], measures_of(camera, clockwise), camera[6], None)
    for one, (_, truth) in zip(fitted, spots):
        assert one.error_px < 0.1
        assert np.abs(view.place(one.point, ANGLES) - truth).max() < 0.3  # the weak pull towards the axis


@pytest.mark.parametrize("frames", [(3, 7), (3, 7, 11), (0, 9), (0, 5, 9, 13)])
def test_noise_of_a_pixel_grows_by_no_more_than_the_baseline_says(frames):
    """Two lines of sight that cross at an angle b fix the depth to σ / sin b, which a quarter turn on is seen
    sideways, nearer than the marks by at most d / (d − r) = 1.3 here; 3 σ of both together bound 99 in 100."""
    camera, rng = CAMERAS["boat"], np.random.default_rng(2)
    spots = [spot(rng, camera, True, frames, 1.0) for _ in range(150)]
    view, fitted = fit_points([marks for marks, _ in spots], measures_of(camera, True), camera[6], None)
    off = [np.hypot(*(view.place(one.point, ANGLES) - truth).T).max() for one, (_, truth) in zip(fitted, spots)]
    baseline = max(np.sin(np.radians(ANGLES[j] - ANGLES[i])) for i in frames for j in frames)
    assert np.quantile(off, 0.99) < 3 * np.hypot(1, 1 / baseline) * 1.3
    errors = np.array([one.error_px for one in fitted])
    free = (2 * len(frames) - 3) / (2 * len(frames))  # of the marks' coordinates, what three of the point leave over
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(np.sqrt(2 * free), rel=0.15)


@pytest.mark.parametrize("name", CAMERAS)
def test_without_a_measured_camera_the_axis_and_the_lens_hold_it(name):
    """Steps that can't be judged: even steps, the axis, Exif's focal length and six marks a point over 100° of turn."""
    camera, rng = CAMERAS[name], np.random.default_rng(3)
    width, height = camera[6]
    focal35 = camera[4] * 43.27 / np.hypot(width, height)
    spots = [spot(rng, camera, False, (0, 2, 4, 6, 8, 10), 1.0) for _ in range(2)]
    view, fitted = fit_points(
        [marks for marks, _ in spots], measures_of(camera, False, known=False), camera[6], focal35
    )
    for one, (_, truth) in zip(fitted, spots):
        assert one.error_px < 3
        assert np.hypot(*(view.place(one.point, ANGLES) - truth).T).max() < 0.01 * np.hypot(width, height)


def test_marks_on_different_things_are_noticed():
    camera, rng = CAMERAS["boat"], np.random.default_rng(4)
    marks, _ = spot(rng, camera, True, (3, 6, 9), 1.0)
    x, y = marks[1].xy
    wrong = [marks[0], Mark(marks[1].angle_deg, (x, y + 60)), marks[2]]
    _, (one,) = fit_points([wrong], measures_of(camera, True), camera[6], None)
    assert one.error_px > 10
    assert one.worst == 1


def test_hidden_when_behind_and_shown_all_round_on_the_axis():
    camera = CAMERAS["boat"]
    for clockwise in (True, False):
        truth = seen(camera, clockwise, 100, 0, 90)  # α = 90°: nearest to the camera at the first frame
        on_axis = seen(camera, clockwise, 0, 100, 0)
        spots = [[Mark(ANGLES[k], tuple(places[k])) for k in (0, 4)] for places in (truth, on_axis)]
        _, (near, knob) = fit_points(spots, measures_of(camera, clockwise), camera[6], None)
        assert [k for k, here in enumerate(in_sight(near, ANGLES + 1, None)) if not here] == list(range(9, 27))
        assert all(in_sight(knob, ANGLES, None))
        assert [k for k, here in enumerate(in_sight(near, ANGLES, (330, 20))) if here] == [0, 1, 2, 33, 34, 35]
        assert all(in_sight(near, ANGLES, (0, 360)))


@pytest.mark.parametrize(
    ("angles", "near"), [((0, 10), True), ((0, 10, 20), False), ((0, 180), True), ((350, 10), False)]
)
def test_frames_too_near_in_angle(angles, near):
    assert too_near(angles) is near


# ---- from the catalogue to the page

HEAD = '[shop]\nname = "Saltmarsh Bench"\n[[item]]\ntitle = "Bar"\nframes = "bar"\n[[item.hotspot]]\nlabel = "End"\n'


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('at = {"IMG_0001.jpg" = [5, 5]}', "line 8, item 1, hotspot.at: {'IMG_0001.jpg': [5, 5]} won't do for at: two or more frames"),
        ('at = {"IMG_0001.jpg" = [5, 5], "IMG_0091.jpg" = [5, 5]}', "line 8, item 1, hotspot.at.IMG_0091.jpg: there is no frame 'IMG_0091.jpg'"),
        ('at = {"IMG_0001.jpg" = [5, 5], "IMG_0003.jpg" = [96, 5]}', "line 8, item 1, hotspot.at.IMG_0003.jpg: [96, 5] lies outside 'IMG_0003.jpg', which is 96 × 72 px"),
        ('at = {"IMG_0001.jpg" = [5, 5], "IMG_0005.jpg" = [5, 5]}', "line 8, item 1, hotspot.at: the marked frames are too near in angle to fix 'End'"),
        ('at = {"IMG_0001.jpg" = [5, -1], "IMG_0003.jpg" = [5, 5]}', "line 8, item 1, hotspot.at"),
        ('at = {"IMG_0001.jpg" = [5, 5], "IMG_0003.jpg" = [5, 5]}\nvisible = [0]', "line 9, item 1, hotspot.visible"),
        ('at = {"IMG_0001.jpg" = [5, 5], "IMG_0003.jpg" = [5, 5]}\nseen = 1', "line 9, item 1, hotspot.seen: unknown key 'seen'"),
        ("text = 'x'", "hotspot.at: 'at' is missing"),
    ],
)  # fmt: skip
def test_each_fault_is_one_message_with_its_line(tmp_path, keys, said):
    photos = write_spin(tmp_path / "bar", count=8)
    write_catalog(tmp_path, HEAD + keys + "\n")
    with pytest.raises(InputError) as failure:
        build_site(BuildRequest(tmp_path, jobs=1), Terminal(quiet=True))
    (fault,) = failure.value.faults
    assert said in str(fault), photos


def test_the_demos_marks_stay_on_the_pot(demo, demo_site):
    """Against places read off frames that aren't marked in the catalogue; photos of 2400 × 1800 px, read to 3 px."""
    catalog = read_catalog(demo)
    (gathered,) = gather_spins(chosen_items(catalog, ("coffee-pot",), drafts=False))
    with Workers(1) as workers:
        gathered, measures = measure(gathered, max(catalog.output.widths), Cache(demo / CACHE_FOLDER), workers)
    spots = fit_hotspots(gathered, measures)
    for number, frame, place in ((0, 11, (1664, 557)), (1, 0, (1274, 977)), (2, 0, (1030, 1243))):
        assert np.hypot(*np.subtract(spots[number].places[frame], place)) < 9
    assert not any(one.large for one in spots)
    spin = json.loads((demo_site / "coffee-pot" / "spin.json").read_text())
    assert [one["id"] for one in spin["hotspots"]] == ["relined-spout", "maker-s-mark", "chip-touched-in"]
    for one in spin["hotspots"]:
        assert len(one["places"]) == len(spin["frames"])
        assert any(place is None for place in one["places"])
    assert spin["hotspots"][1]["places"][16] is None  # half a turn from where it was marked


def test_another_hotspot_makes_no_picture_again(demo, tmp_path, monkeypatch):
    folder = tmp_path / "demo"
    shutil.copytree(demo, folder)
    text = (folder / "catalog.toml").read_text("utf-8").replace("Maker's mark", "The bench's mark")
    (folder / "catalog.toml").write_text(text, "utf-8")
    monkeypatch.setattr("builder.items.pictures._Making.parts", lambda *_: pytest.fail("pictures were made again"))
    result = build_site(BuildRequest(folder, jobs=1), Terminal(quiet=True))
    assert result.written.written <= 6  # the page, its embed, spin.json and spin.js, and those of its old address
    page = (folder / "site" / "coffee-pot" / "index.html").read_text("utf-8")
    listed = page[page.index('<section class="spots">') :]
    assert [listed.index(label) for label in ("Relined spout", "The bench&#39;s mark", "Chip, touched in")] == sorted(
        listed.index(label) for label in ("Relined spout", "The bench&#39;s mark", "Chip, touched in")
    )


def test_a_spin_whose_steps_cannot_be_judged_has_hotspots_too(tmp_path, capsys):
    """Even steps and a likely camera; marks that no one point could make are said in words, and the build goes on."""
    write_spin(tmp_path / "bar", count=8)
    text = HEAD + 'at = {"IMG_0001.jpg" = [20, 36], "IMG_0002.jpg" = [31, 36], "IMG_0003.jpg" = [48, 36]}\n'
    text += '[[item.hotspot]]\nlabel = "Lost"\nat = {"IMG_0001.jpg" = [20, 6], "IMG_0002.jpg" = [90, 60], "IMG_0003.jpg" = [30, 10]}\n'
    write_catalog(tmp_path, text)
    result = build_site(BuildRequest(tmp_path, jobs=1), Terminal(quiet=True))
    assert result.items[0].measures.camera is None
    print_build(result, Terminal())
    said = capsys.readouterr().err
    assert "Hotspot 2 (Lost) meets its marks to" in said
    assert "look again, first of all at IMG_000" in said
    spots = json.loads((tmp_path / "site" / "bar" / "spin.json").read_text())["hotspots"]
    assert [len(one["places"]) for one in spots] == [8, 8]
    assert all(0 <= place["x"] <= 1 and 0 <= place["y"] <= 1 for one in spots for place in one["places"] if place)
