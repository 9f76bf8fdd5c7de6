"""Every picture file is opened again by an independent reader, and its bytes are walked by hand."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from skimage.color import rgb2gray
from skimage.metrics import structural_similarity as reference_ssim

from builder.derivatives.encoding import decode_picture, encode_picture, pack_picture
from builder.derivatives.ladder import Ladder, derive_frame, fit_ladder, ladder_widths, sharp_rungs
from builder.derivatives.quality import QUALITY_RANGE, _luma, choose_quality, structural_similarity
from builder.derivatives.reducing import flatten, reduce_picture
from builder.derivatives.stills import make_link_picture, make_poster, make_still
from builder.derivatives.strip import AVIF_STRIP_BUDGET, STRIP_BUDGET, Strip, make_strip
from tests.pictures import turning_bar

WIDTH, HEIGHT = 240, 180


def as_is(pixels: np.ndarray, width: int) -> np.ndarray:
    """Output sharpening that does nothing."""
    return pixels


def on_white(index: int = 0, count: int = 12, width: int = WIDTH, height: int = HEIGHT) -> np.ndarray:
    """A textured pot with a spout that goes round, on pure white."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = (x - width / 2) / height, (y - height / 2) / height
    angle = 2 * np.pi * index / count
    body = (abs(x) < 0.2) & (abs(y) < 0.36)
    spout = np.hypot(x - 0.33 * np.cos(angle), y) < 0.07
    texture = 12 * np.sin(90 * (x + 0.2 * np.sin(angle))) * np.sin(70 * y)
    picture = np.full((height, width, 3), 255, np.float32)
    for mask, colour in ((spout, (60, 60, 66)), (body, (38, 104, 112))):
        picture[mask] = (np.array(colour) * (1.1 - 1.2 * abs(x))[..., None] + texture[..., None])[mask]
    return np.clip(picture, 0, 255).astype(np.uint8)


def see_through(pixels: np.ndarray) -> np.ndarray:
    """White becomes transparent, with a loud colour hidden below."""
    alpha = np.where((pixels == 255).all(axis=2), 0, 255).astype(np.uint8)
    hidden = np.where(alpha[..., None] == 0, np.array([255, 0, 255], np.uint8), pixels)
    return np.dstack([hidden, alpha])


def opened(file: bytes) -> Image.Image:
    return Image.open(io.BytesIO(file))


def boxes_of(data: bytes, start: int = 0, stop: int | None = None):
    """(type, content start, content stop) of ISO/IEC 14496-12 boxes, clause 4.2."""
    stop = len(data) if stop is None else stop
    while start + 8 <= stop:
        size, kind = struct.unpack_from(">I4s", data, start)
        head = 8
        if size == 1:
            size, head = struct.unpack_from(">Q", data, start + 8)[0], 16
        end = start + size if size else stop
        yield kind.decode("latin-1"), start + head, end
        start = end


# ---- ladder ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("widths", "finished", "expected"),
    [
        ((480, 960, 1600), 1600, (480, 960, 1600)),
        ((480, 960, 1600), 4000, (480, 960, 1600)),
        ((480, 960, 1600), 1200, (480, 960, 1200)),
        ((480, 960, 1600), 700, (480, 700)),  # two are too wide: the finished frame's width, once
        ((480, 960, 1600), 480, (480,)),
        ((480, 960, 1600), 300, (300,)),
        ((1600, 480, 480), 1600, (480, 1600)),
    ],
)
def test_never_enlarged(widths, finished, expected):
    assert ladder_widths(widths, finished) == expected


def test_each_rung_opens_in_each_format_and_looks_like_the_frame():
    pixels = on_white(1)
    ladder = Ladder(ladder_widths((60, 120, 960), WIDTH), ("avif", "webp", "jpeg"), film_width=100)
    derived = derive_frame(pixels, ladder, as_is)
    assert set(derived.files) == {(format, width) for format in ladder.formats for width in (60, 120, 240)}
    assert derived.sizes == {60: (60, 45), 120: (120, 90), 240: (240, 180)}
    assert derived.picture.shape == (75, 100, 3)
    for (format, width), file in derived.files.items():
        image = opened(file)
        assert image.format == format.upper() and image.size == derived.sizes[width] and image.mode == "RGB"
        reference = np.asarray(Image.fromarray(pixels).resize(image.size, Image.Resampling.BOX))
        assert reference_ssim(rgb2gray(reference), rgb2gray(np.asarray(image)), data_range=1) > 0.95


def test_sharpening_comes_after_the_last_resize_and_knows_its_width():
    asked = []

    def sharpen(pixels, width):
        asked.append((width, pixels.shape[1]))
        return 255 - pixels

    derived = derive_frame(on_white(), Ladder((120, 240), ("jpeg",), film_width=120), sharpen)
    assert sorted(asked) == [(120, 120), (240, 240)]
    assert np.asarray(opened(derived.files["jpeg", 240]))[0, 0].max() < 10  # white became black once, not twice


def test_rungs_that_are_there_already_give_the_same_files():
    def sharpen(pixels, width):
        return 255 - pixels

    pixels, ladder = on_white(), Ladder((120, 240), ("webp",), film_width=120)
    anew = derive_frame(pixels, ladder, sharpen)
    again = derive_frame(pixels, ladder, sharpen, sharp_rungs(pixels, (120, 240), sharpen))
    assert again.files == anew.files and np.array_equal(again.picture, anew.picture)
    fewer = derive_frame(pixels, ladder, sharpen, sharp_rungs(pixels, (240,), sharpen))
    assert fewer.files == anew.files


def test_average_is_taken_in_linear_light():
    # IEC 61966-2-1: half the light of white is code 255 * (1.055 * 0.5 ** (1 / 2.4) - 0.055) = 187.5
    checks = np.indices((64, 64)).sum(axis=0) % 2 * np.uint8(255)
    reduced = reduce_picture(np.dstack([checks] * 3).astype(np.uint8), 32)
    assert set(np.unique(reduced)) <= {187, 188}


def test_every_code_survives_linear_light_and_back():
    codes = np.repeat(np.arange(256, dtype=np.uint8), 2)
    flat = np.dstack([np.stack([codes, codes])] * 3)
    assert (reduce_picture(flat, 256)[0, :, 0] == np.arange(256)).all()


def test_hidden_colour_does_not_leak_into_the_edge():
    pixels = see_through(on_white(2))
    reduced = reduce_picture(pixels, 90)
    seen = reduced[reduced[..., 3] > 8].astype(int)
    assert (seen[:, 0] < 200).all()  # the hidden magenta has red 255, the pot at most 120
    for format in ("avif", "webp"):
        decoded = np.asarray(opened(encode_picture(reduced, format, 80))).astype(int)
        edge = (decoded[..., 3] > 40) & (decoded[..., 3] < 250)
        assert edge.any() and (decoded[edge][:, 0] < decoded[edge][:, 1] + 60).all()


def test_transparency_is_kept_by_avif_and_webp_and_flattened_on_white_by_jpeg():
    pixels = see_through(on_white(2))
    derived = derive_frame(pixels, Ladder((120,), ("avif", "webp", "jpeg")), as_is)
    for format in ("avif", "webp"):
        alpha = np.asarray(opened(derived.files[format, 120]).getchannel("A"))
        assert alpha[0, 0] == 0 and alpha[45, 60] >= 252
    flat = np.asarray(opened(derived.files["jpeg", 120]))
    assert flat.shape[2] == 3 and (flat[:, :8] >= 254).all()


@pytest.mark.parametrize("format", ["avif", "webp", "jpeg"])
def test_white_backdrop_stays_pure_white(format):
    pixels = on_white(3)
    decoded = np.asarray(opened(encode_picture(pixels, format, QUALITY_RANGE[format][0])))
    # WebP codes luma in 219 steps (RFC 6386, section 9.2), so that one step off is 254
    least = 254 if format == "webp" else 255
    assert (decoded[:12] >= least).all() and (decoded[:, :12] >= least).all()


@pytest.mark.parametrize("pixels", [on_white(), see_through(on_white())], ids=["opaque", "transparent"])
def test_packed_pictures_come_back_to_the_bit(pixels):
    assert (decode_picture(pack_picture(pixels)) == pixels).all()


# ---- no metadata -------------------------------------------------------------------------------------------

TELL_TALES = (
    b"Exif",
    b"EXIF",
    b"GPS",
    b"http://ns.adobe.com",
    b"xpacket",
    b"XMP ",
    b"ICC_PROFILE",
    b"ICCP",
    b"8BIM",
)


def all_files() -> dict[str, bytes]:
    pixels = on_white()
    derived = derive_frame(pixels, Ladder((120, 240), ("avif", "webp", "jpeg")), as_is)
    files = {f"{format} {width}": file for (format, width), file in derived.files.items()}
    clear = derive_frame(see_through(pixels), Ladder((120,), ("avif", "webp")), as_is)
    files |= {f"clear {format}": file for (format, _), file in clear.files.items()}
    return files | {
        "strip": make_strip([pixels] * 4).file,
        "poster": make_poster(pixels, as_is),
        "still": make_still(pixels, as_is),
        "link": make_link_picture(pixels, None, as_is),
    }


def test_no_metadata_in_any_file():
    for name, file in all_files().items():
        assert not [tell for tell in TELL_TALES if tell in file], name
        if file[:2] == b"\xff\xd8":
            assert_jpeg_is_bare(file)
        elif file[:4] == b"RIFF":
            assert_webp_is_bare(file)
        else:
            assert_avif_is_bare(file)


def assert_jpeg_is_bare(file: bytes) -> None:
    """Segments up to the scan, ITU-T T.81 annex B: tables and frame, and JFIF's own APP0; no APP1 (Exif, CIPA
    DC-008 4.5.4; XMP), no other APPn, no comment.
    """
    place = 2
    while True:
        marker, size = struct.unpack_from(">HH", file, place)
        if marker == 0xFFDA:
            return
        assert marker in (0xFFE0, 0xFFDB, 0xFFC2, 0xFFC4), hex(marker)
        place += 2 + size


def assert_webp_is_bare(file: bytes) -> None:
    """Chunks of RFC 9649, section 2.7: pixels only, no EXIF, XMP or ICCP."""
    place = 12
    while place < len(file):
        kind, size = struct.unpack_from("<4sI", file, place)
        assert kind in (b"VP8 ", b"VP8L", b"VP8X", b"ALPH"), kind
        place += 8 + size + size % 2


def assert_avif_is_bare(file: bytes) -> None:
    """Items are pictures only (ISO/IEC 23008-12 gives Exif an item of its own), colour by number: primaries
    of BT.709, transfer of sRGB (ISO/IEC 23091-2: 1 and 13).
    """
    kinds = {kind: (start, stop) for kind, start, stop in boxes_of(file)}
    assert list(kinds)[0] == "ftyp" and file[kinds["ftyp"][0] :][:4] == b"avif"
    start, stop = kinds["meta"]
    inner = {kind: (a, b) for kind, a, b in boxes_of(file, start + 4, stop)}
    a, b = inner["iinf"]
    items = [file[content + 8 : content + 12] for kind, content, _ in boxes_of(file, a + 6, b) if kind == "infe"]
    assert items and set(items) == {b"av01"}
    colours = file[inner["iprp"][0] : inner["iprp"][1]].split(b"colr")[1:]
    assert colours and all(colour[:8] == b"nclx\x00\x01\x00\x0d" for colour in colours)


# ---- the same bytes ----------------------------------------------------------------------------------------

ONE_CORE = """
import os, sys
sys.path.insert(0, {root!r})
if hasattr(os, "sched_setaffinity"): os.sched_setaffinity(0, {{min(os.sched_getaffinity(0))}})
import hashlib
from tests.test_derivatives import all_files
print(hashlib.sha256(b"".join(all_files().values())).hexdigest())
"""


def test_bytes_do_not_depend_on_the_run_or_the_cores():
    """One core, and glibc fills new memory with a pattern: an encoder that reads it would be caught."""
    here = hashlib.sha256(b"".join(all_files().values())).hexdigest()
    root = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    there = subprocess.run(
        [sys.executable, "-c", ONE_CORE.format(root=root)],
        capture_output=True,
        text=True,
        env=os.environ | {"MALLOC_PERTURB_": "1"},
    )
    assert there.stdout.strip() == here, there.stderr


# ---- quality -----------------------------------------------------------------------------------------------


def test_similarity_agrees_with_scikit_image():
    rng = np.random.default_rng(4)
    first = _luma(turning_bar(3, 12, 160, 120))
    for second in (
        np.clip(first + rng.normal(0, 9, first.shape), 0, 255).astype(np.uint8),
        first,
        255 - first,
    ):
        mean, full = reference_ssim(first, second, data_range=255, full=True)
        ours = structural_similarity(first, second)
        assert abs(ours - full).max() < 2e-3 and abs(ours[3:-3, 3:-3].mean() - mean) < 1e-5


def grainy(index: int) -> np.ndarray:
    noise = np.random.default_rng(index).normal(0, 3, (360, 480, 3))
    pixels = on_white(index, 12, 480, 360)
    return np.where((pixels == 255).all(axis=2, keepdims=True), pixels, np.clip(pixels + noise, 0, 255)).astype(
        np.uint8
    )


BOX = (90.0, 40.0, 390.0, 320.0)


@pytest.mark.parametrize("format", ["avif", "webp", "jpeg"])
def test_chosen_quality_reaches_its_target_on_other_frames(format):
    target = 0.97
    quality = choose_quality([grainy(1), grainy(5), grainy(9)], format, [BOX] * 3, target)
    reached = []
    for index in (0, 3, 7):
        pixels = grainy(index)
        decoded = np.asarray(opened(encode_picture(pixels, format, quality)))
        _, full = reference_ssim(rgb2gray(pixels), rgb2gray(decoded), data_range=1, full=True)
        reached.append(full[40:320, 90:390].mean())
    lowest, highest = QUALITY_RANGE[format]
    assert lowest <= quality <= highest
    assert np.mean(reached) > target - 0.002
    assert quality == lowest or np.mean(reached) < target + 0.008  # nor much above it


@pytest.mark.parametrize("format", ["avif", "webp", "jpeg"])
def test_quality_never_falls_when_more_is_asked(format):
    samples = [grainy(1)]
    chosen = [choose_quality(samples, format, [BOX], target) for target in (0.9, 0.97, 0.985, 0.9999)]
    assert chosen == sorted(chosen)
    assert (chosen[0], chosen[-1]) == QUALITY_RANGE[format]


def test_fitted_ladder_has_a_quality_for_each_file():
    ladder = fit_ladder(Ladder((120, 240)), [on_white(1), on_white(5)], [None, None], as_is)
    assert set(ladder.qualities) == {(format, width) for format in ("avif", "webp") for width in (120, 240)}


# ---- strip -------------------------------------------------------------------------------------------------


def cells_of(strip: Strip, count: int) -> list[np.ndarray]:
    sheet = np.asarray(opened(strip.file))
    corners = [(index // strip.columns * strip.height, index % strip.columns * strip.width) for index in range(count)]
    return [sheet[top : top + strip.height, left : left + strip.width] for top, left in corners]


def test_strip_comes_as_a_lighter_avif_too():
    pictures = [on_white(index, 36) for index in range(36)]
    strip = make_strip(pictures)
    assert opened(strip.avif).size == opened(strip.file).size
    assert len(strip.avif) < min(len(strip.file), AVIF_STRIP_BUDGET)
    for mine, theirs in zip(cells_of(strip, 36), cells_of(replace(strip, file=strip.avif), 36), strict=True):
        assert np.abs(mine.astype(int) - theirs).mean() < 4
    assert make_strip(pictures[:4], avif=False).avif is None


def test_strip_holds_every_frame_within_its_budget():
    pictures = [on_white(index, 36) for index in range(36)]
    strip = make_strip(pictures)
    image = opened(strip.file)
    assert image.format == "WEBP" and len(strip.file) <= STRIP_BUDGET == 60_000
    assert max(image.size) <= 4096 and strip.width <= WIDTH
    for picture, cell in zip(pictures, cells_of(strip, 36), strict=True):
        reference = np.asarray(Image.fromarray(picture).resize((strip.width, strip.height), Image.Resampling.BOX))
        assert reference_ssim(rgb2gray(reference), rgb2gray(cell), data_range=1) > 0.9


def test_cells_do_not_bleed_into_each_other():
    flats = [np.full((180, 240, 3), colour, np.uint8) for colour in ((200, 30, 30), (30, 60, 200), (255, 255, 255))]
    pictures = [flats[index % 3] for index in range(10)]
    for picture, cell in zip(pictures, cells_of(make_strip(pictures), 10), strict=True):
        off = abs(cell.astype(int) - picture[0, 0].astype(int))
        assert off[1:-1, 1:-1].max() <= 8  # the outermost pixel's chroma is smoothed by decoders
        assert abs(rgb2gray(cell) - rgb2gray(picture[:1, :1])).max() < 0.12


@pytest.mark.parametrize(("wide", "tall", "count"), [(240, 320, 24), (300, 100, 72), (97, 131, 5), (50, 20, 2)])
def test_strip_cells_fit_shape_size_and_sheet(wide, tall, count):
    strip = make_strip([on_white(index, count, wide, tall) for index in range(count)])
    assert strip.width <= wide and strip.height <= tall
    assert abs(strip.height * wide / (strip.width * tall) - 1) < 0.05
    assert strip.columns * strip.width == opened(strip.file).width
    assert len(strip.file) <= STRIP_BUDGET


def test_strip_shrinks_its_cells_to_the_budget():
    rng = np.random.default_rng(0)
    noise = [rng.integers(0, 255, (240, 240, 3), dtype=np.uint8) for _ in range(24)]
    strip = make_strip(noise, budget=30_000)
    assert len(strip.file) <= 30_000 and strip.width < 120


def test_strip_of_a_very_long_spin_stays_within_4096():
    image = opened(make_strip([on_white(index, 20) for index in range(20)] * 20).file)
    assert max(image.size) <= 4096


def test_strip_keeps_transparency():
    strip = make_strip([see_through(on_white(index, 4)) for index in range(4)])
    alpha = np.asarray(opened(strip.file).getchannel("A"))
    assert alpha[0, 0] == 0 and alpha[strip.height // 2, strip.width // 2] > 250


# ---- single pictures ---------------------------------------------------------------------------------------


def test_poster_is_a_jpeg_no_wider_than_asked():
    assert opened(make_poster(on_white(), as_is, 120)).size == (120, 90)
    small = opened(make_poster(see_through(on_white()), as_is))
    assert small.format == "JPEG" and small.size == (WIDTH, HEIGHT) and small.getpixel((0, 0)) == (255, 255, 255)


@pytest.mark.parametrize("backdrop", [None, (255, 255, 255)])
def test_still_is_square_and_carries_the_backdrop_on(backdrop):
    still = opened(make_still(on_white(), as_is, backdrop, 200))
    assert still.size == (200, 200)
    pixels = np.asarray(still)
    assert (pixels[:20] >= 254).all() and (pixels[100, 100] < 200).all()


def test_still_of_a_kept_grey_backdrop_shows_no_seam():
    pixels = np.full((90, 240, 3), 0, np.uint8)
    pixels[:] = np.linspace(150, 210, 240).astype(np.uint8)[None, :, None]
    still = np.asarray(opened(make_still(pixels, as_is))).astype(int)
    assert still.shape[:2] == (240, 240)
    assert abs(np.diff(still[:, 120, 0])).max() <= 6 and abs(still[:, 120, 0] - 180).max() < 12


@pytest.mark.parametrize("size", [(240, 180), (1600, 1600), (900, 1600)])
def test_link_picture_is_1200_by_630_with_the_subject_whole(size):
    """1200 × 630 is what readers of the Open Graph protocol's og:image show large; common practice."""
    pixels = on_white(0, 12, *size)
    tall = size[1]
    box = (size[0] / 2 - 0.2 * tall, 0.14 * tall, size[0] / 2 + 0.4 * tall, 0.86 * tall)
    image = opened(make_link_picture(pixels, box, as_is))
    assert image.format == "JPEG" and image.size == (1200, 630)
    dark = np.asarray(image.convert("L")) < 200
    rows, columns = np.flatnonzero(dark.any(axis=1)), np.flatnonzero(dark.any(axis=0))
    subject = min(0.72 * tall, 630 * 0.85)  # never enlarged
    assert abs((rows[-1] - rows[0]) - subject) < 8
    assert columns[0] > 30 and columns[-1] < 1170 and rows[0] > 30 and rows[-1] < 600


def test_flattened_edge_is_blended_in_linear_light():
    half = np.full((1, 1, 4), (0, 0, 0, 128), np.uint8)
    # IEC 61966-2-1: 127/255 of the light of white is code 187
    assert abs(int(flatten(half)[0, 0, 0]) - 187) <= 1
