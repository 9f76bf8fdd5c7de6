"""Bad input: one clear message, exit 2, nothing written, no traceback."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from tests.command import kickwheel, tree
from tests.pictures import patchwork, write_catalog, write_photo, write_spin

SMALL = '[output]\nwidths = [64]\nformats = ["webp"]\ngif = false\nmp4 = false\n'


def shop(folder: Path, **item: str) -> Path:
    """A catalogue with one item, its keys as TOML text; and eight frames in jug/."""
    keys = {"title": '"Jug"', "frames": '"jug"'} | item
    text = (
        '[shop]\nname = "Saltmarsh Bench"\n' + SMALL + "[[item]]\n" + "".join(f"{k} = {v}\n" for k, v in keys.items())
    )
    write_catalog(folder, text)
    write_spin(folder / "jug")
    return folder


def refused(folder: Path, *options: str | Path, saying: str, command: str = "build") -> str:
    before = tree(folder)
    ran = kickwheel(command, folder, *options)
    assert ran.status == 2, ran
    assert saying in ran.err, ran.err
    assert "Traceback" not in ran.err
    assert all(line.startswith(("error: ", "Measuring spins", "Finishing frames")) for line in ran.err.splitlines())
    after = {name: content for name, content in tree(folder).items() if not name.startswith(".kickwheel/")}
    assert after == before
    return ran.err


@pytest.mark.parametrize("command", ["build", "proof", "check"])
def test_missing_catalogue(tmp_path, command):
    refused(tmp_path / "nowhere", saying="there is no", command=command)


def test_not_toml(tmp_path):
    shop(tmp_path)
    (tmp_path / "catalog.toml").write_text("[shop\n")
    refused(tmp_path, saying="this is not TOML")


def test_unknown_key_wrong_type_and_slug_out_of_the_site(tmp_path):
    shop(tmp_path, closed='"no"', shelf="1", slug='"../../x"')
    message = refused(tmp_path, saying="unknown key 'shelf'")
    assert "true or false is wanted" in message
    assert "A slug is one folder name" in message
    assert len(message.splitlines()) == 3


def test_frames_folder_missing_empty_and_with_one_frame(tmp_path):
    refused(shop(tmp_path / "a", frames='"jog"'), saying="there is no folder 'jog'. Nearest: 'jug'.")
    folder = shop(tmp_path / "b", frames='"empty"')
    (folder / "empty").mkdir()
    refused(folder, saying="it holds no photos")
    write_photo(folder / "empty" / "IMG_1.jpg")
    refused(folder, saying="it holds one photo only, and one can't turn")


def test_unreadable_zero_byte_text_and_truncated_images(tmp_path):
    folder = shop(tmp_path)
    (folder / "jug" / "IMG_0002.jpg").write_bytes(b"")
    (folder / "jug" / "IMG_0003.jpg").write_text("no picture")
    message = refused(folder, saying="IMG_0002.jpg: the file is empty.")
    assert "IMG_0003.jpg: it is not a picture" in message
    for name in ("IMG_0002.jpg", "IMG_0003.jpg"):
        write_photo(folder / "jug" / name, patchwork(96, 72))
    whole = write_photo(folder / "jug" / "IMG_0004.jpg", patchwork(96, 72)).read_bytes()
    (folder / "jug" / "IMG_0004.jpg").write_bytes(whole[: len(whole) // 2])
    refused(folder, saying="IMG_0004.jpg can't be read: the picture is damaged")


def test_mixed_sizes_name_the_odd_ones(tmp_path):
    folder = shop(tmp_path)
    write_photo(folder / "jug" / "IMG_0005.jpg", patchwork(64, 64))
    refused(folder, saying="most are 96 × 72, but IMG_0005.jpg (64 × 64)")


def test_start_and_drop_that_do_not_exist(tmp_path):
    folder = shop(tmp_path, start='"IMG_9.jpg"', drop='["IMG_1.jpg"]')
    refused(folder, saying="drop: there is no photo 'IMG_1.jpg'")


def test_output_in_the_wrong_place(tmp_path):
    folder = shop(tmp_path / "shop")
    refused(folder, "--out", folder / "jug" / "site", saying="")
    refused(folder, "--out", folder, saying="")
    foreign = tmp_path / "foreign"
    foreign.mkdir()
    (foreign / "thesis.txt").write_text("mine")
    refused(folder, "--out", foreign, saying="")
    assert (foreign / "thesis.txt").read_text() == "mine"


@pytest.mark.skipif(os.name != "posix", reason="permissions are set the POSIX way")
def test_no_write_permission(tmp_path):
    """As an ordinary user: root may write anywhere."""
    folder = shop(tmp_path / "shop")
    parent = tmp_path / "locked"
    parent.mkdir()
    parent.chmod(0o555)
    if os.access(parent, os.W_OK):
        try:
            subprocess.run(["chattr", "+i", parent], check=True, capture_output=True)
        except (OSError, subprocess.CalledProcessError):
            pytest.skip("root without immutable files: no folder here can be closed to writing")
    try:
        refused(folder, "--out", parent / "site", saying="permission")
    finally:
        subprocess.run(["chattr", "-i", parent], check=False, capture_output=True)
        parent.chmod(0o755)


def test_unknown_item(tmp_path):
    refused(shop(tmp_path), "--item", "jog", saying="there is no item 'jog'. Nearest: 'jug'.")


def test_odd_names_build(tmp_path):
    """Spaces, accents, emoji, quotes and a leading dash in names are no fault at all."""
    name = "-jug é 🙂 'q'"
    folder = tmp_path / "my shop"
    write_catalog(folder, '[shop]\nname = "S"\n' + SMALL + f'[[item]]\ntitle = "🙂"\nframes = "{name}"\n')
    write_spin(folder / name)
    (folder / name / "IMG_0001.jpg").rename(folder / name / '-IMG_0001 ü "x".jpg')
    ran = kickwheel("build", folder, cwd=tmp_path)
    assert ran.status == 0, ran.err
    assert (folder / "site" / "item-1" / "index.html").is_file()


def test_script_in_title_and_markdown_is_inert(tmp_path):
    folder = shop(
        tmp_path,
        title='"<script>alert(1)</script>"',
        description="'''x <script>alert(2)</script> [a](javascript:alert(3)) <img src=x onerror=alert(4)>'''",
    )
    assert kickwheel("build", folder).status == 0
    page = (folder / "site" / "script-alert-1-script" / "index.html").read_text()
    assert "<script>alert" not in page
    assert "javascript:" not in page.lower()
    assert "onerror" not in page
    assert "&lt;script&gt;alert(1)" in page


@pytest.mark.skipif(os.name != "posix" or not hasattr(os, "geteuid") or os.geteuid() != 0, reason="mounting needs root")
def test_disk_full(tmp_path):
    """A whole build onto a disk of 64 kB, and one whose cache has no room."""
    folder = shop(tmp_path / "shop")
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", small], capture_output=True).returncode:
        pytest.skip("a tmpfs can't be mounted here")
    try:
        refused(folder, "--out", small / "site", saying="the disk is full")
        assert list(small.iterdir()) == []
        cramped = small / "shop"
        cramped.mkdir()
        (cramped / "catalog.toml").write_text(
            (folder / "catalog.toml")
            .read_text()
            .replace('Bench"', 'Bench"\nallow_outside = true')
            .replace('"jug"', f'"{folder}/jug"')
        )
        (cramped / "filler").write_bytes(b"x" * 40_000)
        refused(cramped, saying="the disk is full")
    finally:
        subprocess.run(["umount", small], check=True)
