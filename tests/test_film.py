"""GIF and MP4, taken apart by hand after their standards and opened by readers that didn't write them."""

from __future__ import annotations

import hashlib
import io
import os
import re
import struct
import subprocess
import sys

import imageio.v3 as iio
import numpy as np
import pytest
from PIL import Image
from skimage.metrics import structural_similarity

from builder.derivatives import film
from tests.test_derivatives import TELL_TALES, boxes_of, on_white, see_through

COUNT = 12


@pytest.fixture(scope="module")
def turn() -> list[np.ndarray]:
    return [on_white(index, COUNT) for index in range(COUNT)]


@pytest.fixture(scope="module")
def gif(turn) -> bytes:
    return film.make_gif(turn, film.time_turn(COUNT))


@pytest.fixture(scope="module")
def mp4(turn) -> bytes:
    return film.make_mp4(turn, film.time_turn(COUNT))


# ---- timing ------------------------------------------------------------------------------------------------


def test_even_turn_gives_each_picture_the_same_time():
    timing = film.time_turn(36)
    assert (
        timing.order == tuple(range(36)) and np.allclose(timing.shares, 1 / 36) and timing.loop_s == pytest.approx(3.6)
    )
    assert film.spread_ticks(timing.shares, 360) == [10] * 36


def test_uneven_turn_gives_each_picture_half_of_the_steps_beside_it():
    # steps 10, 30, 50 and 270 over the seam
    shares = film.time_turn(4, [0, 10, 40, 90]).shares
    assert np.allclose(np.multiply(shares, 360), [140, 20, 40, 160])


def test_duplicate_frame_shares_its_moment():
    shares = film.time_turn(5, [0, 90, 90, 180, 270]).shares
    assert np.allclose(shares, [0.25, 0.125, 0.125, 0.25, 0.25])


def test_unknown_or_odd_angles_count_as_even():
    for angles in (None, [0, None, 180, 270], [0, 90], [0, 0, 0, 0]):
        shares = film.time_turn(4, angles).shares
        assert sum(shares) == pytest.approx(1)
    assert np.allclose(film.time_turn(4, [0, None, 180, 270]).shares, 0.25)


def test_part_turn_swings_there_and_back():
    timing = film.time_turn(4, [0, 30, 60, 90], closed=False)
    assert timing.order == (0, 1, 2, 3, 2, 1) and np.allclose(timing.shares, 1 / 6)
    assert film.time_turn(2, [0, 30], closed=False).order == (0, 1)


def test_rounding_never_piles_up():
    rng = np.random.default_rng(2)
    shares = rng.random(50)
    shares /= shares.sum()
    ticks = film.spread_ticks(shares, 361)
    assert sum(ticks) == 361
    assert abs(np.cumsum(ticks) - np.cumsum(shares) * 361).max() <= 0.5


def test_few_frames_turn_faster():
    assert film.time_turn(8).loop_s == pytest.approx(1.6)


# ---- GIF: CompuServe, Graphics Interchange Format version 89a, 1990 ----------------------------------------


def gif_parts(data: bytes) -> dict:
    """Screen, global table, extensions and frames: sections 17 to 26 of the specification."""
    assert data[:6] == b"GIF89a"
    wide, tall, packed, _, _ = struct.unpack_from("<HHBBB", data, 6)
    place = 13 + (3 << (packed & 7) + 1 if packed & 0x80 else 0)
    parts = {"size": (wide, tall), "table": data[13:place], "applications": [], "frames": [], "others": []}
    control = None

    def blocks(at: int) -> tuple[bytes, int]:
        content = b""
        while data[at]:
            content += data[at + 1 : at + 1 + data[at]]
            at += 1 + data[at]
        return content, at + 1

    while data[place] != 0x3B:
        if data[place] == 0x21:
            label = data[place + 1]
            content, place = blocks(place + 2)
            if label == 0xF9:
                control = struct.unpack("<BHB", content)
            elif label == 0xFF:
                parts["applications"].append(content)
            else:
                parts["others"].append(label)
        else:
            assert data[place] == 0x2C
            left, top, width, height, flags = struct.unpack_from("<HHHHB", data, place + 1)
            _, end = blocks(place + 11)
            parts["frames"].append({"box": (left, top, width, height), "flags": flags, "control": control})
            control, place = None, end
    assert place == len(data) - 1
    return parts


def test_gif_has_one_global_table_and_no_local_ones(gif):
    parts = gif_parts(gif)
    assert len(parts["table"]) == 3 * 256
    assert all(frame["flags"] == 0 for frame in parts["frames"])  # no local table, not interlaced


def test_gif_loops_for_ever_and_carries_nothing_else(gif):
    parts = gif_parts(gif)
    assert parts["applications"] == [b"NETSCAPE2.0\x01\x00\x00"]  # application extension of common practice; 0: no end
    assert parts["others"] == []  # no comment, no plain text
    assert not [tell for tell in TELL_TALES if tell in gif]


def test_gif_delays_add_up_to_the_turn(gif):
    delays = [frame["control"][1] for frame in gif_parts(gif)["frames"]]
    assert delays == [20] * COUNT  # 1/100 s
    assert all(frame["control"][0] >> 2 & 7 == 1 for frame in gif_parts(gif)["frames"])  # disposal: leave in place


def test_gif_delays_are_never_below_two_hundredths(turn):
    """Browsers slow anything shorter down: common practice, no source."""
    angles = [0, 0.1, 0.2, 0.3, 90, 120, 150, 180, 210, 240, 270, 300]
    delays = [f["control"][1] for f in gif_parts(film.make_gif(turn, film.time_turn(COUNT, angles)))["frames"]]
    assert min(delays) == 2


def test_very_many_frames_are_thinned():
    timing = film.time_turn(360)
    assert timing.order == tuple(range(0, 360, 3)) and timing.loop_s == pytest.approx(3.6)


def test_uneven_gif_plays_evenly(turn):
    angles = [0, 10, 40, 90, 120, 150, 180, 210, 240, 270, 300, 330]
    delays = [f["control"][1] for f in gif_parts(film.make_gif(turn, film.time_turn(COUNT, angles)))["frames"]]
    assert np.allclose(delays, np.array(film.time_turn(COUNT, angles).shares) * 240, atol=1) and sum(delays) == 240


def test_gif_frames_lie_within_the_screen(gif):
    parts = gif_parts(gif)
    wide, tall = parts["size"]
    assert parts["frames"][0]["box"] == (0, 0, wide, tall)
    for frame in parts["frames"]:
        left, top, width, height = frame["box"]
        assert width and height and left + width <= wide and top + height <= tall


@pytest.mark.parametrize("reader", ["pillow", "imageio"])
def test_gif_shows_the_frames(turn, gif, reader):
    if reader == "imageio":
        shown = list(iio.imread(gif, extension=".gif", plugin="pillow", mode="RGB"))
    else:
        image = Image.open(io.BytesIO(gif))
        shown = []
        for index in range(image.n_frames):
            image.seek(index)
            shown.append(np.asarray(image.convert("RGB")))
    assert len(shown) == COUNT
    for picture, seen in zip(turn, shown, strict=True):
        assert abs(picture.astype(int) - seen.astype(int)).mean() < 2.5
        assert (seen[:10] == 255).all()  # white backdrop, no dither on it
        blurred, reference = (
            np.asarray(Image.fromarray(a).resize((60, 45), Image.Resampling.BOX)) for a in (seen, picture)
        )
        assert structural_similarity(blurred, reference, channel_axis=2) > 0.97


def test_what_stands_still_does_not_crawl():
    rng = np.random.default_rng(1)
    still = np.clip(rng.normal(150, 30, (90, 120, 3)), 0, 255).astype(np.uint8)
    pictures = []
    for index in range(6):
        picture = still.copy()
        picture[30:50, 10 + 15 * index : 25 + 15 * index] = (200, 40, 30)
        pictures.append(picture)
    shown = iio.imread(film.make_gif(pictures, film.time_turn(6)), extension=".gif", plugin="pillow", mode="RGB")
    assert (shown[:, :30] == shown[0, :30]).all() and (shown[:, 50:] == shown[0, 50:]).all()


def test_small_accent_keeps_its_colour():
    pictures = [on_white(index, 6) for index in range(6)]
    for picture in pictures:
        picture[90:94, 118:122] = (214, 30, 24)  # 16 of 43 200 pixels
    shown = iio.imread(film.make_gif(pictures, film.time_turn(6)), extension=".gif", plugin="pillow", mode="RGB")
    assert abs(shown[0, 91, 119].astype(int) - (214, 30, 24)).max() < 25


def test_own_backdrop_colour_is_exact():
    pictures = [np.where(on_white(i, 4) == 255, np.array([243, 238, 229], np.uint8), on_white(i, 4)) for i in range(4)]
    shown = iio.imread(film.make_gif(pictures, film.time_turn(4)), extension=".gif", plugin="pillow", mode="RGB")
    assert (shown[:, :10] == (243, 238, 229)).all()


@pytest.mark.parametrize("budget", [60_000, 20_000])
def test_gif_steps_down_until_it_fits(budget):
    rng = np.random.default_rng(3)
    pictures = [np.clip(on_white(i, 8) + rng.normal(0, 6, (180, 240, 3)), 0, 255).astype(np.uint8) for i in range(8)]
    file = film.make_gif(pictures, film.time_turn(8), budget)
    width, height = gif_parts(file)["size"]
    assert 0.5 * budget < len(file) <= budget
    assert width < 240 and abs(height / width - 0.75) < 0.02


def test_identical_frames_and_transparent_frames_make_a_gif():
    same = film.make_gif([on_white()] * 3, film.time_turn(3))
    assert len(gif_parts(same)["frames"]) == 3
    clear = iio.imread(
        film.make_gif([see_through(on_white(i, 3)) for i in range(3)], film.time_turn(3)),
        extension=".gif",
        plugin="pillow",
        mode="RGB",
    )
    assert (clear[:, :10] == 255).all()


# ---- MP4: ISO/IEC 14496-12 (boxes), 14496-15 (avcC) --------------------------------------------------------


def box(data: bytes, path: str) -> bytes:
    """Content of the first box at a path such as "moov/mvhd"."""
    start, stop = 0, len(data)
    for name in path.split("/"):
        extra = {"stsd": 8, "avc1": 78}  # fields before the boxes inside
        start, stop = next((a, b) for kind, a, b in boxes_of(data, start, stop) if kind == name)
        last, start = start, start + extra.get(name, 0)
    return data[last:stop]


STSD = "moov/trak/mdia/minf/stbl/stsd"


def test_mp4_index_comes_before_the_pictures(mp4):
    kinds = [kind for kind, _, _ in boxes_of(mp4)]
    assert kinds[0] == "ftyp" and kinds.index("moov") < kinds.index("mdat")


def test_mp4_is_h264_high_or_main_of_even_size(mp4):
    wide, tall = struct.unpack_from(">HH", box(mp4, f"{STSD}/avc1"), 24)
    assert (wide, tall) == (240, 180)
    configuration = box(mp4, f"{STSD}/avc1/avcC")
    assert configuration[0] == 1 and configuration[1] in (77, 100)  # profile_idc, ITU-T H.264 annex A


def test_mp4_says_bt709_limited_range(mp4):
    colr = box(mp4, f"{STSD}/avc1/colr")
    # nclx: primaries, transfer, matrix 1 = BT.709 (ISO/IEC 23091-2); full-range flag off
    assert colr[:4] == b"nclx" and struct.unpack(">HHHB", colr[4:11]) == (1, 1, 1, 0)


def mp4_seconds(data: bytes) -> float:
    header = box(data, "moov/mvhd")
    assert header[0] == 0
    created, changed, scale, duration = struct.unpack_from(">IIII", header, 4)
    assert created == changed == 0  # no time of making
    return duration / scale


@pytest.mark.parametrize(("count", "closed"), [(2, True), (3, False), (8, True), (24, True), (36, True), (72, True)])
def test_mp4_lasts_three_seconds_or_more_in_whole_turns(count, closed):
    pictures = [on_white(index, count, 64, 48) for index in range(count)]
    timing = film.time_turn(count, closed=closed)
    data = film.make_mp4(pictures, timing)
    seconds = mp4_seconds(data)
    assert 3.0 <= seconds < 6.5
    runs = struct.unpack_from(">II", box(data, "moov/trak/mdia/minf/stbl/stts"), 4)
    assert runs[0] == 1 and runs[1] % len(timing.order) == 0  # one frame rate; every picture equally often


def test_encoder_settings_arrived(mp4):
    settings = re.search(rb"x264 - core.*?\x00", mp4, re.DOTALL).group().decode()
    assert all(part in settings for part in (" threads=1 ", " sliced_threads=0 ", " crf=22.0 ", "rc=crf mbtree=0"))


def test_mp4_carries_no_name_of_anything(mp4):
    for tell in (*TELL_TALES, b"Lavf", b"Lavc", b"/tmp", b"kickwheel"):
        assert tell not in mp4


def decoded_by_ffmpeg(path) -> np.ndarray:
    """By a program of another build than the library that wrote it."""
    program = pytest.importorskip("imageio_ffmpeg").get_ffmpeg_exe()
    command = [program, "-v", "error", "-i", str(path), "-f", "rawvideo", "-pix_fmt", "rgb24", "-"]
    raw = subprocess.run(command, capture_output=True, check=True).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, 180, 240, 3)


@pytest.mark.parametrize("reader", ["imageio", "ffmpeg"])
def test_mp4_shows_the_frames_in_order(turn, mp4, reader, tmp_path):
    path = tmp_path / "turn.mp4"
    path.write_bytes(mp4)
    shown = iio.imread(path, plugin="pyav") if reader == "imageio" else decoded_by_ffmpeg(path)
    assert shown.shape == (2 * 72, 180, 240, 3)  # two turns of 2.4 s at 30 frames a second
    stay = 72 // COUNT
    for index, picture in enumerate(turn):
        likeness = [
            structural_similarity(picture, shown[other * stay + stay // 2], channel_axis=2)
            for other in ((index - 1) % COUNT, index, (index + 1) % COUNT)
        ]
        assert likeness[1] > 0.93 and likeness[1] == max(likeness)


def test_colours_are_coded_by_the_matrix_of_bt709():
    """ITU-R BT.709-6 items 3.2 to 3.5, 8 bit, limited range."""
    import av

    # colour-science 0.4.7: RGB_to_YCbCr(rgb / 255, K=WEIGHTS_YCBCR["ITU-R BT.709"], in_bits=8,
    # in_legal=False, in_int=False, out_bits=8, out_legal=True, out_int=True), 2026-11-25
    colours = {
        (255, 0, 0): (63, 102, 240),
        (0, 255, 0): (173, 42, 26),
        (0, 0, 255): (32, 240, 118),
        (255, 255, 255): (235, 128, 128),
        (0, 0, 0): (16, 128, 128),
        (128, 128, 128): (126, 128, 128),
    }
    for rgb, expected in colours.items():
        picture = np.full((64, 64, 3), rgb, np.uint8)
        data = film.make_mp4([picture] * 2, film.time_turn(2))
        with av.open(io.BytesIO(data)) as container:
            frame = next(container.decode(video=0))
            assert frame.format.name == "yuv420p"
            planes = [np.frombuffer(plane, np.uint8)[0] for plane in frame.planes]
        assert abs(np.array(planes, int) - expected).max() <= 1, rgb


def test_odd_sizes_lose_a_row_and_transparent_pictures_become_white(tmp_path):
    pictures = [see_through(on_white(index, 4, 65, 49)) for index in range(4)]
    (tmp_path / "odd.mp4").write_bytes(film.make_mp4(pictures, film.time_turn(4)))
    shown = iio.imread(tmp_path / "odd.mp4", plugin="pyav")
    assert shown.shape[1:] == (48, 64, 3) and shown[0, 1, 1].min() >= 253


def test_uneven_film_holds_each_picture_for_its_share(tmp_path):
    tones = [40, 120, 200]
    pictures = [np.full((32, 32, 3), tone, np.uint8) for tone in tones]
    timing = film.time_turn(3, [0, 60, 120])  # shares: 150, 60, 150 of 360
    (tmp_path / "film.mp4").write_bytes(film.make_mp4(pictures, timing))
    shown = iio.imread(tmp_path / "film.mp4", plugin="pyav")[:, 16, 16, 0].astype(int)
    counts = [int((abs(shown - tone) < 20).sum()) for tone in tones]
    assert sum(counts) == len(shown)
    assert np.allclose(np.array(counts) / len(shown), [150 / 360, 60 / 360, 150 / 360], atol=1 / 18)


# ---- the same bytes ----------------------------------------------------------------------------------------

ONE_CORE = """
import os, sys
sys.path.insert(0, {root!r})
if hasattr(os, "sched_setaffinity"): os.sched_setaffinity(0, {{min(os.sched_getaffinity(0))}})
import hashlib
from builder.derivatives import film
from tests.test_derivatives import on_white
turn = [on_white(index, 12) for index in range(12)]
timing = film.time_turn(12)
for make in (film.make_gif, film.make_mp4):
    print(hashlib.sha256(make(turn, timing)).hexdigest())
"""


def test_bytes_do_not_depend_on_the_run_or_the_cores(gif, mp4):
    """One core, and glibc fills new memory with a pattern: an encoder that reads it would be caught."""
    root = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    there = subprocess.run(
        [sys.executable, "-c", ONE_CORE.format(root=root)],
        capture_output=True,
        text=True,
        env=os.environ | {"MALLOC_PERTURB_": "1"},
    )
    assert there.stdout.split() == [hashlib.sha256(file).hexdigest() for file in (gif, mp4)], there.stderr
