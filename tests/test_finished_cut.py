"""What the hull gives back to a frame's cut: drawn patches with known truth, no pictures of things."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from builder.colour import decode, encode
from builder.finished.cut import cut_subject
from builder.finished.values import CleanSet

SIZE = 240
BOARD = 200.0
BODY = (slice(70, 170), slice(70, 170))
ALIKE = (slice(70, 170), slice(120, 170))  # the part of the body that looks like shade on the board


def clean_board() -> CleanSet:
    """A plain board whose middle the subject passes, where shade falls."""
    plain = np.full((SIZE, SIZE, 3), BOARD, np.float32)
    way, clear = np.zeros((SIZE, SIZE), bool), np.full((SIZE, SIZE), 0.8, np.float32)
    way[30:210, 30:210] = True
    return CleanSet(
        colour=plain,
        seen=np.ones_like(way),
        steady=np.zeros_like(way),
        spread=np.ones((SIZE, SIZE), np.float32),
        stands=np.zeros_like(way),
        lit=plain,
        way=way,
        clear=clear,
        tints=None,
    )


def body_that_goes_over_into_its_shade(hard: bool) -> np.ndarray:
    """A brown body whose right half is as grey as the shade beside it; hard: with an outline between the halves."""
    frame = np.full((SIZE, SIZE, 3), BOARD, np.float32)
    shade = np.zeros((SIZE, SIZE), np.float32)
    shade[100:160, 150:200] = 1
    frame -= 60 * cv2.GaussianBlur(shade, (0, 0), 14)[..., None]
    grey = np.full(3, 142.0, np.float32)
    frame[ALIKE] = grey
    brown = np.float32([150, 100, 60])
    blend = np.clip((np.arange(70, 120) - 72) / 47, 0, 1)[None, :, None]
    frame[70:170, 70:120] = brown if hard else brown + blend * (grey - brown)
    return frame + np.random.default_rng(5).normal(0, 0.7, frame.shape).astype(np.float32)


def hull_and_agreed() -> np.ndarray:
    room = np.zeros((SIZE, SIZE), bool)
    room[68:172, 68:172] = True
    return room


def kept(frame: np.ndarray, agreed: np.ndarray | None) -> float:
    """Share of the part that looks like shade, clear of its border, that the cut keeps."""
    cut = cut_subject(frame, clean_board(), hull_and_agreed(), agreed)
    assert cut[74:166, 74:84].mean() > 0.95
    return float(cut[78:162, 124:162].mean())


def test_what_all_other_frames_see_filled_is_not_lost_to_shade():
    frame = body_that_goes_over_into_its_shade(hard=False)
    assert kept(frame, None) < 0.5
    assert kept(frame, hull_and_agreed()) > 0.95


def test_a_sight_past_the_subject_ends_at_an_outline_and_stays():
    frame = body_that_goes_over_into_its_shade(hard=True)
    assert kept(frame, hull_and_agreed()) < 0.5


def standing_shade(edge: int) -> np.ndarray:
    """A white board with a hard shadow beside a brown body, that begins `edge` rows down."""
    frame = np.full((SIZE, SIZE, 3), BOARD, np.float32)
    frame[edge:150, 170:230] = 140.0
    frame[BODY] = 150, 100, 60
    return cv2.GaussianBlur(frame, (0, 0), 0.8) + np.random.default_rng(5).normal(0, 0.7, frame.shape).astype(
        np.float32
    )


def test_light_where_the_plate_has_a_standing_shade_is_no_subject():
    clean = clean_board()
    shaded = standing_shade(100)
    shaded[BODY] = BOARD
    clean = replace(clean, colour=shaded, lit=shaded)
    cut = cut_subject(standing_shade(106), clean, hull_and_agreed())
    assert cut[74:166, 74:166].mean() > 0.98
    assert cut[:, 180:].mean() < 0.003


def test_a_white_body_before_a_standing_shade_stays():
    clean = clean_board()
    shaded = standing_shade(100)
    shaded[BODY] = BOARD
    clean = replace(clean, colour=shaded, lit=shaded)
    frame = standing_shade(100)
    frame[110:140, 160:200] = 215.0  # a handle, paler than the board
    frame[108:110, 160:202] = frame[140:142, 160:202] = frame[108:142, 200:202] = 120.0  # with an outline
    room = hull_and_agreed()
    room[106:144, 160:204] = True
    assert cut_subject(frame, clean, room)[114:136, 175:196].mean() > 0.95


def rail_over_its_shade(first: int) -> np.ndarray:
    """A dark brown rail, 10 rows from row `first`, over deep grey shade that has streaks and ends softly 40 rows below."""
    light = np.full((SIZE, SIZE), 1.0, np.float32)
    down = np.arange(40, dtype=np.float32)
    shade = 0.14 + 0.05 * np.sin(down / 2.2) + 0.5 * (down / 40) ** 6
    light[first + 10 : first + 50, 70:170] = shade[:, None]
    frame = encode(cv2.GaussianBlur(light, (0, 0), 1.2)[..., None] * decode(np.full(3, BOARD / 255))) * 255
    frame = frame.astype(np.float32)
    frame[first : first + 10, 70:170] = 62, 45, 26
    frame = cv2.GaussianBlur(frame, (0, 0), 0.7)
    return frame + np.random.default_rng(5).normal(0, 0.7, frame.shape).astype(np.float32)


def test_a_dark_thing_ends_where_the_tint_changes_not_where_its_shade_does():
    room = np.zeros((SIZE, SIZE), bool)
    room[98:162, 66:174] = True
    cut = cut_subject(rail_over_its_shade(100), clean_board(), room)
    assert cut[101:109, 74:166].mean() > 0.98
    assert cut[113:, :].sum() < 0.02 * cut.sum()


def test_a_patch_nearly_like_the_backdrop_well_inside_the_hull_is_no_hole():
    """The dim underside of a shade before a dim wall: as good as the wall's colour, and no other frame sees past there."""
    clean = replace(clean_board(), steady=np.ones((SIZE, SIZE), bool))
    frame = np.full((SIZE, SIZE, 3), BOARD, np.float32)
    frame[BODY] = 150, 100, 60
    frame[100:112, 100:124] = BOARD + 1.6
    frame[125:160, 90:150] = BOARD  # a true hole
    frame = cv2.GaussianBlur(frame, (0, 0), 0.7)
    frame += np.random.default_rng(5).normal(0, 0.7, frame.shape).astype(np.float32)
    cut = cut_subject(frame, clean, hull_and_agreed())
    assert cut[102:110, 102:122].mean() > 0.95
    assert cut[128:157, 93:147].mean() < 0.05
    assert cut_subject(frame, clean)[102:110, 102:122].mean() < 0.05  # nothing but the frame itself to go by


def glazed(gap: slice) -> np.ndarray:
    """A brown body that goes over into pale glaze on its right, a little darker than the board, with an outline there but
    for a gap of some rows."""
    frame = np.full((SIZE, SIZE, 3), BOARD, np.float32)
    glaze = np.float32([184, 184, 184])
    frame[BODY] = glaze
    brown = np.float32([150, 100, 60])
    frame[70:170, 70:120] = brown + np.clip((np.arange(70, 120) - 72) / 47, 0, 1)[None, :, None] * (glaze - brown)
    frame[70:73, 120:170] = frame[167:170, 120:170] = frame[70:170, 167:170] = 120.0
    frame[gap, 156:172] = np.linspace(184, BOARD, 16)[None, :, None]
    frame = cv2.GaussianBlur(frame, (0, 0), 0.7)
    return frame + np.random.default_rng(5).normal(0, 0.7, frame.shape).astype(np.float32)


def test_what_the_backdrop_leaks_into_through_a_gap_in_the_outline_is_the_subject():
    cut = cut_subject(glazed(slice(110, 124)), clean_board(), hull_and_agreed())
    assert cut[76:164, 74:164].mean() > 0.98


def test_what_lies_open_to_the_backdrop_is_no_leak():
    """As pale as the glaze and as wide open as a bay under an arm is: shade, though the hull reaches over it."""
    cut = cut_subject(glazed(slice(74, 166)), clean_board(), hull_and_agreed())
    assert cut[76:164, 140:164].mean() < 0.1


def test_a_pale_patch_of_the_subject_with_an_outline_is_no_sight_of_the_board():
    """Brighter than the board, which it never quite matches, and no other frame sees past there; a sight matches it."""
    frame = np.full((SIZE, SIZE, 3), BOARD, np.float32)
    frame[BODY] = 150, 100, 60
    frame[85:115, 90:150] = BOARD + 5
    frame[125:155, 90:150] = BOARD
    frame = cv2.GaussianBlur(frame, (0, 0), 0.7)
    frame += np.random.default_rng(5).normal(0, 0.7, frame.shape).astype(np.float32)
    cut = cut_subject(frame, clean_board(), hull_and_agreed())
    assert cut[88:112, 93:147].mean() > 0.95
    assert cut[128:152, 93:147].mean() < 0.05


def test_a_dark_face_that_mirrors_the_board_is_no_shade_where_other_frames_see_the_board():
    """As dark and as grey as shade under the body, with an outline all round: so is what lies under a thing, but there no
    frame or few see the board lit."""
    frame = np.full((SIZE, SIZE, 3), BOARD, np.float32)
    frame[BODY] = 150, 100, 60
    frame[85:155, 90:150] = 132.0
    frame = cv2.GaussianBlur(frame, (0, 0), 0.7)
    frame += np.random.default_rng(5).normal(0, 0.7, frame.shape).astype(np.float32)
    under = replace(clean_board(), clear=np.full((SIZE, SIZE), 0.05, np.float32))
    assert cut_subject(frame, clean_board(), hull_and_agreed())[90:150, 95:145].mean() > 0.95
    assert cut_subject(frame, under, hull_and_agreed())[90:150, 95:145].mean() < 0.05
