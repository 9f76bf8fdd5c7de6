from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from builder.errors import PhotoError
from builder.frames.photos import find_photos, read_photo, single_photo
from tests.icc import grey_profile, rgb_profile
from tests.pictures import patchwork, write_photo

# CIPA DC-008 (Exif 2.32), tag 0x0112: which side of the upright scene the 0th row and 0th column show.
ORIENTATIONS = {
    1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
    5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
}  # fmt: skip


def as_stored(upright: np.ndarray, orientation: int) -> np.ndarray:
    """The pixels a camera stores, straight from the standard's table."""
    row_side, column_side = ORIENTATIONS[orientation]
    stored = upright if row_side in ("top", "bottom") else upright.transpose(1, 0, 2)
    if row_side in ("bottom", "right"):
        stored = stored[::-1]
    if column_side in ("bottom", "right"):
        stored = stored[:, ::-1]
    return np.ascontiguousarray(stored)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_exif_orientation_is_applied(tmp_path, orientation):
    upright = patchwork()
    path = write_photo(tmp_path / "a.png", as_stored(upright, orientation), orientation=orientation)
    photo = single_photo(path)
    assert (photo.width, photo.height) == (48, 32)
    assert np.array_equal(read_photo(photo), upright)


@pytest.mark.parametrize("space, gamma", [("Display P3", None), ("Adobe RGB (1998)", 563 / 256), ("sRGB", None)])
def test_embedded_profile_is_converted_to_srgb(tmp_path, space, gamma):
    """Against colour-science 0.4's own matrices for SMPTE EG 432-1 (P3) and Adobe RGB (1998)."""
    import colour

    pixels = patchwork()
    path = write_photo(tmp_path / "a.png", pixels, icc_profile=rgb_profile(space, gamma))
    linear = colour.RGB_COLOURSPACES[space].cctf_decoding(pixels / 255)
    if space == "Display P3":
        linear = colour.models.eotf_sRGB(pixels / 255)
    srgb = colour.RGB_to_RGB(linear, space, "sRGB", chromatic_adaptation_transform=None)
    wanted = np.clip(colour.models.eotf_inverse_sRGB(np.clip(srgb, 0, 1)), 0, 1) * 255
    got = read_photo(single_photo(path)).astype(float)
    assert np.abs(got - wanted).max() <= 2.0
    if space == "sRGB":
        assert np.array_equal(got, pixels)  # a profile that changes nothing costs no rounding


def test_grey_profile(tmp_path):
    grey = patchwork()[..., 0]
    path = write_photo(tmp_path / "a.png", grey, icc_profile=grey_profile(1.8))
    got = read_photo(single_photo(path)).astype(float)
    import colour

    wanted = colour.models.eotf_inverse_sRGB((grey / 255.0) ** 1.8) * 255
    assert np.abs(got - wanted[..., None]).max() <= 2.0


def test_deep_palette_grey_alpha_and_cmyk(tmp_path):
    grey = np.linspace(0, 65535, 48 * 32).reshape(32, 48).astype(np.uint16)
    Image.fromarray(grey).save(tmp_path / "deep.png")
    got = read_photo(single_photo(tmp_path / "deep.png"))
    assert np.abs(got[..., 0].astype(float) - grey / 257).max() <= 0.51

    Image.fromarray(patchwork()).quantize(64).save(tmp_path / "palette.png")
    assert read_photo(single_photo(tmp_path / "palette.png")).shape == (32, 48, 3)

    cut = np.dstack([patchwork(), np.zeros((32, 48), np.uint8)])
    Image.fromarray(cut).save(tmp_path / "clear.png")
    assert (read_photo(single_photo(tmp_path / "clear.png")) == 255).all()

    Image.new("CMYK", (48, 32), (0, 0, 0, 0)).save(tmp_path / "press.jpg")
    assert (read_photo(single_photo(tmp_path / "press.jpg")) >= 254).all()


@pytest.mark.parametrize("ending", ["jpg", "JPEG", "png", "WebP", "avif", "TIF", "heic"])
def test_formats_by_content_whatever_the_case_of_the_ending(tmp_path, ending):
    pixels = patchwork(64, 48)
    path = tmp_path / f"IMG_1.{ending}"
    if ending == "heic":
        import pillow_heif

        pillow_heif.from_pillow(Image.fromarray(pixels)).save(path, quality=95)
    else:
        options = {"quality": 95} if ending.lower() in ("webp", "avif") else {}
        kind = {"jpg": "JPEG", "jpeg": "JPEG", "tif": "TIFF"}.get(ending.lower(), ending.upper())
        Image.fromarray(pixels).save(path, format=kind, **options)
    found = find_photos(tmp_path)
    assert [photo.path for photo in found.photos] == [path]
    assert np.abs(read_photo(found.photos[0]).astype(float) - pixels).mean() < 4


def test_png_named_jpg_is_read_by_its_content(tmp_path):
    Image.fromarray(patchwork()).save(tmp_path / "a.jpg", format="PNG")
    assert np.array_equal(read_photo(find_photos(tmp_path).photos[0]), patchwork())


def test_reduced_copy_keeps_its_geometry(tmp_path):
    """A wide soft edge keeps its place in source pixels at every reduction, decoder shortcuts included."""
    x = np.arange(1003)
    ramp = np.clip((x - 300) / 400, 0, 1) * 200 + 20
    path = write_photo(tmp_path / "a.jpg", np.broadcast_to(ramp[None, :, None], (501, 1003, 3)).astype(np.uint8))
    photo = single_photo(path)
    for long_side in (1003, 700, 501, 333, 120):
        small = read_photo(photo, long_side=long_side)[10, :, 1].astype(float)
        source_x = (np.arange(len(small)) + 0.5) * photo.width / len(small) - 0.5
        middle = np.interp(120, small, source_x)
        assert abs(middle - 500) < 2.0, long_side  # one 8-bit level is 2 px wide here
    assert read_photo(photo, long_side=5000).shape == (501, 1003, 3)


def test_order_is_natural_and_twins_count_once(tmp_path):
    for name in ("IMG_10.jpg", "IMG_2.jpg", "img_1.jpg"):
        write_photo(tmp_path / name)
    for name in ("IMG_2.heic", "IMG_2.MOV", "IMG_10.dng", "IMG_2.xmp", ".hidden.jpg", "notes.txt", "Thumbs.db"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "old").mkdir()
    write_photo(tmp_path / "old" / "IMG_3.jpg")
    found = find_photos(tmp_path)
    assert [photo.path.name for photo in found.photos] == ["img_1.jpg", "IMG_2.jpg", "IMG_10.jpg"]
    assert found.notes == (
        "twins of a photo, counted once: IMG_2.heic, IMG_2.MOV, IMG_10.dng",
        "not photos, left out: IMG_2.xmp, notes.txt, Thumbs.db",
    )


def test_order_by_time(tmp_path):
    write_photo(tmp_path / "b.jpg", time="2026:01:02 10:00:00")
    write_photo(tmp_path / "a.jpg", time="2026:01:02 10:00:05")
    assert [p.path.name for p in find_photos(tmp_path, order="time").photos] == ["b.jpg", "a.jpg"]
    write_photo(tmp_path / "c.jpg")
    with pytest.raises(PhotoError, match="no Exif time of shooting in c.jpg"):
        find_photos(tmp_path, order="time")


def test_drop_replace_from_and_to(tmp_path):
    for number in range(1, 8):
        write_photo(tmp_path / f"IMG_{number}.jpg")
    found = find_photos(
        tmp_path, drop=["IMG_2.jpg"], replace={"IMG_3.jpg": "IMG_7.jpg"}, first="IMG_2.jpg", last="IMG_5.jpg"
    )
    assert [photo.path.name for photo in found.photos] == ["IMG_7.jpg", "IMG_4.jpg", "IMG_5.jpg"]
    with pytest.raises(PhotoError) as failure:
        find_photos(tmp_path, drop=["IMG_22.jpg"], replace={"x.jpg": "IMG_1.jpg"})
    assert "drop: there is no photo 'IMG_22.jpg'. Nearest: 'IMG_2.jpg'." in str(failure.value)
    assert "replace: there is no photo 'x.jpg'" in str(failure.value)
    with pytest.raises(PhotoError, match="'IMG_5.jpg' comes after 'IMG_2.jpg'"):
        find_photos(tmp_path, first="IMG_5.jpg", last="IMG_2.jpg")


def test_rows_are_refused_not_mixed_in(tmp_path):
    write_photo(tmp_path / "row1" / "a.jpg")
    write_photo(tmp_path / "row2" / "a.jpg")
    with pytest.raises(PhotoError, match="several rows are not supported yet"):
        find_photos(tmp_path)
    write_photo(tmp_path / "a.jpg")
    found = find_photos(tmp_path)
    assert len(found.photos) == 1
    assert found.notes == ("several rows are not supported yet: left out row1, row2",)


@pytest.mark.parametrize("cut", [0, 3, 40, 200, 600])
def test_truncated_files_are_unreadable_never_a_crash(tmp_path, cut):
    whole = write_photo(tmp_path / "a.jpg", patchwork(400, 300)).read_bytes()
    (tmp_path / "a.jpg").write_bytes(whole[:cut])
    found = find_photos(tmp_path)
    if found.unreadable:
        assert found.unreadable[0].path.name == "a.jpg"
    else:
        with pytest.raises(PhotoError, match="damaged"):
            read_photo(found.photos[0])


def test_text_called_jpg(tmp_path):
    (tmp_path / "a.jpg").write_text("not a picture")
    assert find_photos(tmp_path).unreadable[0].why == "it is not a picture in a format that can be read"


def test_a_claim_of_60000_by_60000_pixels_is_refused_before_decoding(tmp_path):
    import struct
    import zlib

    def chunk(name: bytes, body: bytes) -> bytes:  # PNG (ISO/IEC 15948), section 5.3
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    data = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")
    (tmp_path / "bomb.png").write_bytes(b"\x89PNG\r\n\x1a\n" + data)
    assert "60000 × 60000" in find_photos(tmp_path).unreadable[0].why


@pytest.mark.skipif(os.name != "posix", reason="device files are a POSIX thing")
def test_links_to_devices_and_odd_names(tmp_path):
    (tmp_path / "zero.jpg").symlink_to("/dev/zero")
    for name in ("-rf.jpg", "ä é 🙂 'q' \"d\".jpg"):
        write_photo(tmp_path / name)
    assert len(find_photos(tmp_path).photos) == 2


def test_photos_are_never_touched(tmp_path):
    path = write_photo(tmp_path / "a.jpg")
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    read_photo(find_photos(tmp_path).photos[0], long_side=20)
    assert before == (path.read_bytes(), path.stat().st_mtime_ns)


def test_folder_that_cannot_be_read(tmp_path):
    from builder.errors import InputError

    with pytest.raises(InputError, match="can't be read"):
        find_photos(Path(tmp_path / "nowhere"))
