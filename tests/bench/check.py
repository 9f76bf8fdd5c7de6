"""How well the check measures, against the truth of the rendered sequences and of a drawn turntable.

    python tests/bench/check.py [SET]… [--drawn N] [--time]

Prints one table: a row a spin, each figure with its bar. Sequences lie in KICKWHEEL_SETS (default: ../shared/sets
beside the repository). --drawn N: N drawn spins as well, each with another object, lens, direction and faults.
--time: 36 frames of 12 megapixels, as a phone writes them, from disk to findings.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402

import builder  # noqa: F401, E402  before numpy: see there
from builder.frames.photos import find_photos  # noqa: E402
from builder.measured import measure_spin  # noqa: E402
from builder.spin import SpinMeasures  # noqa: E402
from builder.workers import cores_granted  # noqa: E402
from tests.pictures import write_photo  # noqa: E402
from tests.rendered import rendered_names, rendered_set  # noqa: E402
from tests.turntable import Scene, Turntable, uneven_angles  # noqa: E402

COLUMNS = (
    ("spin", "", 18), ("found", "all", 9), ("false", "0", 6), ("step mae°", "0.7", 10), ("worst°", "2.5", 8), ("turn", "right", 7),
    ("axis %", "0.15", 8), ("EV", "0.03", 8), ("shift px", "1", 9), ("roll°", "0.1", 7), ("gain %", "2", 7), ("s", "10", 6),
)  # fmt: skip
FAULTS = {
    "duplicate": "duplicate",
    "skipped_step": "skipped-step",
    "blur": "blurred",
    "camera_bump": "bumped",
    "hand_in_shot": "obstructed",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sets", nargs="*", help="names of sequences; none: all")
    parser.add_argument("--drawn", type=int, default=0, metavar="N")
    parser.add_argument("--time", action="store_true")
    wanted = parser.parse_args()
    print("".join(f"{name:>{width}}" for name, _, width in COLUMNS))
    print("".join(f"{bar:>{width}}" for _, bar, width in COLUMNS), flush=True)
    for name in wanted.sets or rendered_names():
        show(rendered_row(name))
    for seed in range(wanted.drawn):
        show(drawn_row(seed))
    if wanted.time:
        time_large()


def show(row: list) -> None:
    cells = ("–" if cell is None else f"{cell:.3f}" if isinstance(cell, float) else str(cell) for cell in row)
    print("".join(f"{cell:>{width}}" for cell, (_, _, width) in zip(cells, COLUMNS, strict=True)), flush=True)


def rendered_row(name: str) -> list:
    """One rendered sequence. Shifts are scaled to 1600 px on the long side."""
    one = rendered_set(name)
    if one is None:
        return [name, "missing", *[None] * 10]
    truth, frames = one.truth, one.truth["frames"]
    began = time.perf_counter()
    measures = measure_spin(one.photos, slug=name, source=name, threads=cores_granted())
    seconds = time.perf_counter() - began
    faults = {(FAULTS[d["kind"]], d["frame"]) for d in truth["defects"] if d["kind"] in FAULTS}
    gains = np.array([np.array(f["wb_gains"]) * f["exposure_gain"] for f in frames])
    return row(
        name, measures, seconds, faults,
        turns=np.array(truth["turns_deg"]),
        direction=truth["direction"].replace("-", ""),
        axis_x=_axis_column(truth, measures),
        width=truth["image_size_upright"][0],
        ev=np.log2(gains @ (0.2126, 0.7152, 0.0722)),
        shift=np.array([f["camera_shift_px"] for f in frames]),
        roll=np.array([f["camera_rotation_deg"] for f in frames]),
        light=np.array(truth["illuminant_rgb_linear"]),
        to_1600=1600 / max(truth["image_size_upright"]),
    )  # fmt: skip


def _axis_column(truth: dict, measures: SpinMeasures) -> float:
    """Of the axis at the disc's top, in the spin's reference: the truth tells it of the first frame, which a hand may move."""
    geometry = truth["geometry"]
    foot = [geometry["axis_column_px"] - 0.5, geometry["axis_line_px"][0][1] - 0.5, 1.0]
    return float(np.dot(measures.frames[0].to_reference[0], foot))


def drawn_row(seed: int) -> list:
    """One drawn spin with a repeat, a skip, a blurred frame, a hand and a bump, in frames of their own."""
    rng = np.random.default_rng(seed)
    count = int(rng.choice([24, 30, 36]))
    scene = Scene(
        shape=str(rng.choice(["pot", "boat", "mug"])), size_mm=float(rng.uniform(45, 70)), clutter=True, seed=seed,
        body_rgb=tuple(rng.uniform(0.05, 0.5, 3)), offset_mm=tuple(rng.uniform(-5, 5, 2)),
    )  # fmt: skip
    table = Turntable(
        scene, width=800, height=600, elevation_deg=float(rng.uniform(12, 22)), distance_mm=float(rng.uniform(560, 760)),
        focal35_mm=float(rng.choice([26, 28, 35])), pan_px=float(rng.uniform(-20, 20)), roll_deg=float(rng.uniform(-0.4, 0.4)),
    )  # fmt: skip
    places = 2 + 3 * rng.permutation((count - 3) // 3)[:5]
    repeat, skip, blurred, hand, bump = (int(place) for place in places)
    sign = int(rng.choice([-1, 1]))
    turns = uneven_angles(count, seed=seed, sigma_deg=0.8, skipped=(skip,), repeated=(repeat,))
    ev = rng.normal(0, 0.05, count)
    moved = (*(float(v) for v in rng.uniform(2.5, 6, 2) * rng.choice([-1, 1], 2)), float(rng.uniform(-0.5, 0.5)))
    gains = (float(rng.uniform(1.0, 1.18)), 1.0, float(rng.uniform(0.82, 1.0)))
    with tempfile.TemporaryDirectory() as folder:
        for k in range(count):
            picture = table.photo(
                sign * turns[k], noise_seed=k, exposure=0.75 * 2 ** ev[k], white_gains=gains, hand=k == hand,
                blur_px=2.0 if k == blurred else 0.0, shift_px=moved[:2] if k >= bump else (0.0, 0.0),
                roll_deg=moved[2] if k >= bump else 0.0,
            )  # fmt: skip
            write_photo(Path(folder) / f"IMG_{k:04d}.jpg", picture, quality=93)
        began = time.perf_counter()
        measures = measure_spin(find_photos(Path(folder)).photos, slug="drawn", source="", widest=800)
        seconds = time.perf_counter() - began
    after = np.arange(count) >= bump
    return row(
        f"drawn {seed} {scene.shape}", measures, seconds,
        {("duplicate", repeat), ("skipped-step", skip), ("blurred", blurred), ("obstructed", hand), ("bumped", bump)},
        turns=turns, direction="counterclockwise" if sign > 0 else "clockwise", axis_x=table.axis_x, width=800, ev=ev,
        shift=after[:, None] * np.array(moved[:2]), roll=after * moved[2], light=np.array(scene.disc_rgb) * gains, to_1600=2.0,
    )  # fmt: skip


def row(name: str, measures: SpinMeasures, seconds: float, faults: set, *, turns, direction, axis_x, width, ev, shift, roll,
        light, to_1600) -> list:  # fmt: skip
    """The figures of one spin. A frame with a hand or a blur counts for nothing but being found."""
    said = {(f.kind, f.frames[-1]) for f in measures.findings if f.frames and f.kind in FAULTS.values()}
    named = {frame for _, frame in faults}
    false = [f for f in measures.findings if f.severity == "fail" and not (set(f.frames) & named)]
    frames = measures.frames
    sound = [k for k in range(len(frames)) if not {("blurred", k), ("obstructed", k)} & faults]
    judged = measures.angle_sigma_deg is not None
    step = np.abs(np.diff([f.angle_deg for f in frames]) - np.diff(turns)) if judged else None
    error_ev = np.array([frames[k].exposure_ev - ev[k] for k in sound])
    error_shift = (np.array([f.shift_px for f in frames]) - shift)[sound] * to_1600
    error_roll = (np.array([f.roll_deg for f in frames]) - roll)[sound]
    gain = np.array(measures.neutral_gain) * light / light[1] - 1
    return [
        name, f"{len(said & faults)}/{len(faults)}", len(false),
        float(step.mean()) if judged else None, float(step.max()) if judged else None,
        "right" if measures.turn == direction else "–" if measures.turn is None else "WRONG",
        100 * abs(measures.axis_x - axis_x) / width if measures.axis_x is not None else None,
        float(np.abs(error_ev - np.median(error_ev)).max()),
        float(np.hypot(*(error_shift - np.median(error_shift, axis=0)).T).max()),
        float(np.abs(error_roll - np.median(error_roll)).max()), float(100 * np.abs(gain).max()), f"{seconds:.1f}",
    ]  # fmt: skip


def time_large() -> None:
    """36 frames of 4000 × 3000, made large from a drawn spin."""
    table = Turntable(Scene(clutter=True), width=1000, height=750)
    with tempfile.TemporaryDirectory() as folder:
        for k in range(36):
            large = cv2.resize(table.photo(10.0 * k, noise_seed=k), (4000, 3000), interpolation=cv2.INTER_CUBIC)
            write_photo(Path(folder) / f"IMG_{k:04d}.jpg", large, quality=90, subsampling=2)
        photos = find_photos(Path(folder)).photos
        began, cpu = time.perf_counter(), time.process_time()
        measure_spin(photos, slug="large", source="", threads=cores_granted())
        print(
            f"36 frames of 12 megapixels: {time.perf_counter() - began:.1f} s, {time.process_time() - cpu:.1f} s of processor"
        )


if __name__ == "__main__":
    main()
