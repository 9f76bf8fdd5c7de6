"""Prints what the derivatives weigh and cost: `python -m tests.bench.derivatives [SET]… [--effort]`.

Frames come from the rendered sequences, finished with the values a faultless check would measure. Times are
of this process's own work (CPU), one thread; ratios are of one run. --effort adds the table by which the
encoders' effort was chosen: every effort at the same look (SSIM inside the subject's box), and the bytes that
it saves for each millisecond more than the next quicker one.
"""

from __future__ import annotations

import functools
import io
import math
import sys
import time
from collections.abc import Callable

import numpy as np
from PIL import Image
from skimage.color import rgb2gray
from skimage.metrics import structural_similarity

from builder.catalog import FinishSettings
from builder.derivatives import film, sheets
from builder.derivatives.ladder import Ladder, derive_frame, fit_ladder, ladder_widths
from builder.derivatives.quality import TARGET_SSIM
from builder.derivatives.reducing import fitted_height, reduce_picture
from builder.derivatives.stills import make_link_picture, make_poster, make_still
from builder.derivatives.strip import STRIP_BUDGET, make_strip
from builder.finished import finish_frame, plan_finish, sharpen
from tests.rendered import rendered_names, rendered_set, sets_folder, truth_measures

WIDTHS = (480, 960, 1600)
SCALED_TO = 36  # frames
BAR_960, BAR_SSIM = 600_000, 0.98
EFFORTS = {"avif": ("speed", (10, 8, 7, 6)), "webp": ("method", (0, 2, 3, 4, 6))}


def timed(work: Callable, *args, **keys):
    began = time.process_time()
    result = work(*args, **keys)
    return result, time.process_time() - began


def finished_spin(name: str):
    """(pixels, box) of every frame, as wide as the widest rung, and the sharpening for it."""
    spin, settings = rendered_set(name), FinishSettings()
    plan = plan_finish(spin.photos, truth_measures(spin), settings)
    frames = []
    for index in range(len(spin.photos)):
        finished = finish_frame(plan, index, width=max(WIDTHS))
        rows, columns = (np.flatnonzero((finished.matte > 127).any(axis=axis)) for axis in (1, 0))
        frames.append((finished.pixels, (columns[0], rows[0], columns[-1] + 1, rows[-1] + 1)))
    return frames, functools.partial(_sharpen, settings.sharpen)


def _sharpen(amount: float, pixels: np.ndarray, width: int) -> np.ndarray:
    return sharpen(pixels, amount, width)


def likeness(pixels: np.ndarray, file: bytes, box) -> float:
    """SSIM by scikit-image (luma, default window), mean inside the box."""
    decoded = np.asarray(Image.open(io.BytesIO(file)).convert("RGB"))
    _, full = structural_similarity(rgb2gray(pixels), rgb2gray(decoded), data_range=1, full=True)
    x0, y0, x1, y1 = (round(value) for value in box)
    return float(full[y0:y1, x0:x1].mean())


def print_ladder(frames, sharpen_to) -> list[np.ndarray]:
    """Sizes and likeness of every rung; returns the small pictures."""
    count, wide = len(frames), frames[0][0].shape[1]
    ladder = Ladder(ladder_widths(WIDTHS, wide))
    samples = [frames[count * place // 6] for place in (1, 3, 5)]
    ladder, fit_s = timed(fit_ladder, ladder, [one for one, _ in samples], [box for _, box in samples], sharpen_to)
    derived, derive_s = timed(lambda: [derive_frame(one, ladder, sharpen_to) for one, _ in frames])
    print(f"  qualities measured in {fit_s:.2f} s; {derive_s / count:.3f} s a frame for all its files")
    for format in ladder.formats:
        for width in ladder.widths:
            files = [one.files[format, width] for one in derived]
            scaled = sum(map(len, files)) / count * SCALED_TO
            alike = np.mean(
                [
                    likeness(
                        sharpen_to(reduce_picture(one, width), width),
                        files[index],
                        [side * width / wide for side in box],
                    )
                    for index, (one, box) in list(enumerate(frames))[:: max(1, count // 9)]
                ]
            )
            bar = f"  (bar {BAR_960 / 1000:.0f} kB, {BAR_SSIM})" if (format, width) == ("avif", 960) else ""
            print(
                f"  {format} {width:>5} px  quality {ladder.quality(format, width)}  {SCALED_TO} frames"
                f" {scaled / 1000:7.0f} kB  SSIM {alike:.4f}{bar}"
            )
    return [one.picture for one in derived]


def print_others(frames, pictures, sharpen_to) -> None:
    home, box = frames[0]
    timing = film.time_turn(len(pictures))
    rows = {
        "strip": (lambda: make_strip(pictures).file, STRIP_BUDGET),
        "poster": (lambda: make_poster(home, sharpen_to), None),
        "still": (lambda: make_still(home, sharpen_to, (255, 255, 255)), None),
        "link": (lambda: make_link_picture(home, box, sharpen_to, (255, 255, 255)), None),
        "contact": (lambda: sheets.make_contact_sheet(pictures, "Bench"), None),
        "gif": (lambda: film.make_gif(pictures, timing), film.GIF_BUDGET),
        "mp4": (lambda: film.make_mp4(pictures, timing), None),
    }
    for name, (work, budget) in rows.items():
        file, seconds = timed(work)
        bar = f"  (bar {budget / 1000:.0f} kB)" if budget else ""
        print(f"  {name:<8} {len(file) / 1000:8.1f} kB  {seconds:6.2f} s{bar}")


def print_resize(pixels: np.ndarray) -> None:
    width = pixels.shape[1] * 3 // 5
    _, linear = timed(lambda: [reduce_picture(pixels, width) for _ in range(5)])
    import cv2

    size = (width, fitted_height(pixels.shape[1], pixels.shape[0], width))
    _, coded = timed(lambda: [cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) for _ in range(5)])
    print(
        f"  {pixels.shape[1]} px to {width}: linear light {linear * 200:.1f} ms, codes {coded * 200:.1f} ms,"
        f" ratio {linear / coded:.2f}"
    )


def print_effort(frames, sharpen_to) -> None:
    count, wide = len(frames), frames[0][0].shape[1]
    for width in ladder_widths(WIDTHS, wide):
        some = [
            (
                sharpen_to(reduce_picture(pixels, width), width),
                [side * width / wide for side in box],
            )
            for pixels, box in frames[:: max(1, count // 3)]
        ]
        for format, (option, efforts) in EFFORTS.items():
            before = None
            for effort in efforts:
                size, seconds = at_same_look(some, format, {option: effort})
                saved = (
                    "" if before is None else f"  {(before[0] - size) / max(1e-3, (seconds - before[1]) * 1e3):6.0f}"
                )
                print(
                    f"  {format} {width:>5} px  {option} {effort:>2}  {size / 1000:7.2f} kB"
                    f"  {seconds * 1e3:6.0f} ms{saved + ' bytes saved a ms' if saved else ''}"
                )
                before = size, seconds


def at_same_look(some, format: str, effort: dict) -> tuple[float, float]:
    """(bytes, seconds) a picture where SSIM reaches the target, between the qualities around it."""
    extra = {"max_threads": 1, "codec": "aom", "advanced": {"tune": "ssim"}} if format == "avif" else {}
    points = []
    for quality in (35, 50, 62, 74, 86, 95):
        sizes, alike, seconds = [], [], 0.0
        for pixels, box in some:
            file = io.BytesIO()
            _, spent = timed(Image.fromarray(pixels).save, file, format.upper(), quality=quality, **effort, **extra)
            seconds += spent
            sizes.append(len(file.getvalue()))
            alike.append(likeness(pixels, file.getvalue(), box))
        points.append((math.log(1 - np.mean(alike)), math.log(np.mean(sizes)), seconds / len(some)))
    points.sort()
    losses, sizes, seconds = (np.array(column) for column in zip(*points, strict=True))
    wanted = math.log(1 - TARGET_SSIM)
    return math.exp(np.interp(wanted, losses, sizes)), float(np.interp(wanted, losses, seconds))


def main(words: list[str]) -> None:
    names = [word for word in words if not word.startswith("-")] or rendered_names()
    if not names:
        print(f"no rendered sequences in {sets_folder()}: set KICKWHEEL_SETS")
    for name in names:
        frames, sharpen_to = finished_spin(name)
        print(f"{name}: {len(frames)} frames of {frames[0][0].shape[1]} × {frames[0][0].shape[0]} px")
        pictures = print_ladder(frames, sharpen_to)
        print_others(frames, pictures, sharpen_to)
        print_resize(frames[0][0])
        if "--effort" in words:
            print_effort(frames, sharpen_to)


if __name__ == "__main__":
    import cv2

    cv2.setNumThreads(1)
    main(sys.argv[1:])
