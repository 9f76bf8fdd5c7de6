"""What a build keeps of thousands of items: values on a shelf, a site's listing, fingerprints of photos."""

from __future__ import annotations

import gc
import threading
import time
import tracemalloc
from pathlib import Path

import pytest

from builder.site.manifest import Listing, read_manifest, write_manifest
from builder.spin import FrameMeasure, SpinMeasures
from builder.store import stamps
from builder.store.shelf import Shelf
from builder.store.stamps import Fingerprints
from builder.store.writing import content_digest


def measures(number: int, frames: int = 36) -> SpinMeasures:
    found = tuple(FrameMeasure(index, f"IMG_{number}_{index}.jpg", angle_deg=10.0 * index) for index in range(frames))
    return SpinMeasures(f"item-{number}", "photos", frames, found)


def bytes_kept(make) -> int:
    """Of memory, by what make returns."""
    gc.collect()
    tracemalloc.start()
    try:
        kept = make()
        gc.collect()
        held = tracemalloc.get_traced_memory()[0]
        assert kept is not None
        return held
    finally:
        tracemalloc.stop()


class TestShelf:
    def test_values_come_back_by_number(self):
        shelf = Shelf(measures(number) for number in range(5))
        assert len(shelf) == 5 and shelf[3] == measures(3) and shelf[-1] == measures(4)
        assert list(shelf) == [measures(number) for number in range(5)] == shelf[:]
        shelf.replace(1, "another")
        shelf.replace(7, "far on")
        assert shelf[1] == "another" and shelf[6] is None and shelf[7] == "far on" and len(shelf) == 8
        for number in (8, -9):
            with pytest.raises(IndexError):
                shelf[number]

    def test_another_order_is_no_copy(self):
        shelf = Shelf("abcd")
        chosen = shelf.arranged([3, 0])
        del shelf
        assert list(chosen) == ["d", "a"]

    def test_threads_read_while_one_writes(self):
        shelf, wrong = Shelf([measures(0)]), []

        def read() -> None:
            for _ in range(300):
                number = len(shelf) - 1
                if shelf[number] != measures(number, 3 if number else 36):
                    wrong.append(number)

        readers = [threading.Thread(target=read) for _ in range(3)]
        for reader in readers:
            reader.start()
        for number in range(1, 200):
            shelf.append(measures(number, 3))
        for reader in readers:
            reader.join()
        assert not wrong

    def test_an_item_more_is_a_few_bytes_more(self):
        def kept(items: int) -> int:
            return bytes_kept(lambda: Shelf(measures(number) for number in range(items)))

        assert kept(150) - kept(50) < 100 * 30


def item_files(number: int, frames: int) -> dict[str, str]:
    names = ["index.html", "embed/index.html", "spin.json"]
    names += [f"frames/{w}/{i:03}.{e}" for w in (480, 960, 1600) for i in range(frames) for e in ("avif", "webp")]
    return {f"item-{number}/{name}": content_digest(f"{number}{name}".encode()) for name in names}


class TestListing:
    def test_it_holds_what_a_dict_would(self, tmp_path):
        """Of more top folders than stay open, of several shapes, added to, changed and taken from again."""
        listing, plain = Listing(), {}

        def add(files: dict[str, str]) -> None:
            for path, digest in files.items():
                listing.add(path, digest)
            plain.update(files)

        add({"index.html": content_digest(b"1"), "assets/a.css": content_digest(b"2")})
        for number in range(30):
            add(item_files(number, 1 + number % 3))
        add({"item-3/late.txt": content_digest(b"3"), "item-0/index.html": content_digest(b"4")})
        for path in ("item-1/spin.json", "assets/a.css", *(name for name in plain if name.startswith("item-7/"))):
            listing.drop(path)
            del plain[path]
        with pytest.raises(KeyError):
            listing.drop("item-1/spin.json")

        def check(listing: Listing) -> None:
            assert len(listing) == len(plain) and set(listing) == set(plain)
            assert {path: listing.get(path) for path in plain} == plain
            assert all(listing.find(plain[path]) == path for path in plain)
            for absent in ("item-1/spin.json", "item-7/index.html", "item-99/index.html", "item-3", "frames", ""):
                assert absent not in listing and listing.get(absent) is None
            assert set(listing.under("item-3")) == {path for path in plain if path.startswith("item-3/")}
            assert listing.under("item-7") == listing.under("") == []
            folders = {str(above) for path in plain for above in Path(path).parents} - {"."}
            assert all(listing.has_folder(folder) for folder in folders)
            assert not any(
                listing.has_folder(folder) for folder in ("item-7", "assets", "item-3/spin.json", "x", "item-2/x")
            )

        check(listing)
        write_manifest(tmp_path / ".kickwheel-manifest.json", listing)
        check(read_manifest(tmp_path))

    def test_the_same_files_give_the_same_list_in_any_order(self, tmp_path):
        files = {path: digest for number in range(20) for path, digest in item_files(number, 2).items()}
        for place, paths in enumerate((sorted(files), sorted(files, reverse=True))):
            listing = Listing()
            for path in paths:
                listing.add(path, files[path])
            write_manifest(tmp_path / str(place), listing)
        assert (tmp_path / "0").read_bytes() == (tmp_path / "1").read_bytes()

    def test_twenty_bytes_a_file(self):
        def make(items: int) -> Listing:
            listing = Listing()
            for number in range(items):
                for path, digest in item_files(number, 36).items():
                    listing.add(path, digest)
            return listing

        more = bytes_kept(lambda: make(40)) - bytes_kept(lambda: make(20))
        assert more < 20 * 20 * len(item_files(0, 36))


def test_fingerprints_of_many_folders_are_put_away_and_found_again(tmp_path, monkeypatch):
    monkeypatch.setattr(stamps, "FOLDERS_HELD", 3)
    photos = [tmp_path / f"{number}" / f"{index}.jpg" for number in range(10) for index in range(2)]
    for photo in photos:
        photo.parent.mkdir(exist_ok=True)
        photo.write_bytes(str(photo).encode())
    time.sleep(0.1)
    memory = Fingerprints(tmp_path / "memory")
    found = {photo: memory.of(photo) for photo in (*photos, *photos)}
    assert memory.read_count == len(photos) and len(memory._folders) == 3
    memory.save()
    again = Fingerprints(tmp_path / "memory")
    assert {photo: again.of(photo) for photo in photos} == found and again.read_count == 0
