"""Catalogue items and their photos together, with every fault of every item found before any work begins."""

from __future__ import annotations

import dataclasses
import difflib
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from builder.catalog import Catalog, CatalogItem
from builder.catalog.inside import outside_faults
from builder.catalog.reading import fault_at
from builder.errors import Fault, InputError, PhotoError
from builder.frames.footage import open_footage
from builder.frames.photos import find_photos, single_photo
from builder.spin import FilmTake, Photo, PhotoSet, Unreadable
from builder.store.shelf import Shelf

FEWEST_FRAMES = 2  # one picture can't turn


@dataclass(frozen=True, slots=True)
class Spin:
    """An item of the catalogue and the photos it is made from.

    take: how the photos were taken from a film; a film's photos are none until they are (`item.measure`).
    """

    item: CatalogItem
    photos: tuple[Photo, ...]
    unreadable: tuple[Unreadable, ...]
    notes: tuple[str, ...]
    take: FilmTake | None = None

    @property
    def slug(self) -> str:
        return self.item.slug

    @property
    def closed(self) -> bool:
        """Whether the turn is taken as a whole one: as meant, unless a film shows less."""
        return self.item.keys.closed and (self.take is None or self.take.closed)

    def sources(self) -> list[Path]:
        """Every file that the pictures of this spin depend on."""
        apart = [path for path in (self.item.grey_card, self.item.plate) if path]
        return [photo.path for photo in self.photos] + apart


def chosen_items(catalog: Catalog, only: Collection[str], *, drafts: bool) -> Shelf[CatalogItem]:
    """The items to work on. Raises InputError for a slug that isn't there."""
    known = [(item.slug, item.keys.draft) for item in catalog.items]
    slugs = [slug for slug, _ in known]
    faults = []
    for slug in only:
        if slug not in slugs:
            near = difflib.get_close_matches(slug, slugs, n=1, cutoff=0.4)
            advice = f"Nearest: '{near[0]}'." if near else f"Known are: {', '.join(slugs)}."
            faults.append(Fault(str(catalog.file), "--item", f"there is no item '{slug}'", advice))
    if faults:
        raise InputError(*faults)
    chosen = frozenset(only or slugs)
    return catalog.items.arranged(
        k for k, (slug, draft) in enumerate(known) if slug in chosen and (drafts or not draft)
    )


def gather_spins(items: Collection[CatalogItem]) -> Sequence[Spin]:
    """Find each item's photos. Raises InputError that lists what is wrong in all of them."""
    spins: Shelf[Spin] = Shelf()
    faults: list[Fault] = []
    for item in items:
        try:
            if item.film:
                open_footage(item.film)
                spins.append(Spin(item, (), (), ()))
                continue
            found = photos_of(item)
        except InputError as error:
            faults += error.faults
            continue
        faults += start_faults(item, found) + hotspot_faults(item, found)
        files = [*(photo.path for photo in found.photos), *(bad.path for bad in found.unreadable)]
        faults += outside_faults(files, item.stay_in)
        spins.append(Spin(item, found.photos, found.unreadable, found.notes))
    if faults:
        raise InputError(*faults)
    return spins


def photos_of(item: CatalogItem) -> PhotoSet:
    keys = item.keys
    return find_photos(
        item.frames_dir,
        order=keys.order,
        drop=keys.drop,
        replace=keys.replace,
        apart=[path.name for path in (item.grey_card, item.plate) if path and path.parent == item.frames_dir],
        first=keys.first,
        last=keys.last,
    )


def with_take(spin: Spin, take: FilmTake, folder: Path, note: str) -> Spin:
    """The spin with the photos taken from its film, which lie in a folder. Raises InputError."""
    keys = spin.item.keys
    faults = [
        Fault(str(spin.item.film), "drop", f"there is no frame '{name}'", _nearest_name(name, take.names))
        for name in keys.drop
        if name not in take.names
    ]
    kept = [index for index, name in enumerate(take.names) if name not in keys.drop]
    photos = tuple(single_photo(folder / take.names[index]) for index in kept)
    spin = dataclasses.replace(spin, photos=photos, take=take, notes=(*spin.notes, note))
    faults += start_faults(spin.item, PhotoSet(photos)) + _unfit(spin)
    if faults:
        raise PhotoError(*faults)
    return spin


def _nearest_name(name: str, names: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    return f"Nearest: '{near[0]}'." if near else "Give the name of one of its frames."


def start_faults(item: CatalogItem, found: PhotoSet) -> list[Fault]:
    names = [photo.path.name for photo in found.photos]
    if item.keys.start is None or item.keys.start in names:
        return []
    advice = _nearest_name(item.keys.start, names)
    return [Fault(str(item.frames_dir), "start", f"there is no frame '{item.keys.start}'", advice)]


def hotspot_faults(item: CatalogItem, found: PhotoSet) -> list[Fault]:
    """Marks in frames that aren't there, or beside their picture."""
    photos = {photo.path.name: photo for photo in found.photos}
    faults = []
    for number, spot in enumerate(item.keys.hotspot):
        for name, (x, y) in spot.at.items():
            place, photo = (*item.place, "hotspot", number, "at", name), photos.get(name)
            if photo is None:
                near = difflib.get_close_matches(name, photos, n=1, cutoff=0.5)
                advice = f"Nearest: '{near[0]}'." if near else "Give the file names of two or more of its frames."
                faults.append(fault_at(item.file, place, f"there is no frame '{name}'", advice))
            elif x > photo.width - 1 or y > photo.height - 1:
                faults.append(
                    fault_at(
                        item.file, place, f"[{x:g}, {y:g}] lies outside '{name}', which is {photo.width} × {photo.height} px",
                        "Give pixels of the upright photo, counted from its left and upper edge.",
                    )
                )  # fmt: skip
    return faults


def refuse_unfit(spins: Iterable[Spin]) -> None:
    """What can't become a spin is refused before any work: unreadable, of mixed sizes, too few.

    Raises PhotoError that lists every such fault.
    """
    faults = [fault for spin in spins if spin.photos or not spin.item.film for fault in _unfit(spin)]
    if faults:
        raise PhotoError(*faults)


def _unfit(spin: Spin) -> list[Fault]:
    folder = str(spin.item.frames_dir)
    faults = [
        Fault(str(bad.path), "", bad.why, "Copy it from the camera again, shoot it again, or list it in drop.")
        for bad in spin.unreadable
    ]
    if len(spin.photos) + len(spin.unreadable) < FEWEST_FRAMES:
        count = len(spin.photos)
        what = "it holds no photos" if count == 0 else "it holds one photo only, and one can't turn"
        return faults + [Fault(folder, "", what, "Put the frames of the turn there: 24 to 48 are usual.")]
    sizes = Counter((photo.width, photo.height) for photo in spin.photos)
    if len(sizes) > 1:
        usual = sizes.most_common(1)[0][0]
        odd = [photo for photo in spin.photos if (photo.width, photo.height) != usual]
        named = ", ".join(f"{photo.path.name} ({photo.width} × {photo.height})" for photo in odd[:6])
        more = f" and {len(odd) - 6} more" if len(odd) > 6 else ""
        faults.append(
            Fault(
                folder, "", f"the frames differ in size: most are {usual[0]} × {usual[1]}, but {named}{more}",
                "Shoot the odd ones again with the same camera, or list them in drop.",
            )
        )  # fmt: skip
    return faults
