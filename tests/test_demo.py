"""The whole chain on the demo catalogue: what the contract promises of a site is there."""

from __future__ import annotations

import getpass
import gzip
import io
import json
import re
import shutil
import socket
import xml.etree.ElementTree as ET
import zipfile
from pathlib import Path

import pytest
from PIL import Image

from tests.command import kickwheel, tree
from tests.links import check_links

ITEMS = ("coffee-pot", "toy-boat", "desk-lamp")
FILES = (
    "index.html", "embed/index.html", "preview.gif", "preview.mp4", "poster.jpg", "still.jpg", "link.jpg",
    "contact.jpg", "spin.json", "spin.js", "oembed.json",
)  # fmt: skip


@pytest.mark.parametrize("slug", ITEMS)
def test_every_file_of_the_contract_is_there(demo_site, slug):
    for name in FILES:
        assert (demo_site / slug / name).stat().st_size > 0, name
    for name in ("index.html", "spins.json", "sitemap.xml", "404.html"):
        assert (demo_site / name).is_file()
    assert all(
        re.search(r"\.[0-9a-f]{8,}\.", f.name) for f in (demo_site / "assets").iterdir() if f.name != "kick-spin.js"
    )


@pytest.mark.parametrize("slug", ITEMS)
def test_spin_json(demo_site, slug):
    spin = json.loads((demo_site / slug / "spin.json").read_text())
    count = len(spin["frames"])
    assert spin["version"] == 1
    assert spin["slug"] == slug
    assert 0 <= spin["home"] < count
    assert (
        spin["turn"]
        == {"coffee-pot": "counterclockwise", "toy-boat": "clockwise", "desk-lamp": "counterclockwise"}[slug]
    )
    angles = [frame["angle_deg"] for frame in spin["frames"]]
    assert angles[0] == 0
    assert angles == sorted(set(angles))
    assert angles[-1] < 360
    widths = {source["width"] for source in spin["sources"]}
    assert max(widths) == spin["width"]
    assert {source["format"] for source in spin["sources"]} == {"avif", "webp"}
    for source in spin["sources"]:
        assert len(source["files"]) == count
        for name in source["files"]:
            with Image.open(demo_site / slug / name) as image:
                assert image.width == source["width"]
    columns = spin["strip"]["columns"]
    for name in (spin["strip"]["file"], spin["strip"]["avif"]):
        with Image.open(demo_site / slug / name) as sheet:
            assert sheet.width == columns * spin["strip"]["width"]
            assert sheet.height == -(-count // columns) * spin["strip"]["height"]


def test_the_boats_repeated_frame_is_left_out_and_said(demo, demo_site):
    assert len(json.loads((demo_site / "toy-boat" / "spin.json").read_text())["frames"]) == 29
    said = (demo.parent / "said.txt").read_text("utf-8")
    assert "toy-boat: 30 frames, 1 left out" in said
    assert "repeats frame 11" in said


def test_first_turn_is_light(demo_site):
    for slug in ITEMS:
        assert (demo_site / slug / "strip.webp").stat().st_size <= 60_000
        assert (demo_site / slug / "strip.avif").stat().st_size <= 40_000
        page = (demo_site / slug / "index.html").read_bytes()
        linked = re.findall(rb'(?:src|href)="\.\./(assets/[^"]+\.(?:js|css))"', page)
        texts = [page] + [(demo_site / name.decode()).read_bytes() for name in linked]
        assert sum(len(gzip.compress(text, 9)) for text in texts) <= 30_000


def test_no_broken_link(demo_site):
    paths = [p.relative_to(demo_site).as_posix() for p in demo_site.rglob("*") if p.is_file()]
    pages = {name: (demo_site / name).read_text("utf-8") for name in paths if name.endswith(".html")}
    assert check_links(pages.items(), paths, site_path="/spins/") == []


def test_nothing_private_in_any_byte(demo, demo_site, tmp_path):
    """By the tags' own bytes, not through one reader: Exif header, XMP, GPS, serial, owner, time, file names."""
    kickwheel("proof", demo, "--out", tmp_path / "proofs.zip", timeout=600)
    files = tree(demo_site)
    with zipfile.ZipFile(tmp_path / "proofs.zip") as archive:
        files |= {f"zip/{name}": archive.read(name) for name in archive.namelist()}
    secrets = [
        b"Exif\0\0", b"http://ns.adobe.com/xap", b"GPSL", b"FP3-000417", b"Fenlark", b"2026:04:1", b"IMG_2026",
        str(demo).encode(), str(Path.home()).encode(), f"/{getpass.getuser()}/".encode(),
    ]  # fmt: skip
    if len(socket.gethostname()) > 5:
        secrets.append(socket.gethostname().encode())
    for name, content in files.items():
        for secret in secrets:
            assert secret not in content, (name, secret)


def test_the_photos_do_hold_what_must_not_leak(demo):
    """Without this, the test above could pass for want of anything to find."""
    photo = (demo / "toy-boat" / "IMG_20260412_110240.jpg").read_bytes()
    assert b"Exif\0\0" in photo
    assert b"FP3-000417" in photo


def test_nothing_changed_nothing_written(demo, demo_site):
    before = {p: p.stat().st_mtime_ns for p in demo_site.rglob("*")}
    ran = kickwheel("build", demo)
    assert ran.status == 0
    assert {p: p.stat().st_mtime_ns for p in demo_site.rglob("*")} == before


def test_one_description_changed(demo, tmp_path):
    folder = tmp_path / "demo"
    shutil.copytree(demo, folder)
    kickwheel("build", folder, timeout=600)
    before = tree(folder / "site")
    text = (folder / "toy-boat.md").read_text().replace("bath-tub", "harbour")
    (folder / "toy-boat.md").write_text(text)
    ran = kickwheel("build", folder, timeout=600)
    after = tree(folder / "site")
    changed = {name for name in after if after[name] != before.get(name)} - {".kickwheel-manifest.json"}
    assert changed <= {
        "toy-boat/index.html",
        "toy-boat/embed/index.html",
        "toy-boat/oembed.json",
        "spins.json",
        "index.html",
    }
    assert "toy-boat/index.html" in changed
    assert ran.status == 0


def test_an_alias_keeps_the_old_address(demo_site):
    page = (demo_site / "enamel-pot" / "index.html").read_text()
    assert "../coffee-pot/index.html" in page
    assert (demo_site / "enamel-pot" / "spin.js").is_file()


def test_sitemap_and_oembed(demo_site):
    """sitemaps.org protocol 0.9: urlset, url, loc, absolute. oEmbed 1.0, section 2.3.4.4: rich needs html, width, height."""
    root = ET.fromstring((demo_site / "sitemap.xml").read_text())
    space = "{http://www.sitemaps.org/schemas/sitemap/0.9}"
    assert root.tag == f"{space}urlset"
    places = [place.text for place in root.iter(f"{space}loc")]
    assert len(places) == 4
    assert all(place.startswith("https://saltmarsh-bench.example/spins/") for place in places)
    oembed = json.loads((demo_site / "toy-boat" / "oembed.json").read_text())
    assert (oembed["version"], oembed["type"]) == ("1.0", "rich")
    assert "<iframe" in oembed["html"]
    assert oembed["width"] > 0 and oembed["height"] > 0


def test_own_files_in_the_site_are_kept(demo, tmp_path):
    folder = tmp_path / "demo"
    shutil.copytree(demo, folder)
    (folder / "site" / "robots.txt").write_text("User-agent: *\n")
    (folder / "toy-boat.md").write_text("Changed.\n")
    assert kickwheel("build", folder, timeout=600).status == 0
    assert (folder / "site" / "robots.txt").read_text() == "User-agent: *\n"


def test_proof_opens_from_disk_and_is_the_same_twice(demo, tmp_path):
    for name in ("a.zip", "b.zip"):
        ran = kickwheel("proof", demo, "--item", "toy-boat", "--out", tmp_path / name, timeout=600)
        assert ran.status == 0, ran.err
    first = (tmp_path / "a.zip").read_bytes()
    assert first == (tmp_path / "b.zip").read_bytes()
    names = zipfile.ZipFile(io.BytesIO(first)).namelist()
    for wanted in (
        "index.html",
        "toy-boat/preview.gif",
        "toy-boat/preview.mp4",
        "toy-boat/still.jpg",
        "toy-boat/contact.jpg",
    ):
        assert f"proofs/{wanted}" in names
