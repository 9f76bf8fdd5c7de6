"""One item's numbers: its measures, kept in the cache, and what follows from them for the frames shown."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence

from builder.cache import Cache, digest
from builder.errors import Fault, PhotoError
from builder.gather import Spin
from builder.spin import SpinMeasures
from builder.work import measure_work
from builder.workers import Workers

# Raised whenever the same photos and settings would give other results, so that cached ones are made again.
MEASURES_VERSION = 1
PICTURES_VERSION = 3

NOMINAL_STEP_DEG = 10.0  # of a part turn whose steps can't be measured; common practice, no source


# ---- measured ----------------------------------------------------------------------------------------------


def measure(
    spin: Spin, widest: int, cache: Cache, workers: Workers, *, force: bool = False, threads: int = 1
) -> tuple[Spin, SpinMeasures]:
    """The spin's measures, and the spin itself with its photos in turning order (order = "angle").

    threads: for decoding, where there are more workers than spins.
    """
    measures = _measured(spin, widest, cache, workers, force, threads)
    if spin.item.keys.order != "angle":
        return spin, measures
    order = turning_order(measures)
    if order == list(range(len(spin.photos))):
        return spin, measures
    spin = dataclasses.replace(spin, photos=tuple(spin.photos[index] for index in order))
    return spin, _measured(spin, widest, cache, workers, force, threads)


def turning_order(measures: SpinMeasures) -> list[int]:
    """Indices sorted by measured angle; as they are where angles can't be judged."""
    angles = [frame.angle_deg for frame in measures.frames]
    if measures.angle_sigma_deg is None or any(angle is None for angle in angles):
        return list(range(len(angles)))
    return sorted(range(len(angles)), key=lambda index: angles[index] % 360)


def measures_key(spin: Spin, widest: int, cache: Cache) -> str:
    """Stands for all that the measures depend on."""
    keys = spin.item.keys
    prints = [(photo.path.name, cache.fingerprints.of(photo.path)) for photo in spin.photos]
    unreadable = [photo.path.name for photo in spin.unreadable]
    return digest("measures", MEASURES_VERSION, prints, unreadable, keys.closed, keys.turn, widest)


def _measured(spin: Spin, widest: int, cache: Cache, workers: Workers, force: bool, threads: int) -> SpinMeasures:
    keys, source = spin.item.keys, spin.item.frames_dir.name
    key = measures_key(spin, widest, cache)
    entry = None if force else cache.get(key)
    if entry is None:
        job = workers.submit(
            measure_work, spin.photos, spin.unreadable, spin.slug, source, keys.closed, keys.turn, widest, threads
        )
        facts = _adapter().dump_python(job.result(), mode="json")
        entry = cache.put(key, {}, facts, cost_s=job.seconds)
    return dataclasses.replace(_adapter().validate_python(entry.facts), slug=spin.slug, source=source)


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
