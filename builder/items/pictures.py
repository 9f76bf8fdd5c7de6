"""One item's pictures, in parts: each part is kept in the cache under a key of just what it depends on.

Frames and strip, pictures of the home frame, GIF, MP4, contact sheet: a change of the settings makes again only
the parts that it feeds. Runs in a thread of its own for each item; the work itself goes to the worker
processes, so that one item's single-handed stages overlap with another's frames.
"""

from __future__ import annotations

import dataclasses
import functools
import io
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from builder.frames.gather import Spin
from builder.items.numbers import (
    PICTURES_VERSION,
    fingerprints,
    frame_angles,
    kept_frames,
    only_frames,
    require_unchanged,
)  # fmt: skip
from builder.items.work import (
    Sample,
    Settings,
    folder_picture,
    frame_file,
    frame_work,
    gif_work,
    mp4_work,
    picture_work,
    plan_work,
    quality_work,
    sample_work,
    sheet_work,
    single_work,
    store_plan,
    strip_work,
)  # fmt: skip
from builder.spin import SpinMeasures
from builder.store.cache import Blob, Cache, Entry, digest
from builder.workers import Job, Workers

if TYPE_CHECKING:
    from builder.derivatives.ladder import Ladder
    from builder.derivatives.strip import Strip
    from builder.finished import FinishPlan

SAMPLES = 3  # frames on which the encoders' quality is measured

Advance = Callable[[int], None]
Held = Callable[[str], object]  # tells for a digest whether its content lies in the site as last written
Parts = tuple[dict[str, Any], dict[str, bytes]]  # facts and files of one part


@dataclass(frozen=True, slots=True)
class SpinPictures:
    """Everything one item became. blobs: files by their place below the item's folder."""

    key: str  # stands for all that the frames' pictures depend on
    facts: Mapping[str, Any]  # JSON: what spin.json and the pages need to know
    blobs: Mapping[str, Blob]


@dataclass(frozen=True, slots=True)
class Shown:
    """What a build tells of an item's pictures."""

    frames: int
    notes: tuple[str, ...]

    @classmethod
    def of(cls, made: SpinPictures) -> "Shown":
        return cls(len(made.facts["angles"]), tuple(made.facts["notes"]))


def make_pictures(
    spin: Spin,
    measures: SpinMeasures,
    settings: Settings,
    cache: Cache,
    workers: Workers,
    advance: Advance,
    *,
    force: bool = False,
    held: Held | None = None,
    threads: int = 1,
) -> SpinPictures:
    """All pictures of one item, from the cache where nothing they depend on has changed.

    threads: for what all frames wait for, where there are more workers than items.
    """
    turn = _Turn.of(spin, measures, settings)
    keys = turn.keys(cache)
    sources = fingerprints(spin.sources(), cache)
    entries = {part: None if force else cache.get(key, held=held) for part, key in keys.items()}
    missing = [part for part, entry in entries.items() if entry is None]
    if missing:
        cache.root.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix="work-", dir=cache.root) as folder:
            making = _Making(turn, settings, workers, Path(folder), advance, threads)
            for part, (facts, files), cost_s in making.parts(missing, entries["frames"]):
                require_unchanged(sources, cache)
                entries[part] = cache.put(keys[part], files, facts, cost_s=cost_s)
    if "frames" not in missing:
        advance(len(spin.photos))
    facts: dict[str, Any] = turn.facts()
    blobs: dict[str, Blob] = {}
    for entry in entries.values():
        facts |= entry.facts
        blobs |= entry.blobs
    return SpinPictures(digest(keys["frames"], turn.angles), facts, blobs)


def add_contact_sheet(
    pictures: SpinPictures, title: str, shop: str, cache: Cache, workers: Workers, *, held: Held | None = None
) -> SpinPictures:
    """The pictures with contact.jpg; a part of its own, so that another title doesn't make all pictures again."""
    key = digest("contact", PICTURES_VERSION, pictures.key, title, shop)
    entry = cache.get(key, held=held)
    if entry is None:
        source = min(pictures.facts["sources"], key=lambda source: source["width"])
        frames = [pictures.blobs[path].read() for path in source["files"]]
        job = workers.submit(sheet_work, frames, title, shop, pictures.facts["angles"])
        sheet = job.result()
        entry = cache.put(key, {"contact.jpg": sheet}, {"contact": _jpeg_size(sheet)}, cost_s=job.seconds)
    return SpinPictures(key, {**pictures.facts, **entry.facts}, {**pictures.blobs, **entry.blobs})


@dataclass(frozen=True, slots=True)
class _Turn:
    """The frames that are shown, and how."""

    spin: Spin
    settings: Settings
    kept: tuple[int, ...]
    measures: SpinMeasures  # of the kept frames
    angles: list[float]
    home: int

    @classmethod
    def of(cls, spin: Spin, measures: SpinMeasures, settings: Settings) -> "_Turn":
        kept = tuple(kept_frames(measures))
        names = [spin.photos[index].path.name for index in kept]
        home = names.index(settings.start) if settings.start in names else 0
        only = only_frames(measures, kept)
        return cls(spin, settings, kept, only, frame_angles(only, closed=settings.closed), home)

    @property
    def photos(self):
        return tuple(self.spin.photos[index] for index in self.kept)

    def keys(self, cache: Cache) -> dict[str, str]:
        """Part -> key of what it depends on; GIF and MP4 only where they are wanted."""
        settings, item = self.settings, self.spin.item
        prints = [cache.fingerprints.of(photo.path) for photo in self.photos]
        apart = [path and [path.name, cache.fingerprints.of(path)] for path in (item.grey_card, item.plate)]
        # words, names and the direction of the turn change no pixel of a frame
        numbers = dataclasses.replace(self.measures, slug="", source="", turn=None, findings=(), verdict="ready")
        numbers = dataclasses.replace(
            numbers, frames=tuple(dataclasses.replace(frame, file="") for frame in numbers.frames)
        )
        output = settings.output
        frames = digest(
            "frames", PICTURES_VERSION, prints, apart, numbers, settings.finish, output.widths, output.formats,
            settings.disc_mm, settings.watermark,
        )  # fmt: skip
        film = (frames, self.angles, self.home, settings.closed)
        keys = {"frames": frames, "single": digest("single", frames, self.home)}
        keys |= {"gif": digest("gif", *film)} if output.gif else {}
        keys |= {"mp4": digest("mp4", *film)} if output.mp4 else {}
        return keys

    def facts(self) -> dict[str, Any]:
        return {
            "home": self.home, "turn": self.measures.turn or "counterclockwise", "closed": self.settings.closed,
            "angles": self.angles, "skipped": len(self.spin.photos) - len(self.kept),
        }  # fmt: skip


class _Making:
    """One item's pictures in the making; what several parts need is made once."""

    def __init__(
        self, turn: _Turn, settings: Settings, workers: Workers, folder: Path, advance: Advance, threads: int
    ) -> None:
        self.turn, self.settings, self.workers = turn, settings, workers
        self.folder, self.advance, self.threads = folder, advance, threads
        self.spent_s = 0.0
        self.samples: dict[int, Sample] = {}

    def parts(self, missing: list[str], frames: Entry | None):
        """(part, its facts and files, seconds of work) of all that is missing, frames first."""
        strip = None
        if frames is None:
            facts, files = self._frames()
            # What is made of all frames waits for nothing else, so no worker stands idle beside the strip's.
            strip = self._submit(strip_work, self._film_pictures(), self.settings)
        jobs: dict[str, Job] = {}
        if "single" in missing:
            self._finish_samples([self.turn.home])
            jobs["single"] = self._submit(single_work, self.samples[self.turn.home], self.settings, self.plan.backdrop)
        if frames is not None and {"gif", "mp4"} & set(missing):
            self._pictures()
        for part, work in (("mp4", mp4_work), ("gif", gif_work)):
            if part in missing:
                jobs[part] = self._submit(
                    work,
                    self._film_pictures(),
                    self.turn.angles,
                    self.turn.home,
                    self.settings,
                    self.plan.backdrop,
                )
        if strip:
            more_facts, more_files = _strip_parts(self._result(strip))
            yield "frames", (facts | more_facts, files | more_files), self._spent()
        for part, job in jobs.items():
            made = self._result(job)
            yield part, _SHAPES[part](made), self._spent()

    def _frames(self) -> Parts:
        """The ladder."""
        count = len(self.turn.photos)
        self._finish_samples(sorted({count * part // SAMPLES for part in range(SAMPLES)}))
        ladder = self._ladder()
        jobs = [
            self._submit(
                frame_work, self.stored_plan, index, ladder, self.settings, self.folder, self.samples.get(index)
            )
            for index in range(count)
        ]
        files: dict[str, bytes] = {}
        size = (0, 0)
        for index, job in enumerate(jobs):
            derived = self._result(job)
            for (picture_format, width), content in derived.files.items():
                files[frame_file(picture_format, width, index)] = content
            size = derived.sizes[max(ladder.widths)]
            self.advance(1)
        self.advance(len(self.turn.spin.photos) - count)
        facts = {
            "width": size[0], "height": size[1], "sources": _sources(ladder, count), "notes": list(self.plan.notes),
            "full": [self.plan.width, self.plan.height],
            "to_output": [self.plan.to_output(index) for index in range(count)],
            "qualities": [[name, width, quality] for (name, width), quality in sorted(ladder.qualities.items())],
        }  # fmt: skip
        return facts, files

    def _film_pictures(self) -> list[Path]:
        return [folder_picture(self.folder, index) for index in range(len(self.turn.photos))]

    @functools.cached_property
    def plan(self) -> "FinishPlan":
        item = self.turn.spin.item
        return self._result(
            self._submit(
                plan_work, self.turn.photos, self.turn.measures, self.settings.finish, item.plate, item.grey_card,
                self.settings.disc_mm, self.threads,
            )
        )  # fmt: skip

    @functools.cached_property
    def stored_plan(self) -> Path:
        return store_plan(self.plan, self.folder)

    @functools.cached_property
    def widths(self) -> tuple[int, ...]:
        from builder.derivatives.ladder import ladder_widths

        return ladder_widths(self.settings.output.widths, self.plan.width)

    def _finish_samples(self, indices: list[int]) -> None:
        jobs = [
            self._submit(sample_work, self.stored_plan, index, self.widths, self.settings, self.folder)
            for index in indices if index not in self.samples
        ]  # fmt: skip
        for job in jobs:
            sample = self._result(job)
            self.samples[sample.index] = sample

    def _ladder(self) -> "Ladder":
        """The ladder with its qualities measured: the widest first, which takes longest."""
        from builder.derivatives.ladder import Ladder

        formats, samples = self.settings.output.formats, list(self.samples.values())
        jobs = {
            (name, width): self._submit(quality_work, samples, name, width)
            for width in reversed(self.widths)
            for name in formats
        }
        return Ladder(self.widths, formats, {rung: self._result(job) for rung, job in jobs.items()})

    def _pictures(self) -> None:
        """The films' pictures again, where the frames' files came from the cache: they are too large to keep."""
        jobs = [
            self._submit(picture_work, self.stored_plan, index, self.widths, self.settings, self.folder)
            for index in range(len(self.turn.photos))
        ]
        for job in jobs:
            self._result(job)

    def _submit(self, work: Callable[..., Any], *args: Any) -> Job:
        return self.workers.submit(work, *args)

    def _result(self, job: Job) -> Any:
        value = job.result()
        self.spent_s += job.seconds
        return value

    def _spent(self) -> float:
        """Seconds of work since it was last asked."""
        spent, self.spent_s = self.spent_s, 0.0
        return spent


def _sources(ladder: "Ladder", count: int) -> list[dict[str, Any]]:
    return [
        {"format": name, "width": width, "files": [frame_file(name, width, index) for index in range(count)]}
        for name in ladder.formats
        for width in ladder.widths
    ]


def _strip_parts(strip: "Strip") -> Parts:
    facts = {"file": "strip.webp", "columns": strip.columns, "width": strip.width, "height": strip.height}
    files = {"strip.webp": strip.file}
    if strip.avif:
        facts["avif"] = "strip.avif"
        files["strip.avif"] = strip.avif
    return {"strip": facts}, files


def _single_parts(files: dict[str, bytes]) -> Parts:
    return {"poster": _jpeg_size(files["poster.jpg"]), "still": _jpeg_size(files["still.jpg"])}, files


_SHAPES: dict[str, Callable[[Any], Parts]] = {
    "single": _single_parts,
    "gif": lambda content: ({}, {"preview.gif": content}),
    "mp4": lambda content: ({}, {"preview.mp4": content}),
}


def _jpeg_size(content: bytes) -> list[int]:
    from PIL import Image

    with Image.open(io.BytesIO(content)) as image:
        return list(image.size)
