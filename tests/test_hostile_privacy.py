"""Nothing of the photographer's leaves with the pictures: what cameras and computers write is searched for in every byte.

Source photos carry marks in each block that cameras fill: Exif 2.32 (CIPA DC-008: owner, serial numbers, times, place,
maker note, user comment), XMP, IPTC (IIM 4.2 in a Photoshop segment), an ICC profile's description, JPEG comment.
"""

from __future__ import annotations

import getpass
import io
import json
import os
import socket
import struct
import zipfile
import zlib
from pathlib import Path

import pytest
from PIL import Image, ImageCms

from tests.command import kickwheel
from tests.pictures import turning_bar, write_catalog

MARKS = {
    "owner": "Qwoleena Zarnwick", "body serial": "SER7731QX", "lens serial": "LNS4412QX", "unique id": "a9f3c1d2e4b5968778695a4b3c2d1e0f",
    "maker": "Zarnoptic", "model": "ZX-Quill 77", "software": "Quillfirm 9.31", "comment": "usercommentqz", "maker note": "makernoteqz",
    "artist": "Artistqz Name", "copyright": "Copyrqz Holder", "xmp": "xmpsecretqz", "iptc": "iptcsecretqz", "jpeg comment": "jpegcommentqz",
    "profile": "profileownerqz", "place": "GPSplaceqz",
}  # fmt: skip
TIMES = ("2025:04:17 13:37:42", "2025-04-17", "2025:04:17", "13:37:42", "20250417")
HOME = "zz-private-folder"
PHOTO = "IMG_PRIVATENAME"


def marked_photo(path: Path, index: int) -> None:
    """A JPEG with a mark in every place that holds words."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0131] = MARKS["maker"], MARKS["model"], MARKS["software"]
    exif[0x013B], exif[0x8298], exif[0x0132] = MARKS["artist"], MARKS["copyright"], TIMES[0]
    detail = exif.get_ifd(0x8769)
    detail[0x9003], detail[0x9004] = TIMES[0], TIMES[0]
    detail[0xA430], detail[0xA431], detail[0xA435] = MARKS["owner"], MARKS["body serial"], MARKS["lens serial"]
    detail[0xA420], detail[0x9286] = MARKS["unique id"], b"ASCII\0\0\0" + MARKS["comment"].encode()
    detail[0x927C] = b"Zarn\0" + MARKS["maker note"].encode()
    place = exif.get_ifd(0x8825)
    place[1], place[2], place[3], place[4] = "N", (51.0, 28.0, 38.7654), "W", (0.0, 0.0, 5.4321)
    place[0x1B] = b"ASCII\0\0\0" + MARKS["place"].encode()
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    at = profile.find("sRGB".encode("utf-16-be"))
    words = MARKS["profile"].encode("utf-16-be")
    profile[at : at + min(len(words), 16)] = words[: min(len(words), 16)]
    file = io.BytesIO()
    Image.fromarray(turning_bar(index, 6)).save(
        file, "JPEG", quality=95, exif=exif.tobytes(), icc_profile=bytes(profile), comment=MARKS["jpeg comment"].encode(),
        xmp=f"<x:xmpmeta xmlns:x='adobe:ns:meta/'>{MARKS['xmp']}</x:xmpmeta>".encode(),
    )  # fmt: skip
    iim = b"\x1c\x02\x50" + struct.pack(">H", len(MARKS["iptc"])) + MARKS["iptc"].encode()
    resource = b"8BIM\x04\x04\0\0" + struct.pack(">I", len(iim)) + iim + b"\0" * (len(iim) % 2)
    segment = b"Photoshop 3.0\0" + resource
    content = file.getvalue()
    content = content[:2] + b"\xff\xed" + struct.pack(">H", len(segment) + 2) + segment + content[2:]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    os.utime(path, (1_744_897_062, 1_744_897_062))


def secrets() -> dict[str, bytes]:
    named = {name: text.encode() for name, text in MARKS.items()}
    named |= {f"time {text}": text.encode() for text in TIMES}
    named |= {
        "folder": HOME.encode(),
        "file name": PHOTO.encode(),
        "coordinates": b"38.7654",
        "repository": str(Path(__file__).parent.parent).encode(),
    }
    named |= {"time as a number": b"1744897062", "time in a zip or film": struct.pack(">I", 1_744_897_062)}
    for name, text in (("host", socket.gethostname()), ("user", getpass.getuser())):
        # Shorter ones turn up in coded pictures by chance
        if len(text) >= 5 and text.lower() not in ("localhost", "runner"):
            named[name] = text.encode()
    wide = {
        f"{name}, UTF-16": text.decode().encode("utf-16-le")
        for name, text in named.items()
        if text.isascii() and len(text) > 5
    }
    return named | wide


@pytest.fixture(scope="module")
def outputs(tmp_path_factory) -> dict[str, bytes]:
    """Every file that build, proof and finish write, the zip's members unpacked."""
    home = tmp_path_factory.mktemp("privacy") / HOME / "shop"
    write_catalog(
        home,
        '[shop]\nname = "S"\nurl = "https://shop.example/"\nlogo = "logo.jpg"\n[output]\nwidths = [48]\nformats = ["avif", "webp", "jpeg"]\n'
        '[[item]]\ntitle = "Jug"\nslug = "jug"\nframes = "photos"\n',
    )
    for index in range(6):
        marked_photo(home / "photos" / f"{PHOTO}_{index}.jpg", index)
    marked_photo(home / "logo.jpg", 0)
    where = home.parent.parent / "out"
    env = {"USER": "quserzz", "LOGNAME": "quserzz", "HOSTNAME": "qhostzz"}
    runs = [("build", home, "--out", where / "site"), ("proof", home, "--out", where / "p.zip")]
    runs += [("finish", home, "--out", where / kind, "--format", kind) for kind in ("png", "webp", "jpeg")]
    for words in runs:
        ran = kickwheel(*words, env=env)
        assert ran.status == 0, ran.err
    found = {file.relative_to(where).as_posix(): file.read_bytes() for file in where.rglob("*") if file.is_file()}
    with zipfile.ZipFile(io.BytesIO(found["p.zip"])) as archive:
        found |= {f"p.zip/{name}": archive.read(name) for name in archive.namelist()}
    return found


def test_marks_are_in_the_photos(tmp_path):
    """Else searching for them would prove nothing."""
    marked_photo(tmp_path / "a.jpg", 0)
    content = (tmp_path / "a.jpg").read_bytes()
    for name, text in MARKS.items():
        wanted = text.encode("utf-16-be")[:16] if name == "profile" else text.encode()
        assert wanted in content, name
    assert TIMES[0].encode() in content


def test_every_kind_of_file_is_looked_at(outputs):
    endings = {name.rpartition(".")[2] for name in outputs}
    assert endings >= {"avif", "webp", "jpg", "png", "gif", "mp4", "html", "js", "json", "css", "svg", "xml", "zip"}


def test_no_output_holds_any_of_it(outputs):
    for path, content in outputs.items():
        for name, text in (secrets() | {"user set": b"quserzz", "host set": b"qhostzz"}).items():
            if name == "file name" and path.endswith("finish.json"):
                continue  # says which photo became which frame: for the shop's own hands, and part of what it is for
            if name.startswith("time in a zip") and path.endswith((".avif", ".webp", ".jpg", ".png", ".gif")):
                continue  # four bytes of coded picture meet by chance
            assert text not in content, f"{path} holds the {name}"
        for packed in _unpacked(path, content):
            for name, text in secrets().items():
                assert text not in packed, f"{path}, unpacked, holds the {name}"


def _unpacked(path: str, content: bytes):
    """Compressed text of PNG chunks."""
    if content.startswith(b"\x89PNG"):
        at = 8
        while at + 8 <= len(content):
            (length,) = struct.unpack(">I", content[at : at + 4])
            kind, body = content[at + 4 : at + 8], content[at + 8 : at + 8 + length]
            assert kind in (b"IHDR", b"IDAT", b"IEND", b"PLTE", b"tRNS", b"sRGB", b"gAMA", b"cHRM"), (path, kind)
            if kind == b"IDAT":
                yield zlib.decompressobj().decompress(body)
            at += 12 + length


def test_pictures_and_films_carry_no_blocks_of_words(outputs):
    for path, content in outputs.items():
        if path.endswith((".jpg", ".webp", ".png", ".gif", ".avif")) and not path.startswith("p.zip/"):
            with Image.open(io.BytesIO(content)) as image:
                image.load()
                assert not dict(image.getexif()), path
                words = [
                    name
                    for name in ("exif", "xmp", "comment", "photoshop", "XML:com.adobe.xmp")
                    if image.info.get(name)
                ]
                assert not words, (path, words)
                assert b"qz" not in (image.info.get("icc_profile") or b""), path
        if path.endswith(".mp4") and not path.startswith("p.zip/"):
            for box in (b"mvhd", b"tkhd", b"mdhd"):  # ISO/IEC 14496-12, sections 8.2.2, 8.3.2, 8.4.2
                at = content.index(box) + 4
                size = 16 if content[at] == 1 else 8  # bytes of the two times, after version and flags
                assert content[at + 4 : at + 4 + size] == bytes(size), f"{path}: {box!r} says when it was made"


def test_the_zip_has_no_times_nor_users(outputs):
    with zipfile.ZipFile(io.BytesIO(outputs["p.zip"])) as archive:
        for entry in archive.infolist():
            assert entry.date_time == (1980, 1, 1, 0, 0, 0) and entry.extra == b"" and entry.comment == b""
            assert not entry.filename.startswith("/") and ".." not in entry.filename.split("/")
    assert json.loads(outputs["png/jug/finish.json"])["version"] == 1
