"""The way of one item through the stages: measured, finished, derived; each result kept in the cache.

Runs in a thread of its own for each item; the work itself goes to the worker processes, so that one item's
single-handed stages overlap with another's frames.
"""

from __future__ import annotations

import dataclasses
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from builder.cache import Blob, Cache, Entry, digest
from builder.errors import Fault, PhotoError
from builder.findings import with_findings
from builder.gather import Spin, with_take
from builder.spin import FilmTake, SpinMeasures
from builder.work import (
    Settings, film_work, folder_picture, frame_file, frame_work, gif_work, ladder_work, measure_work, mp4_work, plan_work,
    sheet_work, single_work, strip_work,
)  # fmt: skip
from builder.workers import Workers

if TYPE_CHECKING:
    from builder.derivatives import Derived, Ladder
    from builder.finished import FinishPlan

# Raised whenever the same photos and settings would give other results, so that cached ones are made again.
MEASURES_VERSION = 3
PICTURES_VERSION = 6
FILMS_VERSION = 1

NOMINAL_STEP_DEG = 10.0  # of a part turn whose steps can't be measured; common practice, no source
SAMPLES = 3  # frames on which the encoders' quality is measured

Advance = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class SpinPictures:
    """Everything one item became. blobs: files by their place below the item's folder."""

    key: str  # stands for all the pictures depend on

    facts: Mapping[str, Any]  # JSON: what spin.json and the pages need to know
    blobs: Mapping[str, Blob]


# ---- measured ----------------------------------------------------------------------------------------------


def measure(spin: Spin, widest: int, cache: Cache, workers: Workers, *, force: bool = False) -> tuple[Spin, SpinMeasures]:
    """The spin's measures, and the spin itself with its photos: taken from its film, if there is one, and in
    turning order (order = "angle"). Raises InputError for a film that shows no turn."""
    if spin.item.film:
        spin = _from_film(spin, cache, workers)
    measures = _measured(spin, widest, cache, workers, force)
    if spin.item.keys.order != "angle":
        return spin, measures
    order = turning_order(measures)
    if order == list(range(len(spin.photos))):
        return spin, measures
    spin = dataclasses.replace(spin, photos=tuple(spin.photos[index] for index in order))
    return spin, _measured(spin, widest, cache, workers, force)


def _from_film(spin: Spin, cache: Cache, workers: Workers) -> Spin:
    """The spin with the frames of its film, which stay in the cache."""
    from pydantic import TypeAdapter

    from builder.filmed import film_note

    keys, film, (start_s, end_s) = spin.item.keys, spin.item.film, spin.item.film_span_s
    adapter = TypeAdapter(FilmTake)
    key = digest("film", FILMS_VERSION, film.stem, cache.fingerprints.of(film), keys.frames_count, keys.closed, start_s, end_s)

    def make(folder: Path) -> Any:
        take = workers.submit(film_work, film, folder, keys.frames_count, keys.closed, start_s, end_s).result()
        return adapter.dump_python(take, mode="json")

    folder, facts = cache.folder(key, make)
    take = adapter.validate_python(facts)
    return with_take(spin, take, folder, film_note(take))


def turning_order(measures: SpinMeasures) -> list[int]:
    """Indices sorted by measured angle; as they are where angles can't be judged."""
    angles = [frame.angle_deg for frame in measures.frames]
    if measures.angle_sigma_deg is None or any(angle is None for angle in angles):
        return list(range(len(angles)))
    return sorted(range(len(angles)), key=lambda index: angles[index] % 360)


def _measured(spin: Spin, widest: int, cache: Cache, workers: Workers, force: bool) -> SpinMeasures:
    from pydantic import TypeAdapter

    turn = spin.item.keys.turn
    sources = _fingerprints([photo.path for photo in spin.photos], cache)
    prints = [(photo.path.name, sources[photo.path]) for photo in spin.photos]
    key = digest("measures", MEASURES_VERSION, prints, [u.path.name for u in spin.unreadable], spin.closed, turn, widest)
    adapter = TypeAdapter(SpinMeasures)
    entry = None if force else cache.get(key)
    if entry is None:
        began = time.monotonic()
        measures = workers.submit(
            measure_work, spin.photos, spin.unreadable, spin.slug, spin.item.frames_dir.name, spin.closed, turn, widest
        ).result()
        if any(finding.kind == "unreadable" for finding in measures.findings):
            return measures  # refused by what follows; not kept, for the reason may be gone next time
        _require_unchanged(sources, cache)
        entry = cache.put(key, {}, adapter.dump_python(measures, mode="json"), cost_s=time.monotonic() - began)
    measures = dataclasses.replace(adapter.validate_python(entry.facts), slug=spin.slug)
    return _with_film_findings(spin, measures) if spin.take else measures


def _with_film_findings(spin: Spin, measures: SpinMeasures) -> SpinMeasures:
    from builder.filmed import film_findings

    return with_findings(measures, film_findings(spin.take, part=not spin.item.keys.closed))


def _fingerprints(paths: Sequence[Path], cache: Cache) -> dict[Path, str]:
    """Each file's content hash. Raises PhotoError when one can't be read any more."""
    try:
        return {path: cache.fingerprints.of(path) for path in paths}
    except OSError as error:
        raise PhotoError.at(
            error.filename or paths[0], "", f"it can't be read ({error.strerror})", "Put the photo back and run the command again."
        ) from error


def _require_unchanged(sources: Mapping[Path, str], cache: Cache) -> None:
    """Results may be kept under what the photos were only if they still are that. Raises PhotoError."""
    for path, found in _fingerprints(list(sources), cache).items():
        if found != sources[path]:
            raise PhotoError.at(path, "", "it changed while it was at work", "Run the command again.")


# ---- which frames, at which angles -------------------------------------------------------------------------


def kept_frames(measures: SpinMeasures) -> list[int]:
    """Indices of the frames that are shown: duplicates are left out, unless hardly anything would remain."""
    repeated = {index for finding in measures.findings if finding.kind == "duplicate" for index in finding.frames}
    kept = [index for index in range(measures.frame_count) if index not in repeated]
    return kept if len(kept) >= 2 else list(range(measures.frame_count))


def only_frames(measures: SpinMeasures, kept: Sequence[int]) -> SpinMeasures:
    """The same measures as if the spin had these frames only."""
    place = {index: new for new, index in enumerate(kept)}
    frames = tuple(dataclasses.replace(measures.frames[index], index=new) for new, index in enumerate(kept))
    findings = tuple(
        dataclasses.replace(finding, frames=tuple(place[index] for index in finding.frames if index in place))
        for finding in measures.findings
        if not finding.frames or any(index in place for index in finding.frames)
    )
    return dataclasses.replace(measures, frames=frames, findings=findings, frame_count=len(kept))


def frame_angles(measures: SpinMeasures, *, closed: bool) -> list[float]:
    """Degrees from the first frame, growing; even steps where they can't be judged: a guess isn't shown as fact."""
    frames = measures.frames
    angles = [frame.angle_deg for frame in frames]
    if measures.angle_sigma_deg is not None and all(angle is not None for angle in angles):
        turned = [angle - angles[0] for angle in angles]
        if all(later > earlier for earlier, later in zip(turned, turned[1:])) and turned[-1] < 360:
            return [round(angle, 2) for angle in turned]
    step = 360 / len(frames) if closed else NOMINAL_STEP_DEG
    return [round(step * index, 2) for index in range(len(frames))]


# ---- finished and derived ----------------------------------------------------------------------------------


def make_pictures(
    spin: Spin,
    measures: SpinMeasures,
    settings: Settings,
    cache: Cache,
    workers: Workers,
    advance: Advance,
    *,
    force: bool = False,
    held: Callable[[str], object] | None = None,
) -> SpinPictures:
    """All pictures of one item, from the cache where nothing they depend on has changed."""
    sources = _fingerprints(spin.sources(), cache)
    prints = [(photo.path.name, sources[photo.path]) for photo in spin.photos]
    apart = [sources[path] if path else None for path in (spin.item.grey_card, spin.item.plate)]
    key = digest("pictures", PICTURES_VERSION, MEASURES_VERSION, prints, apart, settings)
    entry: Entry | None = None if force else cache.get(key, held=held)
    if entry is not None:
        advance(len(spin.photos))
        return SpinPictures(key, entry.facts, entry.blobs)
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="work-", dir=_work_folder(cache)) as folder:
        facts, files = _Making(spin, measures, settings, workers, Path(folder), advance).make()
    _require_unchanged(sources, cache)
    entry = cache.put(key, files, facts, cost_s=time.monotonic() - began)
    return SpinPictures(key, entry.facts, entry.blobs)


def add_contact_sheet(
    pictures: SpinPictures, title: str, shop: str, cache: Cache, workers: Workers, *, held: Callable[[str], object] | None = None
) -> SpinPictures:
    """The pictures with contact.jpg. An entry of its own, so that another title doesn't make all pictures again."""
    key = digest("contact", PICTURES_VERSION, pictures.key, title, shop)
    entry = cache.get(key, held=held)
    if entry is None:
        source = min(pictures.facts["sources"], key=lambda source: source["width"])
        frames = [pictures.blobs[path].read() for path in source["files"]]
        sheet = workers.submit(sheet_work, frames, title, shop, pictures.facts["angles"]).result()
        entry = cache.put(key, {"contact.jpg": sheet}, {"contact": _jpeg_size(sheet)})
    return SpinPictures(key, {**pictures.facts, **entry.facts}, {**pictures.blobs, **entry.blobs})


def _work_folder(cache: Cache) -> Path:
    cache.root.mkdir(parents=True, exist_ok=True)
    return cache.root


class _Making:
    """One item's pictures in the making."""

    def __init__(
        self, spin: Spin, measures: SpinMeasures, settings: Settings, workers: Workers, folder: Path, advance: Advance
    ) -> None:
        kept = kept_frames(measures)
        self.skipped = len(spin.photos) - len(kept)
        self.photos = tuple(spin.photos[index] for index in kept)
        self.measures = only_frames(measures, kept)
        self.spin, self.settings, self.workers = spin, settings, workers
        self.folder, self.advance = folder, advance
        self.files: dict[str, bytes] = {}

    def make(self) -> tuple[dict[str, Any], dict[str, bytes]]:
        plan = self._run(
            plan_work, self.photos, self.measures, self.settings.finish,
            self.spin.item.plate, self.spin.item.grey_card, self.settings.disc_mm,
        )  # fmt: skip
        angles = frame_angles(self.measures, closed=self.settings.closed)
        home = self._home()
        ladder = self._run(ladder_work, plan, self._samples(home), self.settings)
        frames = self._frames(plan, ladder)
        self._single_pictures(plan, home, ladder)
        pictures = [folder_picture(self.folder, index) for index in range(len(self.photos))]
        strip = self._films(pictures, angles, home, plan.backdrop)
        width, height = frames[0].sizes[max(ladder.widths)]
        facts = {
            "width": width, "height": height, "home": home, "turn": self.measures.turn or "counterclockwise",
            "closed": self.settings.closed, "angles": angles,
            "sources": self._sources(ladder), "strip": strip,
            "full": [plan.width, plan.height], "to_output": [plan.to_output(index) for index in range(len(self.photos))],
            "notes": list(plan.notes), "skipped": self.skipped,
            "poster": _jpeg_size(self.files["poster.jpg"]), "still": _jpeg_size(self.files["still.jpg"]),
        }  # fmt: skip
        return facts, self.files

    def _run(self, work: Callable[..., Any], *args: Any) -> Any:
        return self.workers.submit(work, *args).result()

    def _home(self) -> int:
        names = [photo.path.name for photo in self.photos]
        start = self.settings.start
        return names.index(start) if start in names else 0

    def _samples(self, home: int) -> list[int]:
        count = len(self.photos)
        return sorted({(home + count * part // SAMPLES) % count for part in range(SAMPLES)})

    def _frames(self, plan: "FinishPlan", ladder: "Ladder") -> list["Derived"]:
        jobs = [
            self.workers.submit(frame_work, plan, index, ladder, self.settings, self.folder)
            for index in range(len(self.photos))
        ]
        frames = []
        for index, job in enumerate(jobs):
            derived = job.result()
            for (picture_format, width), content in derived.files.items():
                self.files[frame_file(picture_format, width, index)] = content
            frames.append(dataclasses.replace(derived, files={}))
            self.advance(1)
        self.advance(self.skipped)
        return frames

    def _single_pictures(self, plan: "FinishPlan", home: int, ladder: "Ladder") -> None:
        self.files |= self._run(single_work, plan, home, ladder, self.settings)

    def _films(self, pictures: list[Path], angles: list[float], home: int, backdrop) -> dict[str, Any]:
        output = self.settings.output
        strip = self.workers.submit(strip_work, pictures, self.settings)
        gif = self.workers.submit(gif_work, pictures, angles, home, self.settings, backdrop) if output.gif else None
        mp4 = self.workers.submit(mp4_work, pictures, angles, home, self.settings, backdrop) if output.mp4 else None
        made = strip.result()
        self.files["strip.webp"] = made.file
        lighter = {"avif": "strip.avif"} if made.avif else {}
        if made.avif:
            self.files["strip.avif"] = made.avif
        if gif:
            self.files["preview.gif"] = gif.result()
        if mp4:
            self.files["preview.mp4"] = mp4.result()
        return {"file": "strip.webp", "columns": made.columns, "width": made.width, "height": made.height} | lighter

    def _sources(self, ladder: "Ladder") -> list[dict[str, Any]]:
        return [
            {
                "format": picture_format, "width": width,
                "files": [frame_file(picture_format, width, index) for index in range(len(self.photos))],
            }
            for picture_format in ladder.formats for width in ladder.widths
        ]  # fmt: skip


def _jpeg_size(content: bytes) -> list[int]:
    import io

    from PIL import Image

    with Image.open(io.BytesIO(content)) as image:
        return list(image.size)


def refuse_broken(measures: Sequence[tuple[Spin, SpinMeasures]]) -> None:
    """A photo whose header is good may still be damaged: found when its pixels were read for measuring.

    Raises PhotoError that lists them all.
    """
    faults = [
        Fault(str(spin.item.frames_dir), "", finding.message, finding.advice)
        for spin, measured in measures
        for finding in measured.findings
        if finding.kind == "unreadable"
    ]
    if faults:
        raise PhotoError(*faults)
