"""Builds of small made-up spins: repeatable, incremental, safe."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time

from PIL import Image

from tests.command import kickwheel, tree
from tests.pictures import turning_bar, write_catalog, write_photo, write_spin
from tests.turntable import Scene, Turntable

HEAD = '[shop]\nname = "Saltmarsh Bench"\ncurrency = "GBP"\n[output]\nwidths = [32, 64]\n'


def two_items(folder, extra: str = ""):
    write_catalog(
        folder,
        HEAD
        + extra
        + '[[item]]\ntitle = "Jug"\nframes = "jug"\n[[item]]\ntitle = "Bowl"\nframes = "bowl"\nprice = 8\n',
    )
    write_spin(folder / "jug", time="2026:01:02 03:04:05", gps=True)
    write_spin(folder / "bowl", 6)
    return folder


def site(folder) -> dict[str, bytes]:
    return tree(folder / "site")


def test_the_same_bytes_whatever_the_number_of_jobs(tmp_path):
    one, two = two_items(tmp_path / "one" / "shop"), two_items(tmp_path / "two" / "shop")
    assert kickwheel("build", one, "--jobs", 1).status == 0
    assert kickwheel("build", two, "--jobs", 2).status == 0
    assert site(one) == site(two)
    assert kickwheel("build", one, "--force", "--jobs", 2).status == 0
    assert site(one) == site(two)
    shutil.rmtree(one / "site")
    assert kickwheel("build", one).status == 0  # from the cache
    assert site(one) == site(two)


def test_one_item_alone_others_stay_as_last_built_and_listed(tmp_path):
    folder = two_items(tmp_path)
    assert kickwheel("build", folder).status == 0
    before = site(folder)
    text = (folder / "catalog.toml").read_text()
    (folder / "catalog.toml").write_text(
        text.replace('"Bowl"', '"Big bowl"\nslug = "bowl"').replace('"Jug"', '"Tall jug"\nslug = "jug"')
    )
    for part in (".kickwheel",):  # also without the cache
        shutil.rmtree(folder / part)
    assert kickwheel("build", folder, "--item", "jug").status == 0
    after = site(folder)
    assert {n: c for n, c in after.items() if n.startswith("bowl/")} == {
        n: c for n, c in before.items() if n.startswith("bowl/")
    }
    index = after["index.html"].decode()
    assert "Tall jug" in index
    assert "Bowl" in index
    assert "Big bowl" not in index
    assert "8.00" in index
    assert [item["slug"] for item in json.loads(after["spins.json"])["items"]] == ["jug", "bowl"]


def test_one_item_alone_with_nothing_changed_gives_the_same_site(tmp_path):
    folder = two_items(tmp_path)
    text = (
        (folder / "catalog.toml").read_text().replace('frames = "jug"', 'frames = "jug"\nalt = "A jug."\ntags = ["a"]')
    )
    text = text.replace("[output]", 'url = "https://shop.example/"\n[output]').replace(
        "price = 8", 'price = 8\ndescription = "**Old** & <b>good</b>"'
    )
    (folder / "catalog.toml").write_text(text)
    assert kickwheel("build", folder).status == 0
    before = site(folder)
    for slug in ("bowl", "jug"):
        assert kickwheel("build", folder, "--item", slug).status == 0
        after = site(folder)
        assert {name for name in after if after[name] != before.get(name)} == set()


def test_drafts_are_left_out(tmp_path):
    folder = two_items(tmp_path)
    text = (folder / "catalog.toml").read_text()
    (folder / "catalog.toml").write_text(text + "draft = true\n")
    assert kickwheel("build", folder).status == 0
    assert not (folder / "site" / "bowl").exists()
    assert b"Bowl" not in site(folder)["index.html"]


def test_a_reshot_frame_takes_the_old_ones_place(tmp_path):
    folder = two_items(tmp_path)
    write_photo(folder / "jug" / "IMG_0099.jpg", turning_bar(3, 8))
    text = (folder / "catalog.toml").read_text()
    (folder / "catalog.toml").write_text(
        text.replace('frames = "jug"', 'frames = "jug"\nreplace = {"IMG_0004.jpg" = "IMG_0099.jpg"}')
    )
    assert kickwheel("build", folder).status == 0
    assert len(json.loads(site(folder)["jug/spin.json"])["frames"]) == 8


def test_strict_stops_before_writing(tmp_path):
    folder = two_items(tmp_path)
    for index in (3, 4, 5):
        write_photo(folder / "jug" / f"IMG_{index + 1:04d}.jpg", turning_bar(3, 8))
    ran = kickwheel("check", folder, "--json")
    failed = any(f["severity"] == "fail" for item in json.loads(ran.out)["items"] for f in item["findings"])
    assert ran.status == (1 if failed else 0)
    strict = kickwheel("build", folder, "--strict")
    assert strict.status == (1 if failed else 0)
    assert (folder / "site").exists() is not failed


def test_interrupted_build_leaves_the_last_site(tmp_path):
    """Ctrl-C at several moments: exit 130, the visible site is the old one or the new one, never a mix."""
    folder = two_items(tmp_path)
    assert kickwheel("build", folder).status == 0
    old = site(folder)
    for delay_s in (0.3, 0.8, 1.5, 2.5):
        process = subprocess.Popen(
            [sys.executable, "-m", "builder", "build", folder, "--force"], stderr=subprocess.PIPE, text=True
        )
        time.sleep(delay_s)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
        assert process.returncode in (0, 130), said
        assert "Traceback" not in said
        assert site(folder) == old
    left = [p.name for p in folder.iterdir() if p.name.startswith(".") and p.name != ".kickwheel"]
    assert left == []


def test_finish_writes_full_size_frames_with_mattes(tmp_path):
    folder = two_items(tmp_path / "shop")
    ran = kickwheel("finish", folder, "--item", "jug", "--out", tmp_path / "done")
    assert ran.status == 0, ran.err
    facts = json.loads((tmp_path / "done" / "jug" / "finish.json").read_text())
    assert facts["version"] == 1
    assert len(facts["frames"]) == 8
    for frame in facts["frames"]:
        with Image.open(tmp_path / "done" / "jug" / frame["file"]) as image:
            assert image.size == (facts["width"], facts["height"])
        assert len(frame["to_output"]) == 2 and len(frame["gain"]) == 3
        assert frame["source"].startswith("IMG_")
    again = kickwheel("finish", folder, "--item", "jug", "--out", tmp_path / "done")
    assert again.status == 0
    (tmp_path / "done" / "jug" / "mine.txt").write_text("x")
    refused = kickwheel("finish", folder, "--item", "jug", "--out", tmp_path / "done")
    assert refused.status == 2
    assert "didn't write" in refused.err


def test_backdrop_keep_changes_no_colour(tmp_path):
    """crop none, align off, keep, full size: the very pixels of the photo."""
    import numpy as np

    folder = tmp_path / "shop"
    write_catalog(
        folder,
        HEAD
        + '[finish]\nbackdrop = "keep"\ncrop = "none"\nalign = false\naspect = "auto"\n[[item]]\ntitle = "Jug"\nframes = "jug"\n',
    )
    write_spin(folder / "jug")
    assert kickwheel("finish", folder, "--out", tmp_path / "done").status == 0
    for index in range(8):
        done = np.asarray(Image.open(tmp_path / "done" / "jug" / f"{index:04d}.png").convert("RGB"))
        photo = np.asarray(Image.open(folder / "jug" / f"IMG_{index + 1:04d}.jpg").convert("RGB"))
        assert np.array_equal(done, photo)


def test_every_backdrop_builds(tmp_path):
    """One after the other: the measures come from the cache, which no backdrop is part of."""
    folder = tmp_path / "shop"
    table = Turntable(Scene(clutter=True), width=240, height=180)
    for index in range(12):
        write_photo(folder / "jug" / f"IMG_{index:04d}.jpg", table.photo(index * 30.0, noise_seed=index))
    frames = folder / "site" / "jug" / "frames"
    pictures = set()
    for backdrop in ("white", "#336699", "transparent", "keep"):
        write_catalog(folder, HEAD + f'[finish]\nbackdrop = "{backdrop}"\n[[item]]\ntitle = "Jug"\nframes = "jug"\n')
        ran = kickwheel("build", folder)
        assert ran.status == 0, ran.err
        picture = next(frames.rglob("000.webp"))
        with Image.open(picture) as image:
            assert image.mode == ("RGBA" if backdrop == "transparent" else "RGB")
        pictures.add(picture.read_bytes())
    assert len(pictures) == 4


def test_serve_is_refused_politely_on_a_busy_port(tmp_path):
    import socket

    folder = two_items(tmp_path)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        ran = kickwheel("serve", folder, "--port", taken.getsockname()[1])
    assert ran.status == 2
    assert "in use" in ran.err
