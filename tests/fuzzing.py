"""What fuzz tests throw at Kickwheel, and what must hold: bad input ends in a KickwheelError or in nothing at all.

Used by tests/test_hostile_input.py (a few seconds) and tests/bench/fuzz.py (tens of thousands of cases). Every
`try_` function takes one case, lets no exception but KickwheelError pass unnoticed, and returns True when the input
was accepted.
"""

from __future__ import annotations

import functools
import io
import random
import struct
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image

from builder.catalog import read_catalog
from builder.errors import KickwheelError
from builder.frames.decode import probe_photo, read_photo
from builder.frames.photos import find_photos
from builder.pages.text import plain_text, render_markdown, shorten
from builder.site.output import check_path
from builder.spin import Photo
from tests.hostile_text import toml_text
from tests.pictures import patchwork

MOST_PIXELS_READ = 2_000_000  # larger claims are only probed here; their memory is measured by the bench

# ---- catalogue text ----------------------------------------------------------------------------------------

CATALOG = """\
[shop]
name = "Saltmarsh Bench"
url = "https://shop.example/spins/"
language = "de-AT"
currency = "GBP"
contact = "hello@shop.example"
credit = "Bench"
disc_mm = 330.5
[finish]
backdrop = "rgb(240 240 240)"
crop = [1, 2, 30, 40]
aspect = "4:3"
white_balance = [1.0, 1, 0.9]
margin = 0.05
[output]
widths = [480, 960]
formats = ["avif", "webp"]
gif = false
[[item]]
title = "Stoneware jug"
frames = "jug"
slug = "jug"
description = '''A **jug** [here](https://shop.example), 2 l'''
drop = ["IMG_1.jpg"]
replace = {"IMG_2.jpg" = "IMG_3.jpg"}
price = 24.50
gtin = "4006381333931"
link = "https://shop.example/jug"
tags = ["jug", "stoneware"]
aliases = ["old-jug"]
turn = "clockwise"
from = "IMG_1.jpg"
[item.finish]
shadow = 0.2
[[item]]
title = "Ü 🙂"
frames = "jug"
order = "time"
"""
SNIPPETS = (
    "[", "]", "[[", "]]", "{", "}", '"', "'", '"""', "'''", "=", ".", ",", "#", "\\", "\\u0000", "\\U0010FFFF", "\n", "\r", "\t",
    "\0", "\x1b[2J", "\u2028", "\ufeff", "é", "🙂", "true", "nan", "inf", "-1", "1e999", "0x7fffffffffffffff",
    "99999999999999999999", "1979-05-27T07:32:00Z", "07:32:00", "[]", "{}", "[[]]", "../..", "/etc", "~", "C:\\",
    "item.finish", "a.b.c", "my-key", "constructor", "__proto__", "𝟛", "-", "_", "0", "1:0", "none", "keep",
)  # fmt: skip


def mutate_text(text: str, rng: random.Random, most: int = 4) -> str:
    """A text with a few of its pieces cut, doubled, swapped, or with something strange put in."""
    for _ in range(rng.randint(1, most)):
        at, end = sorted(rng.randrange(len(text) + 1) for _ in "ab")
        end = min(end, at + rng.choice((1, 3, 20, 200)))
        way = rng.randrange(5)
        if way == 0:
            text = text[:at] + text[end:]
        elif way == 1:
            text = text[:end] + text[at:end] * rng.choice((1, 1, 30)) + text[end:]
        elif way == 2:
            text = text[:at] + rng.choice(SNIPPETS) + text[end:]
        elif way == 3:
            text = text[:at] + rng.choice(SNIPPETS) * rng.choice((1, 2, 50)) + text[at:]
        else:
            text = text[:at] + chr(rng.randrange(0x110000)) + text[at:]
        text = text[:40_000]
    return text


def mutate_value(rng: random.Random) -> str:
    """A catalogue in which one value is of another kind: what a parser can't catch, but validation must."""
    lines = CATALOG.splitlines()
    place = rng.choice([n for n, line in enumerate(lines) if " = " in line])
    key = lines[place].partition(" = ")[0]
    lines[place] = f"{key} = {_value(rng, 3)}"
    return "\n".join(lines) + "\n"


def _value(rng: random.Random, depth: int) -> str:
    kinds = ["true", "false", "nan", "-inf", "1e308", "-0.0", "0", "-1", "9223372036854775807", "07:32:00", "1979-05-27",
             "1979-05-27T07:32:00Z", '""', '"auto"', "[]", "{}"]  # fmt: skip
    way = rng.randrange(6)
    if way < 2:
        return rng.choice(kinds)
    if way == 2:
        return str(rng.choice((rng.randint(-(10**6), 10**6), rng.uniform(-2, 2))))
    if way == 3 or depth == 0:
        return toml_text("".join(rng.choice((*SNIPPETS, "a", "IMG_1.jpg", "jug")) for _ in range(rng.randrange(6))))
    if way == 4:
        return "[" + ", ".join(_value(rng, depth - 1) for _ in range(rng.randrange(5))) + "]"
    return "{" + ", ".join(f"{toml_text(rng.choice(SNIPPETS))} = {_value(rng, depth - 1)}" for _ in range(1)) + "}"


def try_catalog(folder: Path, content: bytes) -> bool:
    """Read content as folder's catalogue; what is accepted goes on to the words of its pages."""
    (folder / "jug").mkdir(exist_ok=True)
    (folder / "catalog.toml").write_bytes(content)
    try:
        catalog = read_catalog(folder)
    except KickwheelError as error:
        assert error.faults and all("\n" not in str(fault) and "\x1b" not in str(fault) for fault in error.faults)
        str(error).encode()
        return False
    for item in catalog.items:
        check_path(f"{item.slug}/index.html")
        assert item.frames_dir.resolve().is_relative_to(folder.resolve()) or catalog.shop.allow_outside
    _pages(catalog)
    return True


def _pages(catalog) -> None:
    """Every text of an accepted catalogue as pages show it."""
    from builder.items.pages import shop_page
    from builder.pages.rendering import Theme, render_item, render_shop_pages
    from tests.page_samples import make_item, make_spin

    shop = shop_page(catalog, None)
    items = []
    for item in catalog.items[:3]:
        keys = item.keys
        items.append(
            make_item(
                item.slug,
                keys.title,
                spin=make_spin(item.slug, keys.title),
                alt=keys.alt,
                sku=keys.sku,
                tags=keys.tags,
                price=None if keys.price is None else str(keys.price),
                currency=catalog.shop.currency,
                gtin=keys.gtin,
                link=keys.link,
                availability=keys.availability,
                condition=keys.condition,
                description_html=render_markdown(item.description),
                aliases=keys.aliases,
            )  # fmt: skip
        )
    assets = _Named()
    texts = render_shop_pages(shop, items, assets, Theme())
    for item in items[:1]:
        texts |= render_item(shop, item, assets, Theme())
    for text in texts.values():
        text.encode()


class _Named(dict):
    """Any asset has a place, but for the shop's own style."""

    def __missing__(self, name: str) -> str:
        return f"assets/{name}"


# ---- Markdown ----------------------------------------------------------------------------------------------

MARKDOWN_PIECES = (
    "*", "**", "_", "__", "`", "```", "[", "]", "(", ")", "![", "](", "<", ">", "</", "<a href=", "<!--", "-->", "&", "&#x", ";",
    "#", "## ", "- ", "1. ", "> ", "    ", "\t", "\n", "\n\n", "|", "|-|", "---", "===", "\\", ":", "[a]: ", '"', "'", "a", " ",
    "word", "javascript:", "http://a.example", "<b>", "<svg>", "<script>", "<table>", "<!DOCTYPE", "<![CDATA[", "<?", "\0", "\u2028", "🙂",
)  # fmt: skip


def try_markdown(text: str) -> bool:
    made = render_markdown(text)
    shorten(plain_text(made), 160)
    lower = made.lower()
    assert "<script" not in lower and "<svg" not in lower and "<iframe" not in lower and "<style" not in lower
    return True


def random_markdown(rng: random.Random) -> str:
    return "".join(rng.choice(MARKDOWN_PIECES) * rng.choice((1, 1, 1, 2, 40)) for _ in range(rng.randint(1, 60)))[:4000]


# ---- file names --------------------------------------------------------------------------------------------


def random_name(rng: random.Random) -> bytes:
    """A file name as bytes: anything but / and zero."""
    pieces = (b"IMG_", b"0001", b".jpg", b".JPG", b".jpeg", b".heic", b"-", b" ", b"..", b"~", b"\n", b"\x1b[31m", b"\xff", b"\xc3\xa9",
              "e\u0301".encode(), "🙂".encode(), "\u202e".encode(), b"'", b'"', b"<b>", b"%00", b"con", b":", b"\\", b"row 1", b"1" * 60)  # fmt: skip
    name = b"".join(rng.choice(pieces) for _ in range(rng.randint(1, 5)))[:200]
    return name if name not in (b".", b"..") else b"x"


def try_names(folder: Path, names: Sequence[bytes], photo: bytes, rng: random.Random) -> bool:
    """A folder that holds these files; with drop, replace, from and to that name some of them."""
    import os
    import shutil

    home = folder / "frames"
    shutil.rmtree(home, ignore_errors=True)
    home.mkdir()
    for name in names:
        (home / os.fsdecode(name)).write_bytes(photo)
    known = [os.fsdecode(name) for name in names]
    chosen = rng.choices(known, k=3)
    try:
        found = find_photos(
            home, order=rng.choice(("name", "time", "angle")), drop=chosen[:1] if rng.random() < 0.3 else (),
            replace={chosen[1]: chosen[2]} if rng.random() < 0.3 else {}, first=chosen[0] if rng.random() < 0.3 else None,
        )  # fmt: skip
    except KickwheelError as error:
        str(error).encode()
        return False
    paths = [photo.path for photo in found.photos]
    assert len(set(paths)) == len(paths)
    assert all(path.parent == home for path in paths)
    return True


# ---- image bytes -------------------------------------------------------------------------------------------


@functools.cache
def small_photos() -> dict[str, bytes]:
    """One small picture in each format, with the blocks that cameras write: Exif, ICC, XMP."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    from PIL import ImageCms

    image = Image.fromarray(patchwork(40, 24))
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110] = 6, "Maker", "Model"
    exif.get_ifd(0x8769)[0x9003] = "2026:03:01 10:00:00"
    exif.get_ifd(0x8825)[1] = "N"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    made = {}
    for name, mode, options in (
        ("a.jpg", "RGB", {}), ("progressive.jpg", "RGB", {"progressive": True}), ("cmyk.jpg", "CMYK", {}), ("grey.jpg", "L", {}),
        ("a.png", "RGB", {}), ("alpha.png", "RGBA", {}), ("palette.png", "P", {}), ("deep.png", "I;16", {}), ("bits.png", "1", {}),
        ("a.webp", "RGB", {}), ("lossless.webp", "RGBA", {"lossless": True}), ("a.avif", "RGB", {"speed": 10}),
        ("a.heic", "RGB", {}), ("a.tif", "RGB", {}), ("lzw.tif", "RGB", {"compression": "tiff_lzw"}),
        ("jpeg.tif", "RGB", {"compression": "jpeg"}), ("float.tif", "F", {}), ("a.gif", "P", {}),
    ):  # fmt: skip
        file = io.BytesIO()
        ending = name.rpartition(".")[2]
        blocks = {"exif": exif.tobytes()} if ending in ("jpg", "png", "webp", "avif", "heic") else {}
        blocks |= {"icc_profile": profile} if mode == "RGB" and ending != "gif" else {}
        blocks |= {"xmp": b"<x:xmpmeta xmlns:x='adobe:ns:meta/'/>"} if ending in ("jpg", "webp") else {}
        formats = {"jpg": "JPEG", "tif": "TIFF", "heic": "HEIF"}
        source = (
            Image.fromarray(np.asarray(image.convert("L")).astype(np.uint16) * 257)
            if mode == "I;16"
            else image.convert(mode)
        )
        source.save(file, formats.get(ending, ending.upper()), **blocks, **options)
        made[name] = file.getvalue()
    return made


NUMBERS = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x100, 0x7FFF, 0x8000, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


def mutate_picture(content: bytes, rng: random.Random) -> bytes:
    """Changes that keep most of the file's structure: numbers, lengths, whole blocks; checksums are made right again."""
    bad = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 4, 8))):
        way, at = rng.randrange(7), rng.randrange(max(1, len(bad)))
        if way == 0:
            bad[at : at + 1] = bytes([rng.randrange(256)])
        elif way == 1 and bad:
            bad[at] ^= 1 << rng.randrange(8)
        elif way == 2:
            size, order = rng.choice((1, 2, 4)), rng.choice("<>")
            number = rng.choice(NUMBERS) & (256**size - 1)
            bad[at : at + size] = struct.pack(order + {1: "B", 2: "H", 4: "I"}[size], number)
        elif way == 3:
            del bad[at : at + rng.choice((1, 4, 100))]
        elif way == 4:
            bad[at:at] = bad[at : at + rng.choice((1, 4, 100))] * rng.choice((1, 3))
        elif way == 5:
            bad[at:at] = rng.randbytes(rng.choice((1, 4, 30)))
        else:
            del bad[at:]
    head = min(len(bad), 400)  # where sizes, offsets and block lengths stand
    if rng.random() < 0.5 and head:
        at = rng.randrange(head)
        bad[at : at + 2] = struct.pack(">H", rng.choice(NUMBERS) & 0xFFFF)
    return png_with_checks(bytes(bad)) if content.startswith(b"\x89PNG") else bytes(bad)


def png_with_checks(content: bytes) -> bytes:
    """The chunks' CRCs made right (PNG, third edition, section 5.3), so that changes get past the first look."""
    made, at = bytearray(content[:8]), 8
    while at + 8 <= len(content):
        (length,) = struct.unpack(">I", content[at : at + 4])
        body = content[at + 4 : at + 8 + length]
        if len(body) < 4 + length:
            return bytes(made) + content[at:]
        made += content[at : at + 4] + body + struct.pack(">I", zlib.crc32(body))
        at += 12 + length
    return bytes(made)


def try_photo(file: Path, content: bytes) -> bool:
    """Probe the file, and read its pixels whole and reduced where it claims a size that a fuzz run can afford."""
    file.write_bytes(content)
    photo = probe_photo(file)
    if not isinstance(photo, Photo):
        assert photo.why
        return False
    assert photo.width > 0 and photo.height > 0 and photo.orientation in range(1, 9)
    if photo.width * photo.height > MOST_PIXELS_READ:
        return False
    read = 0
    for side in (None, 16):
        try:
            pixels = read_photo(photo, long_side=side)
        except KickwheelError as error:
            str(error).encode()
            continue
        read += 1
        assert pixels.dtype == np.uint8 and pixels.ndim == 3 and pixels.shape[2] == 3
        if side is None:
            assert pixels.shape[:2] == (photo.height, photo.width)
    return read == 2
