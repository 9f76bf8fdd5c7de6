"""Catalogues of any number of small made-up items, for tests and benches of scale."""

from __future__ import annotations

from pathlib import Path

from tests.pictures import turning_bar, write_photo

HEAD = (
    '[shop]\nname = "Saltmarsh Bench"\nurl = "https://shop.example/"\ncurrency = "GBP"\n[output]\nwidths = [32, 64]\n'
)


def write_many(folder: Path, count: int, *, frames: int = 4, alike: bool = True) -> Path:
    """A catalogue of `count` items; returns folder.

    alike: all items have photos of the same bytes, so that one measurement and one set of pictures serves them all
    from the cache: what is left is the cost of everything else. Else each item's photos differ.
    """
    first = [folder / "item-0" / f"IMG_{index:04d}.jpg" for index in range(frames)]
    for index, photo in enumerate(first):
        write_photo(photo, turning_bar(index, frames))
    contents = [photo.read_bytes() for photo in first]
    for number in range(1, count):
        place = folder / f"item-{number}"
        place.mkdir(parents=True, exist_ok=True)
        for index, content in enumerate(contents):
            # bytes after a JPEG's end are of no consequence to the picture, but make another file of it
            (place / first[index].name).write_bytes(content if alike else content + f"{number}".encode())
    write_entries(folder, [entry(number) for number in range(count)])
    return folder


def entry(number: int, description: str = "Cleaned and put right.") -> str:
    tags = ["glass", "wood", "brass"][number % 3]
    return (
        f'[[item]]\ntitle = "Item {number}"\nframes = "item-{number}"\nprice = {5 + number % 40}\n'
        f'tags = ["{tags}", "shelf {number % 7}"]\ndescription = "{description}"\n'
    )


def write_entries(folder: Path, entries: list[str], head: str = HEAD) -> None:
    (folder / "catalog.toml").write_text(head + "".join(entries), "utf-8")
