"""The hull, the shadow's layer, the box of a turn, the disc's ellipse and round things on the axis, each by itself."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from builder.finished import place, sample
from builder.finished.disc import find_disc, flatness_seen_by
from builder.finished.edge import soft_edge, two_sides
from builder.finished.hull import Hull, carve
from builder.finished.shadow import light_left
from builder.finished.standing import find_standing
from builder.finished.values import reduced
from builder.measured.turn_camera import Camera, project, turned
from builder.spin import TurnCamera

CAMERA = TurnCamera(pan=0.0, tilt=0.3, roll=0.0, focal_px=400.0, centre=(159.5, 119.5))
ANGLES = np.radians(np.arange(0, 360, 15))


def seen_box(angle: float, at=(0.1, 0.0, -0.35), half=(0.12, 0.04, 0.1)) -> np.ndarray:
    """The outline of a box of half sides `half` about a point, turned by an angle: the convex hull of its corners."""
    camera = Camera(CAMERA.pan, CAMERA.tilt, CAMERA.roll, CAMERA.focal_px, CAMERA.centre)
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * half + at
    pixels = project(camera, turned(corners, np.full(8, angle))).astype(np.float32)
    mask = np.zeros((240, 320), np.uint8)
    cv2.fillConvexPoly(mask, cv2.convexHull(np.rint(pixels).astype(np.int32)), 1)
    return mask > 0


def test_hull_of_a_box_has_its_outlines():
    # Two frames may be wrong, so two opposite narrow views count for nothing: as many views as a usual turn has.
    angles = np.radians(np.arange(0, 360, 10))
    cuts = [seen_box(angle) for angle in angles]
    hull = carve(cuts, angles, CAMERA, np.eye(3), carve(cuts, angles, CAMERA, np.eye(3)))
    for cut, angle in list(zip(cuts, angles))[::5]:
        outline = hull.outline(angle)
        assert (cut & ~outline).sum() <= 0.01 * cut.sum()
        near = cv2.dilate(cut.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        assert (outline & ~near).sum() <= 0.02 * cut.sum()


def test_hull_leaves_out_what_one_frame_alone_takes_for_the_subject():
    cuts = [seen_box(angle) for angle in ANGLES]
    cuts[3] = cuts[3].copy()
    low = np.nonzero(cuts[3].any(axis=1))[0][-1]
    shade = np.zeros_like(cuts[3])
    shade[low + 6 : low + 16, 140:180] = True
    cuts[3] |= shade
    outline = carve(cuts, ANGLES, CAMERA, np.eye(3)).outline(ANGLES[3])
    assert not (outline & shade).any()


def test_what_frames_lost_on_one_side_is_agreed_on_and_what_opposite_ones_lost_is_not():
    cuts = [seen_box(angle) for angle in ANGLES]

    def upper(cut: np.ndarray, share: float) -> np.ndarray:
        """Without the lower rows of it, which that frame takes for shade."""
        rows = np.nonzero(cut.any(axis=1))[0]
        return cut & (np.arange(len(cut)) < rows[round(len(rows) * share)])[:, None]

    def hull_without(*frames: int) -> Hull:
        return carve([upper(cut, 0.3) if k in frames else cut for k, cut in enumerate(cuts)], ANGLES, CAMERA, np.eye(3))

    lost = cuts[3] & ~upper(cuts[3], 0.5)
    for hull in (hull_without(3), hull_without(2, 3, 4)):
        assert (hull.agreed_outline(ANGLES[3]) & lost).sum() > 0.95 * lost.sum()
    # three of them are more than the hull itself forgives
    assert (hull_without(2, 3, 4).outline(ANGLES[3]) & lost).sum() < 0.5 * lost.sum()
    # of cells off the axis, the opposite frame isn't quite the one half a turn on
    assert (hull_without(3, 14, 15, 16).agreed_outline(ANGLES[3]) & lost).sum() < 0.5 * lost.sum()


def test_in_a_part_turn_nobody_sees_the_other_side_and_what_frames_lost_is_not_agreed_on():
    angles = np.radians(np.arange(0, 181, 10))
    cuts = [seen_box(angle) for angle in angles]
    rows = np.nonzero(cuts[9].any(axis=1))[0]
    upper = np.arange(len(cuts[9]))[:, None] < rows[len(rows) // 3]
    hull = carve([cut & upper if k in (7, 8, 9, 10) else cut for k, cut in enumerate(cuts)], angles, CAMERA, np.eye(3))
    lost = cuts[9] & ~upper
    assert (hull.agreed_outline(angles[9]) & lost).sum() < 0.5 * lost.sum()


def test_hull_of_nothing():
    assert carve([np.zeros((240, 320), bool)] * 12, ANGLES[::2], CAMERA, np.eye(3)) is None


@pytest.mark.parametrize("breadth, most", [(2.0, 1.34), (2.5, 1.22), (3.0, 1.15)])
@pytest.mark.parametrize("slant_deg", [10.0, 40.0])
def test_a_wire_is_hardly_broader_than_it_is(breadth, most, slant_deg):
    # Seen through a lens (σ 0.7 px): what it looks like nowhere is its own colour alone.
    fine, size = 8, 60
    slant = np.radians(slant_deg)
    y, x = np.mgrid[: size * fine, : size * fine] - size * fine / 2
    wire = (np.abs(x * np.cos(slant) + y * np.sin(slant)) <= breadth * fine / 2).astype(np.float32)
    true = cv2.resize(wire, (size, size), interpolation=cv2.INTER_AREA)
    share = cv2.GaussianBlur(true, (0, 0), 0.7)[..., None]
    own, board = np.float32([0.15, 0.12, 0.1]), np.float32([0.6, 0.55, 0.5])
    noise = np.random.default_rng(3).normal(0, 0.004, (size, size, 3))
    light = (share * own + (1 - share) * board + noise).astype(np.float32)
    sides = two_sides(light, share[..., 0] > 0.35, np.broadcast_to(board, light.shape).copy())
    row, column = np.nonzero(sides.band)
    matte = sides.core.astype(np.float32)
    matte[row, column], _ = soft_edge(light[row, column], sides, (column.astype(float), row.astype(float)))
    middle = (slice(12, 48),) * 2
    assert 1 < matte[middle].sum() / true[middle].sum() < most


def test_shadow_is_the_light_that_is_missing_without_the_veil():
    lit = np.full((160, 160, 3), 0.6, np.float32)
    frame = lit.copy()
    frame[100:120, 60:100] *= 0.5  # a shadow at the subject's foot
    frame[:60] *= 0.97  # a veil far off
    taken = np.zeros((160, 160), bool)
    taken[70:100, 60:100] = True
    left = light_left(frame, lit, np.zeros((160, 160), bool), taken)
    assert 0.5 < left[104, 80] < 0.7
    assert left[20, 80] == pytest.approx(1.0, abs=1e-3)
    # Nothing falls on a wall far behind
    assert (light_left(frame, lit, np.ones((160, 160), bool), taken) > 0.999).all()


def test_box_has_its_margin_and_the_axis_in_the_middle():
    extent = place.Extent(half_width=100.0, above=300.0, below=20.0)
    box = place.box_around(extent, "4:5", 0.1)
    made = place.placed(place.upright(400.0, 500.0, 0.0), box)
    assert made.width / made.height == pytest.approx(0.8, abs=0.01)
    assert made.axis_x == (made.width - 1) / 2
    top = made.matrix @ [400.0, 500.0 - 300.0, 1.0]
    assert top[0] == pytest.approx(made.axis_x) and top[1] >= 0.1 * made.height - 1.5
    with_scale = place.box_around(extent, "4:5", 0.1, least_height=900.0)
    assert with_scale[1] == 900.0


def test_upright_sets_a_leaning_axis_straight():
    turned_up = place.upright(50.0, 80.0, 10.0)
    along = np.array([50.0 + 30 * np.sin(np.radians(10)), 80.0 - 30 * np.cos(np.radians(10)), 1.0])
    assert turned_up @ along == pytest.approx([0.0, -30.0, 1.0], abs=1e-9)


def ground(tall: int = 42) -> np.ndarray:
    picture = np.full((300, 400, 3), 190, np.float32)
    cv2.ellipse(picture, (200, 190), (120, tall), 0, 0, 360, (215, 213, 208), -1, cv2.LINE_AA)
    return cv2.GaussianBlur(picture, (0, 0), 1.0) + np.random.default_rng(1).normal(0, 0.3, picture.shape).astype(
        np.float32
    )


def test_disc_is_found_to_a_pixel():
    core = np.zeros((300, 400), bool)
    core[100:190, 180:220] = True
    disc = find_disc(ground(), np.zeros((300, 400), np.float32), core, 200.0, 0.0)
    assert disc.semi_x == pytest.approx(120, abs=1.5)
    assert disc.semi_y == pytest.approx(42, abs=1.5) and disc.y == pytest.approx(190, abs=1.5)


def test_a_disc_with_an_edge_all_round_needs_no_marks():
    core, still = np.zeros((300, 400), bool), np.zeros((300, 400), np.float32)
    core[100:215, 180:220] = True
    disc = find_disc(ground(), still, core, 200.0, 0.0, hidden=True)
    assert disc.semi_x == pytest.approx(120, abs=1.5) and disc.y == pytest.approx(190, abs=1.5)


def test_the_camera_says_how_flat_a_circle_looks():
    angle = np.radians(np.arange(720) / 2)
    camera = Camera(CAMERA.pan, CAMERA.tilt, CAMERA.roll, CAMERA.focal_px, CAMERA.centre)
    flatness = flatness_seen_by(CAMERA, np.eye(3))
    for radius, level in [(0.1, -0.3), (0.25, -0.35), (0.3, -0.45)]:
        circle = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.full(720, level)], axis=1)
        x, y = project(camera, circle).T
        found = flatness(np.array([(y.max() + y.min()) / 2]), np.ptp(x) / 2)
        assert found[0] == pytest.approx(np.ptp(y) / 2, rel=0.02)


def test_of_two_outlines_the_disc_is_the_one_that_marks_pass_along():
    core = np.zeros((300, 400), bool)
    core[100:190, 180:220] = True
    picture = ground()
    cv2.ellipse(picture, (200, 190), (85, 30), 0, 0, 360, (200, 198, 195), -1, cv2.LINE_AA)  # a ring drawn on it
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    motion = np.zeros((300, 400), np.float32)
    assert find_disc(picture, motion, core, 200.0, 0.0) is None  # either may be it
    cv2.ellipse(motion, (200, 190), (113, 40), 0, 0, 360, 40.0, 3)
    assert find_disc(picture, motion, core, 200.0, 0.0).semi_x == pytest.approx(120, abs=1.5)


def test_no_disc_on_a_plain_table():
    plain = np.full((300, 400, 3), 200, np.float32)
    core = np.zeros((300, 400), bool)
    core[100:190, 180:220] = True
    assert find_disc(plain, np.zeros((300, 400), np.float32), core, 200.0, 0.0) is None


def test_a_round_thing_on_the_axis_is_told_from_the_disc():
    picture = ground()
    cv2.rectangle(picture, (170, 110), (230, 185), (200, 198, 196), -1)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    found = find_standing(picture, np.zeros((300, 400), np.float32), 200.0).thing
    wanted = np.zeros((300, 400), bool)
    wanted[110:186, 170:231] = True
    assert (found & wanted).sum() / (found | wanted).sum() > 0.85


@pytest.mark.parametrize("motion", [0.0, 60.0])
def test_the_empty_disc_and_what_moves_are_no_round_thing(motion):
    picture = ground()
    if motion:  # seen from frame to frame at another place: not still
        cv2.rectangle(picture, (170, 110), (230, 185), (90, 60, 50), -1)
    change = np.zeros((300, 400), np.float32)
    change[105:190, 165:235] = motion
    assert find_standing(picture, change, 200.0) is None


@pytest.mark.parametrize("scale", [0.52, 0.8, 1.0])
def test_a_picture_sampled_in_bands_is_the_one_sampled_at_one_go(monkeypatch, scale):
    pixels = np.random.default_rng(5).integers(0, 256, (420, 560, 3), np.uint8)
    turn = np.array([[np.cos(0.01), -np.sin(0.01), 3.3], [np.sin(0.01), np.cos(0.01), -2.1], [0, 0, 1.0]])
    size = round(560 * scale), round(420 * scale)
    copy, to_grid, gain = sample.Copy(pixels, np.eye(3)), sample.scaling(scale, scale) @ turn, (1.1, 1.0, 0.93)
    found = []
    for at_once in (9_000, 10_000_000):
        monkeypatch.setattr(sample, "BAND_PIXELS", at_once)
        found.append(sample.sample_light(copy, to_grid, size, gain))
    assert found[0].shape == (size[1], size[0], 3)
    # noise from black to white in one pixel: what is sampled 1/5000 px beside its place shows
    assert np.abs(found[0] - found[1]).max() < 2e-4


@pytest.mark.parametrize(("side", "left"), [(640, 320), (480, 320), (302, 302)])
def test_a_hulls_copies_are_no_smaller_than_need_be(side, left):
    """A small subject's thin parts don't outlive another halving."""
    values = np.zeros((side // 2, side, 3), np.float32)
    values[:, side // 2 :] = 8.0
    assert reduced(values).shape == (left // 2, left, 3) and reduced(values).mean() == pytest.approx(4.0)
    half = reduced(values[..., 0] > 0)
    assert half.dtype == bool and half.mean() == pytest.approx(0.5)
