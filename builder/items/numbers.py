"""One item's numbers: its measures, kept in the cache, and what follows from them for the frames shown."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from builder.errors import Fault, PhotoError
from builder.findings import with_findings
from builder.frames.gather import Spin, with_take
from builder.items.work import film_work, measure_work
from builder.spin import FilmTake, SpinMeasures
from builder.store.cache import Cache, digest
from builder.workers import Workers

# Raised whenever the same photos and settings would give other results, so that cached ones are made again.
MEASURES_VERSION = 21
PICTURES_VERSION = 20
FILMS_VERSION = 4

NOMINAL_STEP_DEG = 10.0  # of a part turn whose steps can't be measured; common practice, no source


# ---- measured ----------------------------------------------------------------------------------------------


def measure(
    spin: Spin, widest: int, cache: Cache, workers: Workers, *, force: bool = False, threads: int = 1
) -> tuple[Spin, SpinMeasures]:
    """The spin's measures, and the spin itself with its photos: taken from its film, if there is one, and in
    turning order (order = "angle"). threads: for its measuring, where there are more workers than spins. Raises
    InputError for a film that shows no turn."""
    if spin.item.film:
        spin = _from_film(spin, cache, workers, force, threads)
    measures = _measured(spin, widest, cache, workers, force, threads)
    if spin.item.keys.order != "angle":
        return spin, measures
    order = turning_order(measures, closed=spin.closed)
    if order == list(range(len(spin.photos))):
        return spin, measures
    spin = dataclasses.replace(spin, photos=tuple(spin.photos[index] for index in order))
    return spin, _measured(spin, widest, cache, workers, force, threads)


def _from_film(spin: Spin, cache: Cache, workers: Workers, force: bool, threads: int) -> Spin:
    """The spin with the frames of its film, which stay in the cache."""
    from pydantic import TypeAdapter

    from builder.filmed import film_note

    keys, film, (start_s, end_s) = spin.item.keys, spin.item.film, spin.item.film_span_s
    adapter = TypeAdapter(FilmTake)
    key = digest(
        "film", FILMS_VERSION, film.stem, cache.fingerprints.of(film), keys.frames_count, keys.closed, start_s, end_s
    )

    def make(folder: Path) -> Any:
        take = workers.submit(film_work, film, folder, keys.frames_count, keys.closed, start_s, end_s, threads).result()
        return adapter.dump_python(take, mode="json")

    folder, facts = cache.folder(key, make, force=force)
    take = adapter.validate_python(facts)
    return with_take(spin, take, folder, film_note(take))


def turning_order(measures: SpinMeasures, *, closed: bool = True) -> list[int]:
    """Indices sorted by measured angle; as they are where angles can't be judged.

    closed: False for a part turn, whose frames shot late may lie before its first."""
    angles = [frame.angle_deg for frame in measures.frames]
    if measures.angle_sigma_deg is None or any(angle is None for angle in angles):
        return list(range(len(angles)))
    return sorted(range(len(angles)), key=lambda index: angles[index] % 360 if closed else angles[index])


def _measured(spin: Spin, widest: int, cache: Cache, workers: Workers, force: bool, threads: int) -> SpinMeasures:
    turn, source = spin.item.keys.turn, spin.item.frames_dir.name
    sources = fingerprints([photo.path for photo in spin.photos], cache)
    prints = [(photo.path.name, sources[photo.path]) for photo in spin.photos]
    key = digest(
        "measures", MEASURES_VERSION, prints, [u.path.name for u in spin.unreadable], spin.closed, turn, widest
    )
    entry = None if force else cache.get(key)
    if entry is None:
        job = workers.submit(
            measure_work, spin.photos, spin.unreadable, spin.slug, source, spin.closed, turn, widest, threads
        )
        measures = job.result()
        if any(finding.kind == "unreadable" for finding in measures.findings):
            return measures  # refused by what follows; not kept, for the reason may be gone next time
        require_unchanged(sources, cache)
        entry = cache.put(key, {}, _adapter().dump_python(measures, mode="json"), cost_s=job.seconds)
    measures = dataclasses.replace(_adapter().validate_python(entry.facts), slug=spin.slug, source=source)
    return _with_film_findings(spin, _as_filmed(spin.take, measures)) if spin.take else measures


def _as_filmed(take: FilmTake, measures: SpinMeasures) -> SpinMeasures:
    """The angles that the whole film gives, where they are known better than from the frames alone.

    Errors of steps add up along a closed turn of n frames to sigma · sqrt(n / 6) in the mean (a Brownian bridge).
    """
    spread = math.sqrt(measures.frame_count / 6)
    own_deg = math.inf if measures.angle_sigma_deg is None else measures.angle_sigma_deg * spread
    if not (take.closed and take.judged and take.off_deg is not None and take.off_deg < own_deg):
        return measures
    filmed = dict(zip(take.names, take.angles_deg))
    angles = [filmed[frame.file] for frame in measures.frames]
    before = [angles[-1] - 360.0, *angles[:-1]]
    frames = tuple(
        dataclasses.replace(frame, angle_deg=angle, step_deg=angle - last)
        for frame, angle, last in zip(measures.frames, angles, before)
    )
    return dataclasses.replace(measures, frames=frames, angle_sigma_deg=take.off_deg / spread)


def _with_film_findings(spin: Spin, measures: SpinMeasures) -> SpinMeasures:
    from builder.filmed import film_findings

    return with_findings(measures, film_findings(spin.take, part=not spin.item.keys.closed))


def fingerprints(paths: Sequence[Path], cache: Cache) -> dict[Path, str]:
    """Each file's content hash. Raises PhotoError when one can't be read any more."""
    try:
        return {path: cache.fingerprints.of(path) for path in paths}
    except OSError as error:
        raise PhotoError.at(
            error.filename or paths[0],
            "",
            f"it can't be read ({error.strerror})",
            "Put the photo back and run the command again.",
        ) from error


def require_unchanged(sources: Mapping[Path, str], cache: Cache) -> None:
    """Results may be kept under what the photos were only if they still are that. Raises PhotoError."""
    for path, found in fingerprints(list(sources), cache).items():
        if found != sources[path]:
            raise PhotoError.at(path, "", "it changed while it was at work", "Run the command again.")


@functools.cache
def _adapter():
    from pydantic import TypeAdapter

    return TypeAdapter(SpinMeasures)


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
