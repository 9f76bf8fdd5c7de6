"""The finish on drawn turns whose truth is exact: plate, matte, backdrop, colour, and the same bytes every time."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage.metrics import structural_similarity

from builder import colour
from builder.catalog.declaration import FinishSettings
from builder.finished import cut, finish_frame, plan_finish, rims
from builder.finished.sample import matrix
from builder.finished.survey import MOST_COPIES, survey_turn
from builder.frames.photos import read_photo as real
from tests.finish_scenes import CAST, DrawnTurn, drawn_turn, empty_set
from tests.turntable import _srgb

COUNT, WIDTH = 12, 480


@pytest.fixture(scope="module")
def turn(tmp_path_factory):
    """Draws each scene once."""
    drawn: dict[str, DrawnTurn] = {}

    def of(name: str) -> DrawnTurn:
        if name not in drawn:
            folder = tmp_path_factory.mktemp(name.replace(" ", "-"))
            # White on white is told from its backdrop by little: as many frames and pixels as a shop takes at least.
            more = {"count": 24, "width": 640} if name == "white pot" else {"count": COUNT, "width": WIDTH}
            drawn[name] = drawn_turn(name, folder, **more)
        return drawn[name]

    return of


@pytest.fixture(scope="module")
def plan(turn):
    made = {}

    def of(name: str):
        if name not in made:
            one = turn(name)
            made[name] = plan_finish(one.photos, one.measures, FinishSettings(shadow=0.0))
        return made[name]

    return of


def moved(picture: np.ndarray, to_output, size: tuple[int, int]) -> np.ndarray:
    return cv2.warpAffine(picture, matrix(to_output)[:2], size, flags=cv2.INTER_LINEAR)


def overlap(done, mask: np.ndarray) -> float:
    true = moved(mask, done.to_output, done.matte.shape[::-1]) >= 0.5
    have = done.matte >= 128
    return float((have & true).sum() / (have | true).sum())


# White on white by the bar for it; the others by the bar for all, less what a pixel of outline is of so small a picture.
@pytest.mark.parametrize(
    "name, least",
    [
        ("pot", 0.95),
        ("white pot", 0.92),
        ("centred mug", 0.92),
        ("centred black mug", 0.92),
        ("black on black", 0.95),
        ("glass", 0.95),
    ],
)
def test_matte_covers_the_true_mask(turn, plan, name, least):
    mattes = [overlap(finish_frame(plan(name), k), turn(name).masks[k]) for k in range(0, COUNT, 3)]
    assert np.mean(mattes) >= least
    assert min(mattes) >= least - 0.03


@pytest.mark.parametrize("name", ["pot", "glass", "black on black"])
def test_backdrop_is_white_and_the_subject_is_not_burnt(turn, plan, name):
    done, mask = finish_frame(plan(name), 2), turn(name).masks[2]
    size = done.matte.shape[::-1]
    near = moved(cv2.dilate((mask > 0).astype(np.float32), np.ones((9, 9))), done.to_output, size)
    assert (done.pixels[near == 0] >= 250).all(axis=1).mean() >= 0.997
    inside = moved(cv2.erode((mask >= 0.999).astype(np.float32), np.ones((5, 5))), done.to_output, size) >= 0.999
    assert (done.pixels[inside] == 255).all(axis=1).mean() <= 0.003


def test_plate_is_the_set_without_the_subject(turn):
    one = turn("pot")
    frames = one.measures.frames
    survey = survey_turn(
        one.photos, [f.to_reference for f in frames], [f.gain for f in frames], one.measures.axis_x
    )  # fmt: skip
    size = survey.stack.shape[2], survey.stack.shape[1]
    level = 0.8 * float(np.median([g / f.gain[0] for g, f in zip([1.0] * COUNT, frames)]))
    light = cv2.resize(empty_set(one.table), size, interpolation=cv2.INTER_AREA) * np.float32(CAST)
    seen = survey.plate.seen & survey.plate.way
    # One factor, for the level of the median frame, which the truth of one picture doesn't know.
    found = colour.decode(survey.plate.colour[seen] / 255.0)
    factor = np.median(found / light[seen])
    assert level / 2 < factor < level * 2
    away = np.abs(255 * colour.encode(light[seen] * factor) - survey.plate.colour[seen]).max(axis=1)
    assert np.median(away) < 2.0
    assert np.quantile(away, 0.9) < 8.0
    assert survey.doubts == ()


def test_evening_takes_the_flicker_out(turn, plan):
    one, made = turn("pot"), plan("pot")
    # The gains that the frames were drawn with, in stops, against those that the plan takes out again.
    drawn = -np.log2([f.gain[0] for f in one.measures.frames])
    left = drawn + np.log2([gains[0] for gains in made.gains])
    assert np.ptp(drawn) > 0.1
    assert np.abs(np.diff(left)).max() < 0.01


def test_colour_and_texture_of_the_subject_are_kept(turn, plan):
    one, made = turn("pot"), plan("pot")
    done = finish_frame(made, 4)
    light, mask = one.table.linear(360 * 4 / COUNT)
    size = done.matte.shape[::-1]
    wanted = moved(light, done.to_output, size)
    inside = moved(cv2.erode((mask >= 0.999).astype(np.float32), np.ones((5, 5))), done.to_output, size) >= 0.999
    have = colour.decode(done.pixels / 255.0)
    factor = np.median(colour.luminance(have[inside]) / colour.luminance(wanted[inside]))
    apart = colour.ciede2000(colour.lab_from_light(have[inside]), colour.lab_from_light(wanted[inside] * factor))
    assert np.median(apart) <= 2.3  # the bar for rendered turns
    reference = np.where(inside[..., None], _srgb(wanted * factor), done.pixels)
    alike = structural_similarity(reference, done.pixels, channel_axis=2, full=True)[1]
    assert alike[inside].mean() > 0.9


def test_other_backdrops_enter_through_the_matte(turn, plan):
    made = plan("pot")
    pink = finish_frame(replace(made, backdrop=(255, 0, 200)), 1)
    clear = finish_frame(replace(made, backdrop=None, transparent=True), 1)
    outside, core = pink.matte == 0, pink.matte == 255
    assert (pink.pixels[outside] == (255, 0, 200)).all()
    assert clear.pixels.shape[2] == 4 and not clear.pixels[outside][:, 3].any()
    assert (pink.pixels[core] == clear.pixels[core][:, :3]).all()


def test_a_cut_within_its_box_is_the_one_in_the_whole_picture(turn, plan, monkeypatch):
    """What can't change is left out for speed only."""
    for name in ("pot", "black on black"):
        boxed = finish_frame(plan(name), 7)
        with monkeypatch.context() as patched:
            for module in (cut, rims):
                patched.setattr(module, "around", lambda mask, border: (slice(None), slice(None)))
            whole = finish_frame(plan(name), 7)
        assert boxed.matte.tobytes() == whole.matte.tobytes() and boxed.pixels.tobytes() == whole.pixels.tobytes()


def test_two_runs_give_the_same_bytes(turn, plan):
    one = turn("pot")
    again = plan_finish(one.photos, one.measures, FinishSettings(shadow=0.0))
    first, second = finish_frame(plan("pot"), 5), finish_frame(again, 5)
    assert first.pixels.tobytes() == second.pixels.tobytes()
    assert first.matte.tobytes() == second.matte.tobytes()


def test_statistics_hold_no_more_copies_for_more_frames(turn, monkeypatch):
    one = turn("pot")
    many = tuple(one.photos) * 6  # 72 frames
    frames = one.measures.frames * 6
    read = []
    from builder.finished import sample

    monkeypatch.setattr(sample, "read_photo", lambda photo, **how: read.append(photo) or real(photo, **how))
    survey = survey_turn(many, [f.to_reference for f in frames], [f.gain for f in frames], one.measures.axis_x)
    assert len(survey.stack) == MOST_COPIES == len(read)
