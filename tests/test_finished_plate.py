"""The clean plate from small turns drawn flat: what frames must tell apart when colour can't."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from builder.finished.disc import find_disc
from builder.finished.plate import find_plate, second_look
from builder.finished.survey import survey_turn
from builder.frames.photos import find_photos
from tests.pictures import write_photo

COUNT, HEIGHT, WIDTH, AXIS = 24, 150, 200, 100
WALL = (226, 222, 214)
STOPS = 36  # and as many marks


def turn(draw, seed: int = 0) -> np.ndarray:
    """uint8 (n, h, w, 3): `draw(picture, angle)` before a plain wall, with a phone's noise."""
    rng = np.random.default_rng(seed)
    stack = np.empty((COUNT, HEIGHT, WIDTH, 3), np.uint8)
    for k in range(COUNT):
        picture = np.full((HEIGHT, WIDTH, 3), WALL, np.uint8)
        draw(picture, 2 * np.pi * k / COUNT)
        noisy = cv2.GaussianBlur(picture, (0, 0), 0.6) + rng.normal(0, 1.2, picture.shape)
        stack[k] = np.rint(noisy).clip(0, 255)
    return stack


def white_jar(picture: np.ndarray, angle: float) -> None:
    """The wall's own colour, told by its outline alone; a highlight and a dark handle go round."""
    cv2.rectangle(picture, (70, 40), (130, 120), WALL, -1)
    cv2.rectangle(picture, (70, 40), (130, 120), (196, 192, 185), 2)
    glint = round(AXIS + 22 * np.sin(angle))
    cv2.line(picture, (glint, 55), (glint, 105), (248, 246, 242), 6)
    far = round(AXIS + 60 * np.cos(angle))
    if abs(far - AXIS) > 30:
        cv2.line(picture, (far, 60), (far, 95), (60, 70, 90), 9)


def slab(picture: np.ndarray, angle: float) -> None:
    """A dark box twice as broad as deep: its narrow side is seen from two places only."""
    half = round(20 * abs(np.sin(angle)) + 44 * abs(np.cos(angle)))
    cv2.rectangle(picture, (AXIS - half, 40), (AXIS + half, 120), (40, 44, 52), -1)


def test_a_body_of_the_walls_colour_is_no_wall():
    plate = find_plate(turn(white_jar), float(AXIS))
    inside = (slice(48, 113), slice(78, 123))
    assert plate.seen[inside].mean() < 0.02
    beside = plate.seen[45:115, 30:62]  # the handle's way
    assert beside.mean() > 0.98
    assert np.abs(plate.colour[45:115, 30:62] - WALL).max(axis=2).mean() < 2


def test_the_wall_is_known_where_only_the_narrow_views_show_it():
    plate = find_plate(turn(slab), float(AXIS))
    for side in (slice(AXIS - 40, AXIS - 31), slice(AXIS + 32, AXIS + 41)):  # the narrow side ends at 20
        assert plate.seen[45:115, side].mean() > 0.9
        assert np.abs(plate.colour[45:115, side] - WALL).max(axis=2).mean() < 3
    assert plate.seen[45:115, 88:113].mean() < 0.02


@pytest.mark.parametrize("marked", [True, False])
def test_marks_alone_show_a_disc_of_the_tables_colour(marked):
    plain = np.full((300, 400, 3), 220, np.float32)
    motion = np.full((300, 400), 2.0, np.float32)
    if marked:
        cv2.ellipse(motion, (200, 200), (117, 38), 0, 0, 360, 18.0, 4)
    core = np.zeros((300, 400), bool)
    core[100:205, 180:220] = True
    disc = find_disc(plain, motion, core, 200.0, 0.0, hidden=True)
    if not marked:
        assert disc is None
        return
    assert disc.semi_x == pytest.approx(120, abs=3)
    assert disc.semi_y == pytest.approx(41, abs=3)


FOOT = 50  # px: how far from the axis it goes round, seen a third as tall as wide; it stands on row 112 at the nearest


def walker(picture: np.ndarray, angle: float) -> None:
    """A body, and a leg that goes round under it; no shade at all."""
    cv2.rectangle(picture, (86, 30), (114, 100), (60, 48, 40), -1)
    place = round(AXIS + FOOT * np.cos(angle)), round(95 + 0.35 * FOOT * np.sin(angle))
    cv2.line(picture, (AXIS, 95), place, (130, 90, 60), 24)


def test_shade_may_fall_as_far_back_as_the_foot_goes():
    plate = find_plate(turn(walker), float(AXIS))
    assert not plate.steady[85:].any(), "the far half of the foot's circle is ground, shaded or not"
    assert plate.steady[:60].all(), "and the wall stays wall"


def test_shade_to_the_pictures_edge_fills_no_picture(tmp_path):
    def with_long_shade(picture: np.ndarray, angle: float) -> None:
        if abs(np.sin(angle)) > 0.5:  # the broad side throws it
            picture[96:108, AXIS:] = (150, 147, 142)
        walker(picture, angle)

    for k, picture in enumerate(turn(with_long_shade)):
        write_photo(tmp_path / f"IMG_{k:02d}.png", picture)
    photos = find_photos(tmp_path).photos
    still = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    survey = survey_turn(photos, [still] * COUNT, [(1.0, 1.0, 1.0)] * COUNT, float(AXIS))
    assert survey.plate.way[90:112, WIDTH - 5].any(), "the shade's way reaches the edge"
    assert not [doubt for doubt in survey.doubts if "fills" in doubt]


def pot_before_the_rim(picture: np.ndarray, angle: float) -> None:
    """A dark pot, never out of the way of the middle of a pale disc's far rim, which ends before a blue wall."""
    picture[:] = 150, 165, 185
    cv2.ellipse(picture, (AXIS, 105), (85, 30), 0, 0, 360, (190, 188, 184), -1, cv2.LINE_AA)
    sway = round(4 * np.cos(angle))
    cv2.rectangle(picture, (78 + sway, 40), (122 + sway, 112), (120, 60, 30), -1)


def test_what_a_subject_hides_is_wall_above_the_discs_rim_and_disc_below():
    stack = turn(pot_before_the_rim)
    plate = find_plate(stack, float(AXIS))
    assert plate.disc is not None, plate.disc
    cuts = (np.abs(stack.astype(int) - (120, 60, 30)).max(axis=3) < 25) & (np.arange(HEIGHT) < 116)[None, :, None]
    again = second_look(plate, stack, cuts)
    for colour in (plate.colour, again.colour):
        assert np.abs(colour[55:70, 90:110] - (150, 165, 185)).max() < 8
        assert np.abs(colour[80:105, 90:110] - (190, 188, 184)).max() < 8


def marked_disc(picture: np.ndarray, angle: float, hand: float, mark: float) -> None:
    """A body on a board that steps by its marks, so that they stand where marks stood; its shade reaches them."""
    cv2.ellipse(picture, (200, 187), (128, 38), 0, 0, 180, (150, 144, 132), -1)  # the front of the board
    cv2.ellipse(picture, (200, 180), (128, 38), 0, 0, 360, (232, 229, 222), -1)
    shade = np.zeros(picture.shape[:2], np.float32)
    cv2.ellipse(shade, (210, 188), (round(120 + 14 * np.cos(angle)), 14), 0, -90, 90, 0.3, -1)
    np.copyto(picture, np.rint(picture * (1 - cv2.GaussianBlur(shade, (0, 0), 4.0))[..., None]).astype(np.uint8))
    for turned in 2 * np.pi * np.arange(STOPS) / STOPS + hand:
        inner, outer = (
            (round(16 * (200 + r * 128 * np.cos(turned))), round(16 * (180 + r * 38 * np.sin(turned))))
            for r in (1 - mark, 1.0)
        )
        cv2.line(picture, inner, outer, (90, 84, 78), 1, cv2.LINE_AA, 4)
        if np.sin(turned) > 0:
            cv2.line(picture, outer, (outer[0], outer[1] + 16 * 7), (70, 66, 60), 1, cv2.LINE_AA, 4)
    half = round(36 + 30 * abs(np.cos(angle)))
    cv2.rectangle(picture, (200 - half, 90), (200 + half, 186), (52, 58, 120), -1)


@pytest.mark.parametrize(("hand_deg", "mark"), [(0.5, 0.1), (0.8, 0.1), (0.8, 0.05)])
def test_marks_that_stand_where_marks_stood_hide_no_disc(hand_deg, mark):
    """As many stops as marks: over the turn the ring of them moves as broadly as a body, and hangs together with it."""
    rng = np.random.default_rng(7)
    stack = []
    for k in range(STOPS):
        picture = np.full((300, 400, 3), WALL, np.uint8)
        marked_disc(picture, 2 * np.pi * k / STOPS, np.radians(rng.normal(0, hand_deg)), mark)
        noisy = cv2.GaussianBlur(picture, (0, 0), 0.6) + rng.normal(0, 2.0, picture.shape)
        stack.append(np.rint(noisy).clip(0, 255).astype(np.uint8))
    plate = find_plate(np.stack(stack), 200.0)
    assert plate.base_row < 200  # the body ends at 186, and the marks begin at 210
    front = np.zeros((300, 400), np.uint8)
    cv2.ellipse(front, (200, 180), (118, 33), 0, 10, 170, 1, 4)
    assert plate.seen[front > 0].mean() > 0.9
