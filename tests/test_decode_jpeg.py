"""JPEGs read by the quicker of two decoders: the same pixels as the other's, and nothing that broke off passes."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageOps

from builder.errors import PhotoError
from builder.frames.decode import _is_whole_jpeg, probe_photo, read_photo
from tests.command import kickwheel


def picture(height: int = 336, width: int = 448) -> Image.Image:
    rows, columns = np.mgrid[:height, :width]
    noise = np.random.default_rng(3).integers(0, 60, (height, width, 3))
    return Image.fromarray((noise + np.dstack([rows % 190, columns % 190, (rows + columns) % 190])).astype(np.uint8))


def jpeg(orientation: int = 1, **options) -> bytes:
    exif, file = Image.Exif(), io.BytesIO()
    exif[0x0112] = orientation
    picture().save(file, "JPEG", exif=exif, quality=88, **options)
    return file.getvalue()


@pytest.mark.parametrize("options", [
    {"subsampling": "4:4:4"}, {"subsampling": "4:2:2"}, {"subsampling": "4:2:0"}, {"progressive": True},
    {"keep_rgb": True}, {"restart_marker_rows": 2}, *({"orientation": k} for k in range(2, 9)),
], ids=str)  # fmt: skip
@pytest.mark.parametrize("shrink", [1, 2, 4])
def test_pixels_are_those_of_pillow(tmp_path, options, shrink):
    path = tmp_path / "photo.jpg"
    path.write_bytes(jpeg(**options))
    with Image.open(path) as image:
        image.draft("RGB", (448 // shrink, 336 // shrink))
        expected = np.asarray(ImageOps.exif_transpose(image))
    found = read_photo(probe_photo(path), long_side=448 // shrink)
    assert np.array_equal(found, expected)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_file_that_broke_off_is_never_filled_up(tmp_path, progressive):
    whole = jpeg(progressive=progressive)
    assert _is_whole_jpeg(whole) and _is_whole_jpeg(whole + b"maker's trailer \xff\x00\xff")
    for length in (*range(2, 1200, 7), *range(1200, len(whole), 997), len(whole) - 2, len(whole) - 1):
        assert not _is_whole_jpeg(whole[:length])
    path = tmp_path / "photo.jpg"
    path.write_bytes(whole)
    photo = probe_photo(path)
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(PhotoError, match="damaged"):
        read_photo(photo)


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_nobody_hears_a_library_talk_to_itself(tmp_path, jobs):
    """libjpeg prints its remarks on pixels that make no sense; Kickwheel's own words are still heard."""
    for index in range(3):
        content = bytearray(jpeg())
        place = len(content) // 2 + 100 * index
        content[place : place + 30] = bytes(30)
        (tmp_path / "jug").mkdir(exist_ok=True)
        (tmp_path / "jug" / f"{index}.jpg").write_bytes(content)
    (tmp_path / "catalog.toml").write_text('[shop]\nname = "S"\n[[item]]\ntitle = "Jug"\nframes = "jug"\n', "utf-8")
    heard = kickwheel("check", tmp_path, "--jobs", jobs, env={"KICKWHEEL_DEBUG": "1"})
    quiet = kickwheel("check", tmp_path, "--jobs", jobs, "--html", tmp_path / "report.html")
    assert "JPEG" in heard.err and "JPEG" not in quiet.err
    assert f"Wrote {tmp_path / 'report.html'}." in quiet.err


def test_an_exif_block_that_broke_off_is_no_fault_and_no_remark(tmp_path, recwarn):
    exif = Image.Exif()
    exif[0x0112], exif[0x0132] = 6, "2024:05:06 07:08:09"
    path = tmp_path / "photo.png"  # whose block is read when it is asked for
    picture().save(path, exif=exif.tobytes()[:-10])
    photo = probe_photo(path)
    assert (photo.width, photo.height) == (336, 448) and not recwarn.list
