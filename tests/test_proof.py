"""The proof zip, read by hand against PKWARE APPNOTE.TXT 6.3.10 and by other programs."""

from __future__ import annotations

import getpass
import os
import shutil
import socket
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from builder.errors import InputError, OutputError
from builder.proof import MARK, check_proof, write_proof
from builder.site.whole import SiteFile
from builder.store.cache import Cache

FILES = [
    SiteFile("index.html", b"<p>proof</p>" * 200),
    SiteFile("toy-boat/still.jpg", os.urandom(64).hex().encode() * 50),
    SiteFile("toy-boat/größe.txt", "größe".encode()),
]


def local_headers(data: bytes) -> list[dict]:
    """The local file headers one after another (APPNOTE 4.3.7), until the central directory begins."""
    found, place = [], 0
    while data[place : place + 4] == b"PK\x03\x04":
        need, flags, method, clock, date, crc, packed, size, name_size, extra = struct.unpack_from(
            "<5H3I2H", data, place + 4
        )
        name = data[place + 30 : place + 30 + name_size].decode("utf-8")
        found.append(
            {
                "name": name,
                "flags": flags,
                "method": method,
                "time": clock,
                "date": date,
                "extra": extra,
                "packed": packed,
                "size": size,
            }
        )
        place += 30 + name_size + extra + packed
    assert data[place : place + 4] == b"PK\x01\x02"
    return found


def test_headers_are_stable_and_say_nothing_of_the_machine(tmp_path):
    zip_path = tmp_path / "proofs.zip"
    write_proof(zip_path, FILES)
    data = zip_path.read_bytes()
    headers = local_headers(data)
    assert [header["name"] for header in headers] == [
        "proofs/index.html",
        "proofs/toy-boat/größe.txt",
        "proofs/toy-boat/still.jpg",
    ]
    for header in headers:
        assert (header["time"], header["date"]) == (0, 0x0021), "1980-01-01 00:00 as MS-DOS date (4.4.6)"
        assert header["extra"] == 0, "no extra fields: they hold times and user ids"
    assert [header["method"] for header in headers] == [8, 8, 0], "deflated text (8), stored JPEG (0), 4.4.5"
    assert headers[1]["flags"] & 1 << 11, "a name that isn't ASCII says that it is UTF-8 (4.4.4, bit 11)"
    for secret in (str(tmp_path), socket.gethostname(), getpass.getuser() + "/"):
        assert secret.encode() not in data


def test_same_files_same_bytes_whatever_the_day_zone_mask_or_order(tmp_path):
    write_proof(tmp_path / "one.zip", FILES)
    code = (
        "import os, sys; os.umask(0o077); from pathlib import Path\n"
        "from builder.proof import write_proof; from builder.site.whole import SiteFile\n"
        "root = Path(sys.argv[1]); names = sorted(filter(Path.is_file, root.rglob('*')), reverse=True)\n"
        "write_proof(Path(sys.argv[2]), [SiteFile(p.relative_to(root).as_posix(), p) for p in names])"
    )
    for file in FILES:
        (tmp_path / "src" / file.path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "src" / file.path).write_bytes(file.source)
    subprocess.run(
        [sys.executable, "-c", code, tmp_path / "src", tmp_path / "two.zip"],
        check=True,
        env={**os.environ, "TZ": "Pacific/Auckland", "SOURCE_DATE_EPOCH": "1700000000"},
    )
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()


def test_another_program_unpacks_it(tmp_path):
    write_proof(tmp_path / "proofs.zip", FILES)
    if unzip := shutil.which("unzip"):
        subprocess.run(
            [unzip, "-q", "proofs.zip", "-d", "out"],
            cwd=tmp_path,
            check=True,
            env={**os.environ, "LC_ALL": "C.UTF-8"},
        )
    elif jar := shutil.which("jar"):
        (tmp_path / "out").mkdir()
        subprocess.run([jar, "xf", "../proofs.zip"], cwd=tmp_path / "out", check=True)
    else:
        shutil.unpack_archive(tmp_path / "proofs.zip", tmp_path / "out")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["proofs"], "one folder at the top"
    for file in FILES:
        assert (tmp_path / "out/proofs" / file.path).read_bytes() == file.source


def test_cached_content_and_files_can_go_in(tmp_path):
    entry = Cache(tmp_path / "cache").put("ab12", {"film": b"film"})
    (tmp_path / "logo.png").write_bytes(b"logo")
    write_proof(tmp_path / "p.zip", [SiteFile("a.mp4", entry.blobs["film"]), SiteFile("l.png", tmp_path / "logo.png")])
    with zipfile.ZipFile(tmp_path / "p.zip") as archive:
        assert (archive.read("proofs/a.mp4"), archive.read("proofs/l.png")) == (b"film", b"logo")
    with pytest.raises(InputError, match="can't be read"):
        write_proof(tmp_path / "p.zip", [SiteFile("l.png", tmp_path / "nope.png")])


def test_an_earlier_proof_is_replaced(tmp_path):
    write_proof(tmp_path / "proofs.zip", FILES)
    size = write_proof(tmp_path / "proofs.zip", FILES[:1])
    with zipfile.ZipFile(tmp_path / "proofs.zip") as archive:
        assert archive.namelist() == ["proofs/index.html"] and archive.comment == MARK
    assert size == (tmp_path / "proofs.zip").stat().st_size
    assert [path.name for path in tmp_path.iterdir()] == ["proofs.zip"]


@pytest.mark.parametrize("content", [b"", b"a letter", b"PK\x03\x04 cut off"])
def test_anything_else_is_not(tmp_path, content):
    (tmp_path / "proofs.zip").write_bytes(content)
    with pytest.raises(OutputError, match="is there already and isn't a proof by Kickwheel. Name another file"):
        write_proof(tmp_path / "proofs.zip", FILES)
    assert (tmp_path / "proofs.zip").read_bytes() == content
    assert len(list(tmp_path.iterdir())) == 1


def test_a_zip_of_somebody_else_and_a_folder_are_not(tmp_path):
    with zipfile.ZipFile(tmp_path / "mine.zip", "w") as archive:
        archive.writestr("letter.txt", "dear")
    (tmp_path / "folder").mkdir()
    for name, words in (("mine.zip", "isn't a proof"), ("folder", "this is a folder")):
        with pytest.raises(OutputError, match=words):
            check_proof(tmp_path / name)


def test_names_that_would_leave_the_folder_or_clash_are_refused(tmp_path):
    for name in ("../x", "/x", "a\\b", "a/../../x", "CON"):
        with pytest.raises(OutputError, match="isn't a safe name"):
            write_proof(tmp_path / "p.zip", [SiteFile(name, b"")])
    with pytest.raises(OutputError, match="two files"):
        write_proof(tmp_path / "p.zip", [SiteFile("a", b""), SiteFile("A", b"")])
    assert list(tmp_path.iterdir()) == []


def test_no_place_to_write_is_said_in_words(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(OutputError):
        write_proof(Path(tmp_path / "file/p.zip"), FILES)
