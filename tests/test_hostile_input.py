"""Whatever is in a catalogue, a description, a file name or a photo: one plain message or a site, never a traceback.

Property-based with hypothesis (quick profile; tests/bench/fuzz.py runs tens of thousands), and the cases that broke
something once, by name.
"""

from __future__ import annotations

import io
import json
import os
import random
import socket
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from builder.catalog import read_catalog
from builder.errors import CatalogError, Fault, InputError
from builder.frames.decode import probe_photo
from builder.pages.rendering import fill
from builder.pages.svg_cleaning import clean_svg
from builder.pages.theme import Theme, render_template
from builder.spin import Photo
from tests.command import kickwheel, tree
from tests.fuzzing import (
    CATALOG,
    MARKDOWN_PIECES,
    SNIPPETS,
    mutate_picture,
    mutate_text,
    mutate_value,
    png_with_checks,
    small_photos,
    try_catalog,
    try_markdown,
    try_names,
    try_photo,
)
from tests.pictures import turning_bar, write_catalog, write_photo, write_spin
from tests.test_bad_input import SMALL, refused, shop

quick = settings(
    max_examples=60, deadline=10_000, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
)
seeds = st.integers(0, 2**32)
BASE = '[shop]\nname = "S"\n[[item]]\ntitle = "Jug"\nframes = "jug"\n'

# ---- properties --------------------------------------------------------------------------------------------


@quick
@given(seeds, st.booleans())
def test_any_catalogue_is_read_or_refused(tmp_path_factory, seed, values):
    rng = random.Random(seed)
    text = mutate_value(rng) if values else mutate_text(CATALOG, rng)
    try_catalog(_folder(tmp_path_factory), text.encode("utf-8", "replace"))


@quick
@given(st.binary(max_size=300))
def test_any_bytes_as_a_catalogue(tmp_path_factory, content):
    try_catalog(_folder(tmp_path_factory), content)


@quick
@given(
    st.lists(st.one_of(st.sampled_from(SNIPPETS), st.text(max_size=8), st.sampled_from(CATALOG.split())), max_size=12)
)
def test_any_text_as_the_title_and_the_description(tmp_path_factory, parts):
    from tests.hostile_text import toml_text

    text = toml_text("".join(parts))
    try_catalog(
        _folder(tmp_path_factory),
        f'[shop]\nname = "S"\n[[item]]\ntitle = {text}\nframes = "jug"\ndescription = {text}\n'.encode(),
    )


@quick
@given(st.lists(st.one_of(st.sampled_from(MARKDOWN_PIECES), st.text(max_size=5)), max_size=60))
def test_any_markdown(parts):
    try_markdown("".join(parts))


@quick
@given(st.lists(st.binary(min_size=1, max_size=40).filter(lambda b: b"/" not in b and b"\0" not in b and b not in (b".", b"..")),
                min_size=1, max_size=5, unique=True), seeds)  # fmt: skip
@pytest.mark.skipif(sys.platform != "linux", reason="other systems don't take any bytes as a name")
def test_any_file_names(tmp_path_factory, names, seed):
    names = [name + b".jpg" for name in names]
    try_names(_folder(tmp_path_factory), names, small_photos()["grey.jpg"], random.Random(seed))


@settings(quick, max_examples=20)
@pytest.mark.parametrize("name", sorted(small_photos()))
@given(seeds)
def test_any_picture_is_read_or_refused(tmp_path_factory, name, seed):
    try_photo(
        _folder(tmp_path_factory) / f"x.{name.rpartition('.')[2]}",
        mutate_picture(small_photos()[name], random.Random(seed)),
    )


def test_unharmed_pictures_are_accepted(tmp_path):
    """Else the properties above would prove nothing."""
    for name, content in small_photos().items():
        assert try_photo(tmp_path / name, content) is (name != "a.gif"), name
    assert try_catalog(tmp_path, CATALOG.encode())


def _folder(factory) -> Path:
    folder = factory.getbasetemp() / "fuzz"
    folder.mkdir(exist_ok=True)
    return folder


# ---- catalogues that broke something ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "saying"),
    [
        (BASE + "x = " + "[" * 5000 + "]" * 5000, "nested too deep"),
        (BASE + "x = " + "{a=" * 3000 + "1" + "}" * 3000, "nested too deep"),
        (BASE + ".".join("a" * 20_000) + " = 1", "nested more than 64 deep"),
        (BASE + ".".join(['"a"'] * 20_000) + " = 1", "nested more than 64 deep"),
        (BASE + "price = " + "9" * 5000, "a number in it is too long"),
        (BASE + "price = 0x" + "f" * 5000, "a number in it is too long"),
        (BASE + "price = -1", "a price from 0"),
        (BASE + "price = nan", "a price from 0"),
        (BASE + "my-key = 1", "unknown key 'my-key'"),
        (BASE + '"a[b" = 1', "unknown key 'a[b'"),
        (BASE + '"\\u001b[31m" = 1', r"unknown key '\x1b[31m'"),
        (BASE.replace("Jug", "J" * 301), "it is too long"),
        (BASE + "description = '''" + "[" * 301 + "'''", "more than 300 square brackets"),
        (BASE + "description = '''" + "a" * 20_001 + "'''", "20001 characters"),
        (BASE.replace('"S"', '"S"\nurl = "https://a:99999999/"'), "an address such as"),
        (BASE.replace('"S"', '"S"\nurl = "https://a/' + "b" * 3000 + '"'), "an address such as"),
        (BASE + "[item.finish]\ncrop = [0, 0, 1, 99999999999]", "won't do for crop"),
        (BASE + f"[output]\nwidths = {list(range(16, 900))}", "1 to 16 widths"),
    ],
)
def test_catalogues_that_nobody_writes(tmp_path, text, saying):
    (tmp_path / "jug").mkdir()
    write_catalog(tmp_path, text)
    start = time.process_time()
    with pytest.raises(CatalogError) as met:
        read_catalog(tmp_path)
    assert saying in str(met.value) and "\x1b" not in str(met.value)
    assert time.process_time() - start < 5


def test_a_description_file_without_end(tmp_path):
    folder = shop(tmp_path, description_file='"long.md"')
    with open(folder / "long.md", "wb") as file:
        file.truncate(10_000_000_000)  # sparse: takes no room
    with pytest.raises(CatalogError, match="it is larger than 16 MB"):
        read_catalog(folder)


@pytest.mark.parametrize(
    "piece", ["[", "![", "[](", "[a](((((", "> ", "<a href=", "a\n=\n", "*a ", "`a", "<div>", "    - a\n"]
)
def test_markdown_takes_no_more_than_seconds(piece):
    """As long as a description may be; the brackets as many as are let through."""
    text = (piece * 20_000)[:20_000]
    if "[" in piece:
        text = piece * 300 + "a " * ((20_000 - 300 * len(piece)) // 2)
    start = time.process_time()
    try_markdown(text)
    assert time.process_time() - start < 10


def test_lists_nested_by_the_hundred_are_shown_as_written():
    try_markdown("\n".join("    " * depth + "- a" for depth in range(300)))


def test_messages_hold_nothing_that_acts_on_a_terminal():
    said = str(Fault("a\x1b[2J\n\u202e\udcff.jpg", "", "it is \x9b31m bad"))
    assert said == "a\\x1b[2J\\n\\u202e\\udcff.jpg: it is \\x9b31m bad."
    said.encode()


# ---- names, links, devices ---------------------------------------------------------------------------------

posix = pytest.mark.skipif(os.name != "posix", reason="links and pipes as POSIX has them")


@posix
def test_links_out_of_the_catalogue_are_refused(tmp_path):
    folder = shop(tmp_path / "shop")
    secret = write_photo(tmp_path / "private" / "secret.jpg", turning_bar(0, 8))
    (folder / "jug/IMG_0001.jpg").unlink()
    (folder / "jug/IMG_0001.jpg").symlink_to(secret)
    refused(folder, saying="IMG_0001.jpg: this link leads out of the catalogue's folder")
    refused(folder, saying="this link leads out", command="proof")
    text = (folder / "catalog.toml").read_text()
    (folder / "catalog.toml").write_text(text.replace("[shop]", "[shop]\nallow_outside = true"))
    assert kickwheel("build", folder).status == 0


@posix
@pytest.mark.parametrize("name", ["style.css", "index.html.j2", "labels.json"])
def test_links_out_of_the_shops_own_theme_are_refused(tmp_path, name):
    folder = shop(tmp_path / "shop")
    (tmp_path / "secret").write_text("secret")
    (folder / "theme").mkdir()
    (folder / "theme" / name).symlink_to(tmp_path / "secret")
    refused(folder, saying="this link leads out of the catalogue's folder")


@posix
def test_what_is_no_file_is_no_photo(tmp_path):
    folder = shop(tmp_path / "s")
    os.mkfifo(folder / "jug/IMG_0010.jpg")
    (folder / "jug/IMG_0011.jpg").symlink_to("/dev/zero")
    (folder / "jug/IMG_0012.jpg").symlink_to("nowhere")
    (folder / "jug/IMG_0013.jpg").symlink_to("IMG_0013.jpg")
    (folder / "jug/IMG_0014.jpg").mkdir()
    with socket.socket(socket.AF_UNIX) as end:
        here = os.getcwd()
        os.chdir(folder / "jug")  # a socket's path may have 108 bytes only
        try:
            end.bind("IMG_0015.jpg")
        finally:
            os.chdir(here)
    ran = kickwheel("build", folder, timeout=60)
    assert ran.status == 0 and "Traceback" not in ran.err
    assert "ot photos, left out: IMG_0010.jpg" in ran.out + ran.err
    assert len(json.loads((folder / "site/jug/spin.json").read_text())["frames"]) == 8


@posix
def test_a_catalogue_that_is_a_pipe_or_a_device(tmp_path):
    os.mkfifo(tmp_path / "catalog.toml")
    assert kickwheel("build", tmp_path, timeout=30).status == 2
    (tmp_path / "catalog.toml").unlink()
    (tmp_path / "catalog.toml").symlink_to("/dev/zero")
    assert kickwheel("build", tmp_path, timeout=30).status == 2


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have no such names")
def test_names_that_are_no_text_or_act_on_a_terminal(tmp_path):
    folder = shop(tmp_path / "shop")
    odd = [b"\xff\xfe.jpg", b"\x1b[31m\n.jpg", "\u202egpj.jpg".encode(), b"a" * 251 + b".jpg"]
    for number, name in enumerate(odd, 1):
        os.rename(folder / f"jug/IMG_000{number}.jpg", os.fsencode(folder / "jug") + b"/" + name)
    for words in (
        ["build"],
        ["check"],
        ["check", "--html", tmp_path / "r.html"],
        ["proof"],
        ["finish", "--out", tmp_path / "f"],
    ):
        ran = kickwheel(words[0], folder, *words[1:])
        assert ran.status in (0, 1) and "\x1b" not in ran.out + ran.err, ran.err
    said = subprocess.run([sys.executable, "-m", "builder", "check", folder, "--json", "--quiet"], capture_output=True)
    names = {frame["file"] for frame in json.loads(said.stdout.decode("utf-8"))["items"][0]["frames"]}
    assert {os.fsencode(name) for name in names} >= set(odd)


@pytest.mark.parametrize("key", ["drop", "start", "from", "to"])
@pytest.mark.parametrize("name", ["../IMG_0001.jpg", "/etc/passwd", "a/b.jpg", "..", "c:\\x.jpg"])
def test_names_that_are_paths(tmp_path, key, name):
    from tests.hostile_text import toml_text

    folder = shop(tmp_path, **{key: f"[{toml_text(name)}]" if key == "drop" else toml_text(name)})
    with pytest.raises(CatalogError, match="a file name is wanted, without folders"):
        read_catalog(folder)


@pytest.mark.parametrize("key", ["frames", "description_file"])
@pytest.mark.parametrize("name", ["../private", "/etc", "/etc/passwd", "jug/../../private", "~"])
def test_paths_that_leave_the_catalogue(tmp_path, key, name):
    (tmp_path / "private").mkdir()
    folder = shop(tmp_path / "shop", **{key: f'"{name}"'})
    with pytest.raises(CatalogError, match="leads out of|there is no"):
        read_catalog(folder)


# ---- templates and logos of strangers ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "attack",
    [
        "{{ cycler.__init__.__globals__.os.popen('touch hacked').read() }}",
        "{{ ''.__class__.__mro__[1].__subclasses__() }}",
        "{{ fill.__globals__ }}",
        "{{ '%s'|format.__self__ }}",
        "{% for x in range(10**9) %}a{% endfor %}",
        "{% include '../../../../etc/passwd' %}",
        "{% include '/etc/passwd' %}",
        "{{ 1 // 0 }}",
    ],
)
def test_a_template_reaches_nothing_but_the_page(tmp_path, monkeypatch, attack):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "theme").mkdir()
    (tmp_path / "theme/404.html.j2").write_text(attack)
    with pytest.raises(InputError, match="404.html.j2: (line 1: )?the template fails"):
        render_template(Theme("plain", tmp_path / "theme"), "404.html.j2", {"fill": fill})
    assert not (tmp_path / "hacked").exists()


EVIL_SVG = b"""<?xml version="1.0"?>
<!-- made by someone -->
<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" xmlns:ink="http://ink.example/"
 ink:docname="/home/someone/private.svg" onload="ran(1)" width="10" height="10">
<metadata><author>Someone</author></metadata>
<script>ran(2)</script><style>.a{fill:#123456}</style>
<a xlink:href="javascript:ran(3)"><rect class="a" width="5" height="5" onclick="ran(4)"/></a>
<foreignObject><iframe xmlns="http://www.w3.org/1999/xhtml" src="https://evil.example"/></foreignObject>
<image href="https://evil.example/5" width="1" height="1"/><use href="https://evil.example/6#a"/>
<rect fill="url(https://evil.example/7)" style="fill:url('//evil.example/8')" width="1" height="1"/>
<set attributeName="href" to="javascript:ran(9)"/><animate onbegin="ran(10)"/>
<linearGradient id="g"/><circle r="3" fill="url(#g)"/></svg>"""


def test_a_logo_keeps_its_drawing_and_nothing_else():
    made = clean_svg(EVIL_SVG)
    for left in (b"ran", b"evil", b"someone", b"Someone", b"iframe", b"made by", b"href", b"ink"):
        assert left not in made, made
    for kept in (b"<circle", b'fill="url(#g)"', b".a{fill:#123456}", b'width="10"', b"linearGradient"):
        assert kept in made, made
    assert clean_svg(made) == made


@pytest.mark.parametrize(
    "bad",
    [
        b"<svg>", b"<svg xmlns='http://www.w3.org/2000/svg'", b"", b"<html/>", b"\0" * 50,
        b"<!DOCTYPE svg [<!ENTITY a 'aaaaaaaaaa'><!ENTITY b '&a;&a;&a;&a;'>]><svg xmlns='http://www.w3.org/2000/svg'>&b;</svg>",
        b"<!DOCTYPE svg [<!ENTITY a SYSTEM 'file:///etc/passwd'>]><svg xmlns='http://www.w3.org/2000/svg'>&a;</svg>",
        b"<svg xmlns='http://www.w3.org/2000/svg'><style>@import 'https://evil.example'</style></svg>",
    ],
)  # fmt: skip
def test_what_is_no_harmless_svg_is_refused(bad):
    with pytest.raises(ValueError):
        clean_svg(bad)


# ---- bombs -------------------------------------------------------------------------------------------------


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def flat_png(width: int, height: int, *before: bytes, colour: int = 2) -> bytes:
    bits = {0: 1, 2: 3, 6: 4}[colour] * width
    pack = zlib.compressobj(9)
    row = bytes(1 + bits)
    body = b"".join(pack.compress(row) for _ in range(height)) + pack.flush()
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, colour, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(before) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def encoded(size: tuple[int, int], file_format: str, mode: str = "RGB", **options) -> bytes:
    file = io.BytesIO()
    Image.new(mode, size).save(file, file_format, **options)
    return file.getvalue()


def bombs() -> dict[str, bytes]:
    """Files of at most a few megabytes that ask for far more."""
    packed = zlib.compress(bytes(100_000_000), 9)
    progressive = encoded((600, 600), "JPEG", progressive=True)
    last = progressive.rfind(b"\xff\xda")
    plain = encoded((64, 64), "JPEG")
    return {
        "pixels.png": flat_png(12_000, 10_000, colour=0),
        "claim.png": png_with_checks(flat_png(8, 8).replace(struct.pack(">II", 8, 8), struct.pack(">II", 2**31 - 1, 2**31 - 1), 1)),
        "profile.png": flat_png(64, 64, chunk(b"iCCP", b"x\0\0" + packed)),
        "text.png": flat_png(64, 64, *[chunk(b"zTXt", b"x\0\0" + packed)] * 20),
        "unicode.png": flat_png(64, 64, *[chunk(b"iTXt", b"x\0\1\0\0\0" + packed)] * 20),
        "exif.png": flat_png(64, 64, chunk(b"eXIf", b"MM\0*\0\0\0\x08\xff\xff" + b"\x01\x12\0\x02\xff\xff\xff\xf0\0\0\0\0" * 65535)),
        "pixels.tif": encoded((12_000, 10_000), "TIFF", "L", compression="tiff_deflate"),
        "claim.webp": _with_webp_size(encoded((64, 64), "WEBP"), 16_383, 16_383),
        "claim.jpg": _with_jpeg_size(plain, 65_500, 65_500),
        "scans.jpg": progressive[:-2] + progressive[last:-2] * 5000 + b"\xff\xd9",
        "exif.jpg": plain[:2] + (b"\xff\xe1\xff\xffExif\0\0" + bytes(65527)) * 100 + plain[2:],
        "profile.jpg": encoded((64, 64), "JPEG", icc_profile=bytes(16_000_000)),
    }  # fmt: skip


def _with_jpeg_size(content: bytes, width: int, height: int) -> bytes:
    at = content.index(b"\xff\xc0") + 5
    return content[:at] + struct.pack(">HH", height, width) + content[at + 4 :]


def _with_webp_size(content: bytes, width: int, height: int) -> bytes:
    """RFC 6386, section 9.1: 14 bits each, after the start code."""
    at = content.index(b"\x9d\x01\x2a") + 3
    return content[:at] + struct.pack("<HH", width, height) + content[at + 4 :]


@pytest.mark.skipif(os.name != "posix", reason="memory is limited by setrlimit")
def test_bombs_take_neither_memory_nor_time(tmp_path):
    """Each is probed and read, all in one process of at most 1 GB of address space beyond what it starts with."""
    files = bombs()
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    code = """if True:
        import resource, sys, time, warnings
        from pathlib import Path
        import numpy, PIL.Image, PIL.ImageCms, pillow_heif
        from builder.frames.decode import probe_photo, read_photo
        from builder.errors import KickwheelError
        from builder.spin import Photo
        PIL.Image.init()
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize() if Path("/proc").exists() else 2 << 30
        resource.setrlimit(resource.RLIMIT_AS, (used + 10**9, used + 10**9))
        for file in sorted(Path(sys.argv[1]).iterdir()):
            start = time.process_time()
            photo = probe_photo(file)
            if isinstance(photo, Photo):
                try:
                    read_photo(photo, long_side=300)
                    said = "read"
                except KickwheelError as error:
                    said = str(error)
            else:
                said = photo.why
            print(file.name, "|", round(time.process_time() - start, 2), "|", said.replace("\\n", " "))
    """
    ran = subprocess.run([sys.executable, "-c", code, tmp_path], capture_output=True, text=True, timeout=100,
                         cwd=Path(__file__).parent.parent)  # fmt: skip
    lines = dict(line.split(" | ", 1) for line in ran.stdout.splitlines())
    assert ran.returncode == 0 and lines.keys() == files.keys(), ran.stderr
    assert max(float(line.partition(" | ")[0]) for line in lines.values()) < 5, lines
    for name in ("pixels.png", "claim.png", "pixels.tif", "claim.webp", "claim.jpg"):
        assert "megapixels" in lines[name] or "damaged" in lines[name], lines[name]
    assert "passes" in lines["scans.jpg"] and "Exif blocks" in lines["exif.jpg"]
    assert not any("Memory" in line for line in lines.values()), lines


def test_ordinary_progressive_and_large_photos_are_no_bombs(tmp_path):
    (tmp_path / "a.jpg").write_bytes(encoded((900, 600), "JPEG", progressive=True))
    small = encoded((64, 64), "JPEG")
    (tmp_path / "b.jpg").write_bytes(_with_jpeg_size(small, 16_320, 12_240))  # what a phone's 200 megapixels are
    (tmp_path / "c.png").write_bytes(flat_png(11_648, 8_736, colour=0))  # a medium-format back's 102
    assert all(isinstance(probe_photo(file), Photo) for file in tmp_path.iterdir())


def test_a_logo_that_is_a_bomb(tmp_path):
    folder = write_spin(tmp_path / "jug", 4).parent
    (tmp_path / "logo.png").write_bytes(flat_png(9000, 9000))
    write_catalog(
        folder, '[shop]\nname = "S"\nlogo = "logo.png"\n' + SMALL + '[[item]]\ntitle = "Jug"\nframes = "jug"\n'
    )
    ran = kickwheel("build", folder)
    assert ran.status == 2 and "too many" in ran.err
    assert "site" not in {name.partition("/")[0] for name in tree(folder)}
