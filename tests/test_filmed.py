"""Frames from a film: the turn found in it, frames evenly in angle, and plain words for films that won't do."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from builder.catalog import read_catalog
from builder.commands.check import is_film
from builder.errors import CatalogError, PhotoError
from builder.filmed import film_findings, take_frames
from builder.filmed.angles import FilmAngles, _closed_in_time, _off
from builder.filmed.choose import candidates, frame_name
from builder.filmed.course import read_course
from builder.filmed.disc_map import map_angles
from builder.filmed.loop import find_loop
from builder.filmed.smear import measure_smear
from builder.frames.footage import _from_hdr, film_pictures, open_footage
from builder.measured.place import Axis
from builder.measured.turntable import unjudged
from builder.spin import FilmTake
from tests.command import kickwheel
from tests.films import drawn_at, drawn_poses, uneven_turn, write_film, write_hdr, write_sound, write_turn
from tests.pictures import patchwork, write_catalog
from tests.turntable import Scene, Turntable

ITEM = '[shop]\nname = "Saltmarsh Bench"\n[[item]]\ntitle = "Pot"\nframes = "turn.mp4"\n'


@pytest.fixture(scope="module")
def poses() -> np.ndarray:
    return drawn_poses(Scene(shape="pot"), 2.5)


@pytest.fixture(scope="module")
def rough() -> np.ndarray:
    """Small and few: enough where nothing is measured."""
    return drawn_poses(Scene(shape="pot"), 3.0, 160, 120)


def loop_of(film: Path):
    course = read_course(film_pictures(film))
    part = course.moving_part()
    return part and find_loop(course, *part)


# ---- the turn ----------------------------------------------------------------------------------------------


def test_a_site_from_a_film_of_uneven_speed(poses, tmp_path):
    """18 frames whose true angles are those of spin.json within 1.0° in the mean, even ones; the turn found within
    1 %; nothing done again by a second build; finished files that name the moment of the film they are from."""
    times, wanted = uneven_turn(7, 372.5, seed=4, jitter=0.3)
    shop = write_catalog(tmp_path, ITEM + 'frames_count = 18\n[output]\nwidths = [100]\nformats = ["jpeg"]\n').parent
    truth = write_turn(shop / "turn.mp4", poses, times, wanted)
    built = kickwheel("build", shop)
    assert built.status == 0 and "18 frames" in built.out and "18 frames from the film" in built.out + built.err
    again = kickwheel("build", shop)
    assert again.status == 0 and "Nothing has changed" in again.out
    assert kickwheel("finish", shop, "--out", shop / "finished").status == 0
    finished = json.loads((shop / "finished" / "pot" / "finish.json").read_text())
    spin = json.loads((shop / "site" / "pot" / "spin.json").read_text())
    film_times = np.array([picture.time_s for picture in film_pictures(shop / "turn.mp4")])

    def true(moment: float) -> float:
        return float(truth[int(np.argmin(np.abs(film_times - moment)))])

    own = np.array([true(float(frame["source"].rpartition("-")[2][:-5])) for frame in finished["frames"]])
    for said in ([frame["angle_deg"] for frame in spin["frames"]], np.arange(18) * 20.0):
        off = own - own[0] - said
        assert np.abs(off - off.mean()).mean() <= 1.0
    assert spin["closed"] and spin["turn"] == "counterclockwise"
    (start, end) = map(
        float, re.search(r"from the film, from ([\d.]+) s to ([\d.]+) s", built.out + built.err).groups()
    )
    assert true(end) - true(start) == pytest.approx(360, rel=0.01)


def test_every_film_that_wont_do_is_said_in_one_run(rough, tmp_path):
    """A broken film at once, before anything is measured; films that show no turn all together."""
    item = '[[item]]\ntitle = "{}"\nframes = "{}"\n'
    shop = '[shop]\nname = "Saltmarsh Bench"\n'
    for name in ("still.mp4", "rest.mp4"):
        write_film(tmp_path / name, [rough[0]] * 20, np.arange(20) / 20)
    (tmp_path / "broken.mp4").write_bytes(np.random.default_rng(0).bytes(5000))
    write_catalog(tmp_path, shop + item.format("Still", "still.mp4") + item.format("Broken", "broken.mp4"))
    ran = kickwheel("build", tmp_path)
    assert ran.status == 2 and "broken.mp4" in ran.err and "can't be read" in ran.err and "Traceback" not in ran.err
    assert ran.err.count("\n") == 1 and not (tmp_path / "site").exists()
    write_catalog(tmp_path, shop + item.format("Still", "still.mp4") + item.format("Rest", "rest.mp4"))
    ran = kickwheel("build", tmp_path)
    lines = [line for line in ran.err.splitlines() if "nothing is seen to turn" in line]
    assert ran.status == 2 and len(lines) == 2 and "still.mp4" in lines[0] and "rest.mp4" in lines[1]


def test_the_disc_tells_each_pictures_place_where_little_else_does():
    """A mug with a few letters on one side: marks on the disc's rim give each picture's place to a fraction of a degree
    in a whole turn, from a guess that is 8° off, and a part turn's extent to one part in twenty. A disc without marks
    gives nothing, rather than something."""
    true = np.arange(120) * 3.0 + np.where(np.arange(120) % 2, 0.7, 0.0)  # uneven: two steps alike would hide a mistake
    table = Turntable(Scene(shape="mug", texture="label", seed=3), width=240, height=180)
    axis = Axis(2 * table.axis_x, 0.0, 2 * table.axis_y)
    focal_px = 2 * table.focal_px
    greys = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in drawn_at(table.scene, true)]
    guess = true + 8 * np.sin(np.radians(2 * true))
    found = map_angles(greys, 0.85 * focal_px, axis, guess, True)
    off = found.angles - true
    assert np.abs(off - off.mean()).mean() <= 0.2 and found.off_deg <= 0.2
    part = map_angles(greys[:61], 0.9 * focal_px, axis, 0.8 * guess[:61], False)
    assert part.angles[-1] == pytest.approx(180, rel=0.05)
    plain = [
        cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in drawn_at(replace(table.scene, marks=0), true[::2])
    ]
    assert map_angles(plain, focal_px, axis, guess[::2], True) is None


def test_half_a_turn_says_how_much_is_missing(poses, tmp_path):
    times, angles = uneven_turn(4, 180, seed=2)
    small = np.stack([cv2.resize(pose, (320, 240), interpolation=cv2.INTER_AREA) for pose in poses])
    write_turn(tmp_path / "turn.mp4", small, times, angles)
    take = take_frames(tmp_path / "turn.mp4", tmp_path)
    (finding,) = [f for f in film_findings(take, part=False) if f.kind == "open-loop"]
    assert not take.closed and finding.severity == "fail" and "about half a turn (between" in finding.message
    assert abs(finding.measured - 180) <= 2 * take.turned_sigma_deg < 120  # by perspective alone, and said so
    assert not [f for f in film_findings(take, part=True) if f.kind == "open-loop"]


def test_a_part_turn_is_never_said_to_be_whole():
    for turned in (30.0, 180.0, 335.0):
        take = FilmTake(("a",) * 36, (), 0.0, 9.0, turned, False, True, 0.0, 36, turned_sigma_deg=0.15 * turned)
        (finding,) = film_findings(take, part=False)
        low, high = map(float, re.search(r"between (\d+)° and (\d+)°", finding.message).groups())
        assert low < turned < high < 360 and finding.severity == "fail"


def test_angles_known_badly_are_said():
    base = dict(angles_deg=(), start_s=1.0, end_s=6.0, turned_deg=360.0, closed=True, judged=True, turns=1.0, wanted=36)
    for off, kinds in ((0.6, []), (2.5, [("uneven-steps", "warn")]), (None, [("uneven-steps", "warn")])):
        take = FilmTake(names=("a",) * 36, off_deg=off, **base)
        assert [(f.kind, f.severity) for f in film_findings(take, part=False)] == kinds


def test_the_error_of_angles_adds_up_along_the_turn():
    """Brownian bridge of n equal steps: mean variance of its places is sigma² (n² − 1) / (6 n), about sigma² n / 6.

    From memory; counted here over drawn turns as well.
    """
    steps = np.random.default_rng(1).normal(0, 0.3, (4000, 24))
    angles = np.cumsum(steps - steps.mean(axis=1, keepdims=True), axis=1)
    assert _off(np.full(24, 0.3)) == pytest.approx(np.sqrt((angles**2).mean()), rel=0.03)
    assert _off(np.full(24, 0.3)) == pytest.approx(0.3 * np.sqrt(24 / 6), rel=0.03)
    assert _off(np.array((0.3,) * 23 + (np.inf,))) is None  # what wasn't measured isn't perfect


def test_what_nothing_holds_turns_as_fast_as_the_rest():
    """A plain side in view for a third of the turn: the fit saw nothing move there, and left 120° to the seam."""
    steps, sigma, times = np.full(36, 10.0), np.full(36, 0.2), np.arange(37) * 0.2
    steps[10:22], sigma[10:22] = 0.4, 5.0
    steps[0] = 10.0 + 12 * 9.6  # over the seam
    fit = replace(unjudged(36, True, ""), steps_deg=tuple(steps), step_sigma_deg=tuple(sigma))
    angles, off = _closed_in_time(fit, times)
    assert np.abs(angles - np.arange(37) * 10).max() < 0.5 and angles[-1] == pytest.approx(360)
    # twelve of 5° each, two thirds of them by a bridge of their own: what is said must cover a hand's ups and downs
    assert 3 < off < 8
    sure = replace(fit, steps_deg=(10.0,) * 36, step_sigma_deg=(0.2,) * 36)
    assert _closed_in_time(sure, times)[1] == pytest.approx(0.2 * np.sqrt(6), rel=0.03)


@pytest.mark.parametrize("turned, turns", [(360, 1.0), (400, 1.1), (725, 2.0)])
def test_the_first_whole_turn_is_found_within_a_hundredth(rough, tmp_path, turned, turns):
    times, angles = uneven_turn(turned / 45, turned, seed=3, uneven=0.6)
    truth = write_turn(tmp_path / "turn.mp4", rough, times, angles)
    loop = loop_of(tmp_path / "turn.mp4")
    assert loop.closed and truth[loop.end] - truth[loop.start] == pytest.approx(360, rel=0.01)
    assert loop.turns == pytest.approx(turns, abs=0.15)


def test_a_slow_turn_keeps_its_slow_beginning_and_end(rough, tmp_path):
    """30 s from rest to rest, a jump of 3° every eight pictures and fewer at the ends: nothing of it is cut off."""
    times, angles = uneven_turn(30, 366, still_s=3, seed=1, uneven=0.3)
    truth = write_turn(tmp_path / "turn.mp4", rough, times, angles)
    first, last = read_course(film_pictures(tmp_path / "turn.mp4")).moving_part()
    assert truth[first] == 0 and truth[last] == 366
    assert 0.5 < times[first] <= times[truth > 0][0] and times[last] < times[-1] - 0.5
    loop = loop_of(tmp_path / "turn.mp4")
    assert loop.closed and truth[loop.end] - truth[loop.start] == pytest.approx(360, rel=0.01)


def test_a_part_of_a_turn_is_not_taken_for_a_whole_one(rough, tmp_path):
    times, angles = uneven_turn(5, 300, seed=1)
    write_turn(tmp_path / "turn.mp4", rough, times, angles)
    assert not loop_of(tmp_path / "turn.mp4").closed


def test_a_film_of_no_turn(rough, tmp_path):
    times, angles = uneven_turn(1, 0, seed=1)
    write_turn(tmp_path / "turn.mp4", rough, times, angles)
    with pytest.raises(PhotoError, match="nothing is seen to turn in it"):
        take_frames(tmp_path / "turn.mp4", tmp_path)


def test_where_the_turn_is_given_it_is_taken_whatever_shows(rough, tmp_path):
    """A plain thing shows no turn: from and to say where it is, and a finding that angles weren't seen."""
    write_film(tmp_path / "turn.mp4", [rough[0]] * 40, np.arange(40) / 20)
    take = take_frames(tmp_path / "turn.mp4", tmp_path, count=8, start_s=0.3, end_s=1.9)
    assert len(take.names) == 8 and not take.judged and take.closed
    assert np.diff([float(name.rpartition("-")[2][:-5]) for name in take.names]) == pytest.approx(0.2, abs=0.051)
    assert [(f.kind, f.severity) for f in film_findings(take, part=False)] == [("uneven-steps", "warn")]
    with pytest.raises(PhotoError, match="fewer than two pictures between from and to"):
        take_frames(tmp_path / "turn.mp4", tmp_path, start_s=5.0, end_s=9.0)


def test_two_turns_and_too_fast_a_turn_are_said():
    base = dict(
        angles_deg=(), start_s=1.0, end_s=6.0, turned_deg=360.0, closed=True, judged=True, off_deg=0.1, wanted=36
    )
    two = FilmTake(names=("a",) * 36, turns=2.0, **base)
    assert [(f.kind, f.severity) for f in film_findings(two, part=False)] == [("open-loop", "note")]
    assert "2.0 turns" in film_findings(two, part=False)[0].message
    fast = FilmTake(names=("a",) * 20, turns=1.0, **base)
    assert [(f.kind, f.severity) for f in film_findings(fast, part=False)] == [("too-few-frames", "warn")]
    assert film_findings(FilmTake(names=("a",) * 36, turns=1.0, **base), part=False) == []


def test_a_turn_that_smears_is_said(poses, tmp_path):
    """Each picture of the turn smeared sideways over 9 px, as by a long exposure, against the same film taken sharp."""
    times, angles = uneven_turn(3, 90, seed=1)
    place = np.rint(angles / 2.5).astype(int)
    turning = np.gradient(angles, times) > 3
    found = {}
    for name, smeared in (("sharp", False), ("smeared", True)):
        pictures = [cv2.blur(poses[k], (9, 1)) if smeared and moves else poses[k] for k, moves in zip(place, turning)]
        film = write_film(tmp_path / f"{name}.mp4", pictures, times)
        course = read_course(film_pictures(film))
        found[name] = measure_smear(film, course, FilmAngles(0, angles, 90.0, False, True))
    assert found["sharp"] == 0 and found["smeared"] > 1.5
    take = FilmTake(("a",) * 36, (), 0.0, 1.0, 360.0, True, True, 1.0, 36, off_deg=0.1, smear_px=found["smeared"])
    assert [(f.kind, f.severity) for f in film_findings(take, part=False)] == [("blurred", "warn")]


def test_frames_are_chosen_near_their_angle_and_never_twice():
    angles = FilmAngles(5, np.linspace(0, 360, 721), 360.0, True, True)
    lists = candidates(angles, 36, part=False)
    assert [places[len(places) // 2] - 5 for places in lists] == pytest.approx([20 * k for k in range(36)], abs=1)
    fast = FilmAngles(0, np.linspace(0, 360, 25), 360.0, True, True)
    chosen = [place for places in candidates(fast, 36, part=False) for place in places]
    assert len(chosen) == len(set(chosen)) == 24
    part = FilmAngles(0, np.linspace(0, 90, 91), 90.0, False, True)
    assert [places[0] for places in candidates(part, 4, part=True)] == pytest.approx([0, 30, 60, 90], abs=1)


# ---- reading films -----------------------------------------------------------------------------------------


def test_rotation_size_and_times_are_as_another_reader_sees_them(tmp_path):
    """The upright picture against the FFmpeg program's own turning of the same film."""
    import imageio.v3 as iio

    pytest.importorskip("imageio_ffmpeg")
    picture = patchwork(96, 64)
    for rotation in (0, 90, 180, -90):
        film = write_film(tmp_path / f"r{rotation}.mp4", [picture] * 3, [0.0, 0.04, 0.11], rotation=rotation)
        head = open_footage(film)
        pictures = list(film_pictures(film))
        ours = pictures[0].colour()
        theirs = iio.imread(film, index=0, plugin="FFMPEG")
        assert ours.shape[:2] == (head.height, head.width) == theirs.shape[:2]
        assert np.abs(ours.astype(int) - theirs).mean() < 3
        assert [p.time_s for p in pictures] == pytest.approx([0.0, 0.04, 0.11], abs=1e-3)
    assert [p.time_s for p in film_pictures(film, 0.03, 0.05)] == pytest.approx([0.04], abs=1e-3)


def test_colours_of_a_film_are_kept(tmp_path):
    patches = np.zeros((64, 96, 3), np.uint8)
    colours = [(200, 40, 40), (40, 180, 60), (50, 60, 200), (128, 128, 128), (250, 250, 250), (16, 16, 16)]
    for k, colour in enumerate(colours):
        patches[:, 16 * k : 16 * k + 16] = colour
    film = write_film(tmp_path / "c.mp4", [patches] * 2, [0.0, 0.1], options={"crf": "5"})
    seen = next(iter(film_pictures(film))).colour()[32, 8::16]
    assert np.abs(seen.astype(int) - colours).max() <= 4


def test_high_dynamic_range_comes_down_to_srgb():
    """Reference white of ITU-R BT.2408-7 table 1: HLG 75 %, PQ 58 % (203 cd/m²); grey card (18 %) HLG 38 %, PQ 38 % (26 cd/m²).

    26 of 203 cd/m² is 12.8 % of white, HLG's 38 % a light of 0.048 of 0.265, 18.2 %: sRGB codes 101 and 118.
    """

    def codes(level, curve):
        return _from_hdr(np.full((1, 1, 3), round(level * 65535), np.uint16), curve)[0, 0]

    assert codes(0.75, 18) == pytest.approx([255] * 3, abs=1) and codes(0.0, 18) == pytest.approx([0] * 3, abs=1)
    assert codes(0.5806, 16) == pytest.approx([255] * 3, abs=1)
    assert codes(0.38, 16) == pytest.approx([101] * 3, abs=2)
    assert codes(0.38, 18) == pytest.approx([118] * 3, abs=2)


@pytest.mark.parametrize(
    "curve, levels, codes", [(18, (0.0, 0.38, 0.75), (0, 118, 255)), (16, (0.0, 0.38, 0.5806), (0, 101, 255))]
)
def test_a_film_flagged_as_high_dynamic_range_has_sane_tones(curve, levels, codes, tmp_path):
    """Black, grey card and reference white of ITU-R BT.2408-7 table 1 through a real 10-bit film with a phone's tags;
    260 rows, so that the picture is converted in more than one piece."""
    film = write_hdr(tmp_path / "hdr.mp4", np.repeat(levels, 32)[None].repeat(260, axis=0), curve)
    picture = next(iter(film_pictures(film)))
    for seen in (picture.colour(), picture.colour(80)):
        at = np.linspace(0, seen.shape[1], 7)[1::2].astype(int)
        for row in (2, len(seen) - 3):
            assert seen[row, at].astype(int) == pytest.approx(np.array(codes)[:, None].repeat(3, axis=1), abs=4)
    assert np.ptp(picture.grey(96)[10].astype(int)) > 100


def test_films_that_cant_be_read_are_one_message_each(tmp_path):
    (tmp_path / "empty.mp4").write_bytes(b"")
    (tmp_path / "noise.mov").write_bytes(np.random.default_rng(0).bytes(5000))
    write_sound(tmp_path / "sound.mp4")
    whole = write_film(tmp_path / "whole.mp4", [patchwork(96, 64, seed=k) for k in range(30)], np.arange(30) / 30)
    (tmp_path / "cut.mp4").write_bytes(whole.read_bytes()[: len(whole.read_bytes()) // 2])
    for name, what in {"empty.mp4": "can't be read", "noise.mov": "can't be read", "sound.mp4": "sound only",
                       "cut.mp4": "can't be read"}.items():  # fmt: skip
        with pytest.raises(PhotoError, match=what) as caught:
            open_footage(tmp_path / name)
        assert len(caught.value.faults) == 1 and caught.value.faults[0].advice
    ran = kickwheel("check", tmp_path / "sound.mp4")
    assert ran.status == 2 and ran.err.count("\n") == 1 and "sound only" in ran.err and "Traceback" not in ran.err


def test_names_tell_the_time_in_the_film_and_sort_by_it(tmp_path):
    names = [frame_name(Path("turn.mov"), time, 7) for time in (2.5, 10.25, 100.0)]
    assert names == ["turn-002.500s.png", "turn-010.250s.png", "turn-100.000s.png"] == sorted(names)


# ---- the catalogue -----------------------------------------------------------------------------------------


def faults_of(shop: Path, text: str) -> list[str]:
    write_catalog(shop, text)
    try:
        read_catalog(shop)
    except CatalogError as error:
        return [f"{fault.what} {fault.advice}" for fault in error.faults]
    return []


def test_from_and_to_are_times_of_a_film_and_names_in_a_folder(tmp_path):
    write_film(tmp_path / "turn.mp4", [patchwork()] * 2, [0, 0.1])
    (tmp_path / "jug").mkdir()
    (tmp_path / "note.txt").write_text("not a film")
    assert faults_of(tmp_path, ITEM + 'from = 2.5\nto = "1:02.5"\nframes_count = 24\n') == []
    (item,) = read_catalog(tmp_path).items
    assert item.film == tmp_path / "turn.mp4" and item.film_span_s == (2.5, 62.5)
    folder = ITEM.replace("turn.mp4", "jug")
    assert faults_of(tmp_path, folder + 'from = "IMG_1.jpg"\n') == []
    assert read_catalog(tmp_path).items[0].film is None
    assert "is a time" in faults_of(tmp_path, folder + "from = 3\n")[0]
    assert "is for films" in faults_of(tmp_path, folder + "frames_count = 24\n")[0]
    assert "clock time" in faults_of(tmp_path, ITEM + 'from = "IMG_1.jpg"\n')[0]
    assert "before from" in faults_of(tmp_path, ITEM + "from = 9\nto = 3\n")[0]
    assert "frames_count" in faults_of(tmp_path, ITEM + "frames_count = 1\n")[0]
    assert "no film" in faults_of(tmp_path, ITEM.replace("turn.mp4", "note.txt"))[0]
    assert is_film(tmp_path / "turn.mp4") and not is_film(tmp_path / "note.txt")
