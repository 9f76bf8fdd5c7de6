"""What the worker processes do for one item: whole pieces of work by name, with values in and values out."""

from __future__ import annotations

import dataclasses
import functools
import pickle
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from builder.catalog import FinishSettings, OutputSettings
from builder.spin import FilmTake, Photo, SpinMeasures, Turn

if TYPE_CHECKING:
    from builder.derivatives.ladder import Derived, Ladder
    from builder.derivatives.reducing import Colour
    from builder.derivatives.strip import Strip
    from builder.finished import Finished, FinishPlan

# What all of it needs, and takes half a second to load
LIBRARIES = ("builder.finished", "builder.derivatives.ladder")


@dataclass(frozen=True, slots=True)
class Settings:
    """What a spin's pictures depend on besides its photos."""

    finish: FinishSettings
    output: OutputSettings
    closed: bool
    turn: Turn | None
    start: str | None
    disc_mm: float | None
    watermark: str | None = None


def measure_work(photos, unreadable, slug, source, closed, turn, widest, threads=1) -> SpinMeasures:
    from builder.measured import measure_spin

    return measure_spin(
        photos,
        slug=slug,
        source=source,
        closed=closed,
        turn=turn,
        widest=widest,
        unreadable=unreadable,
        threads=threads,
    )


def film_work(
    film: Path,
    folder: Path,
    count: int | None,
    closed: bool,
    start_s: float | None,
    end_s: float | None,
    threads: int = 1,
) -> FilmTake:
    from builder.filmed import USUAL_FRAMES, take_frames
    from builder.measured.abreast import granted

    with granted(threads):
        return take_frames(film, folder, count=count or USUAL_FRAMES, closed=closed, start_s=start_s, end_s=end_s)


def frame_file(picture_format: str, width: int, index: int) -> str:
    """Where a frame lies below the item's folder."""
    from builder.derivatives.encoding import ENDINGS

    return f"frames/{width}/{index:03d}{ENDINGS[picture_format]}"


def folder_picture(folder: Path, index: int) -> Path:
    return folder / f"{index:04d}.npy"


def plan_work(
    photos: tuple[Photo, ...], measures: SpinMeasures, finish: FinishSettings, plate: Path | None,
    grey_card: Path | None, disc_mm: float | None, threads: int = 1,
) -> "FinishPlan":  # fmt: skip
    from builder.finished import plan_finish
    from builder.frames.photos import single_photo
    from builder.measured.abreast import granted

    with granted(threads):
        return plan_finish(
            photos, measures, finish,
            empty_set=single_photo(plate) if plate else None,
            grey_card=single_photo(grey_card) if grey_card else None,
            disc_mm=disc_mm,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sample:
    """A finished frame that more than one piece of work needs: its pixels in files, at the widths of the ladder."""

    index: int
    pixels: Path  # as finished, at the widest width
    rungs: Mapping[int, Path]  # width -> sharpened picture
    box: tuple[float, float, float, float] | None  # of the subject, in pixels of `pixels`


def store_plan(plan: "FinishPlan", folder: Path) -> Path:
    """A plan in a file, for all work on its frames: it would take as long to send it to each as half of a decoding."""
    place = folder / "plan.pickle"
    place.write_bytes(pickle.dumps(plan, pickle.HIGHEST_PROTOCOL))
    return place


@functools.lru_cache(maxsize=1)  # a worker finishes frame after frame of one turn
def _stored_plan(place: Path) -> "FinishPlan":
    return pickle.loads(place.read_bytes())


def sample_work(plan: Path, index: int, widths: Sequence[int], settings: Settings, folder: Path) -> Sample:
    """One frame finished, for the choice of qualities and for what comes after it."""
    from builder.derivatives.ladder import sharp_rungs

    finished = finished_frame(plan, index, max(widths), settings)
    place = folder / f"sample-{index:04d}.npy"
    np.save(place, finished.pixels)
    rungs = {}
    for width, picture in sharp_rungs(finished.pixels, widths, sharpener(settings)).items():
        rungs[width] = folder / f"sample-{index:04d}-{width}.npy"
        np.save(rungs[width], picture)
    return Sample(index, place, rungs, subject_box(finished.matte))


def quality_work(samples: Sequence[Sample], picture_format: str, width: int) -> int:
    """The quality that one width in one format needs."""
    from builder.derivatives.ladder import rung_quality

    pictures = [np.load(sample.rungs[width]) for sample in samples]
    return rung_quality(pictures, picture_format, [sample.box for sample in samples], max(samples[0].rungs))


def frame_work(
    plan: Path, index: int, ladder: "Ladder", settings: Settings, folder: Path, sample: Sample | None = None
) -> "Derived":
    """One frame's files; its picture for strip, films and sheets goes to a file instead of through a pipe."""
    from builder.derivatives.ladder import derive_frame

    if sample:
        pixels, rungs = np.load(sample.pixels), {width: np.load(place) for width, place in sample.rungs.items()}
    else:
        pixels, rungs = finished_frame(plan, index, max(ladder.widths), settings).pixels, None
    derived = derive_frame(pixels, ladder, sharpener(settings), rungs)
    np.save(folder_picture(folder, index), derived.picture)
    return dataclasses.replace(derived, picture=derived.picture[:0])


def picture_work(plan: Path, index: int, widths: Sequence[int], settings: Settings, folder: Path) -> None:
    """One frame's picture for films alone: as `frame_work` leaves it, without its files."""
    from builder.derivatives.ladder import film_picture

    finished = finished_frame(plan, index, max(widths), settings)
    np.save(folder_picture(folder, index), film_picture(finished.pixels, widths, sharpener(settings)))


def single_work(home: Sample, settings: Settings, backdrop: "Colour | None") -> dict[str, bytes]:
    """Pictures of the home frame alone."""
    from builder.derivatives.stills import make_link_picture, make_poster, make_still

    pixels, sharpen = np.load(home.pixels), sharpener(settings)
    margin = settings.finish.margin
    return {
        "poster.jpg": make_poster(pixels, sharpen),
        "still.jpg": make_still(pixels, sharpen, backdrop),
        "link.jpg": make_link_picture(pixels, home.box, sharpen, backdrop, margin=margin),
    }


def finished_frame(plan: Path, index: int, width: int, settings: Settings) -> "Finished":
    """One finished frame by a stored plan, with a proof's watermark where one is wanted."""
    from builder.finished import finish_frame

    finished = finish_frame(_stored_plan(plan), index, width=width)
    if settings.watermark is None:
        return finished
    from builder.derivatives.sheets import watermark

    return dataclasses.replace(finished, pixels=watermark(finished.pixels, settings.watermark))


def sharpener(settings: Settings) -> Callable[[np.ndarray, int], np.ndarray]:
    from builder.finished import sharpen

    return functools.partial(_sharpen, sharpen, settings.finish.sharpen)


def _sharpen(sharpen, amount: float, pixels: np.ndarray, width: int) -> np.ndarray:
    return sharpen(pixels, amount, width) if amount > 0 else pixels


def subject_box(matte: np.ndarray | None) -> tuple[float, float, float, float] | None:
    """x0, y0, x1, y1 of what is more subject than backdrop; None where there is no matte to tell."""
    if matte is None:
        return None
    rows, columns = np.flatnonzero((matte > 127).any(axis=1)), np.flatnonzero((matte > 127).any(axis=0))
    if not len(rows):
        return None
    return float(columns[0]), float(rows[0]), float(columns[-1] + 1), float(rows[-1] + 1)


def strip_work(pictures: Sequence[Path], settings: Settings) -> "Strip":
    from builder.derivatives.strip import make_strip

    return make_strip(_Pictures(pictures), avif="avif" in settings.output.formats)


def sheet_work(frames: Sequence[bytes], title: str, shop: str, angles: Sequence[float]) -> bytes:
    from builder.derivatives.encoding import decode_picture
    from builder.derivatives.sheets import make_contact_sheet

    return make_contact_sheet([decode_picture(frame) for frame in frames], title, shop, angles_deg=angles)


def gif_work(pictures: Sequence[Path], angles: Sequence[float], home: int, settings: Settings, backdrop) -> bytes:
    from builder.derivatives.film import make_gif, time_turn

    pictures, angles = _from_home(pictures, angles, home, settings.closed)
    return make_gif(_Pictures(pictures), time_turn(len(pictures), angles, settings.closed), backdrop=backdrop)


def mp4_work(pictures: Sequence[Path], angles: Sequence[float], home: int, settings: Settings, backdrop) -> bytes:
    from builder.derivatives.film import make_mp4, time_turn

    pictures, angles = _from_home(pictures, angles, home, settings.closed)
    return make_mp4(_Pictures(pictures), time_turn(len(pictures), angles, settings.closed))


def _from_home(
    pictures: Sequence[Path], angles: Sequence[float], home: int, closed: bool
) -> tuple[list[Path], list[float]]:
    """A closed turn's film starts at the frame shown first; a part turn keeps its ends."""
    if not closed:
        return list(pictures), list(angles)
    turned = [(angle - angles[home]) % 360 for angle in angles]
    return [*pictures[home:], *pictures[:home]], [*turned[home:], *turned[:home]]


class _Pictures(Sequence):
    """Pictures in files, each read anew whenever it is asked for: a whole turn's would be 100 MB."""

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = paths

    def __len__(self) -> int:
        return len(self._paths)

    def __getitem__(self, place):
        return _Pictures(self._paths[place]) if isinstance(place, slice) else np.load(self._paths[place])
