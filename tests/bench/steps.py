"""Step angles from the pictures alone, over many turntables with known truth. Nothing fails on a figure.

    python tests/bench/steps.py [--only WORD] [--seeds N]

A row a spin: error of the steps (mean, worst), how many errors lie within 1, 2 and 3 of the standard errors given (Gaussian: 68,
95.4 and 99.7 %), whether the steps were judged, skips and repeats found, missed and false, seconds. A spin that isn't judged
claims nothing; its errors are of no account and stand in brackets. --seeds N: N drawn spins by chance (default 12).
Meshes come with the npm packages bunny 1.0.1 and teapot 1.0.0, which tests/run fetches.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from builder.frames.photos import find_photos  # noqa: E402
from builder.measured.copies import read_copies  # noqa: E402
from builder.measured.steps import judge_steps  # noqa: E402
from builder.measured.survey import survey_spin  # noqa: E402
from builder.measured.turntable import TurnFit  # noqa: E402
from tests.mesh_scene import MeshTable, read_mesh  # noqa: E402
from tests.turntable import Scene, Turntable, uneven_angles  # noqa: E402

COLUMNS = (("spin", 26), ("frames", 7), ("mean°", 8), ("worst°", 8), ("≤1σ", 6), ("≤2σ", 6), ("≤3σ", 6), ("judged", 8), ("found", 7),
           ("missed", 7), ("false", 6), ("turn", 7), ("s", 7))  # fmt: skip
SIZE = {"width": 640, "height": 480}


@dataclass
class Case:
    """One spin to draw and measure. sign: 1 counter-clockwise."""

    name: str
    table: Turntable
    angles: np.ndarray
    sign: int = 1
    closed: bool = True
    skipped: tuple[int, ...] = ()
    repeated: tuple[int, ...] = ()
    noise: float = 0.006
    quality: int | None = None  # of a JPEG; None: as drawn
    photo: dict = field(default_factory=dict)

    def pictures(self) -> list[np.ndarray]:
        drawn = (
            self.table.photo(self.sign * angle, noise_seed=k, noise=self.noise, **self.photo)
            for k, angle in enumerate(self.angles)
        )
        return [picture if self.quality is None else compressed(picture, self.quality) for picture in drawn]


def compressed(picture: np.ndarray, quality: int) -> np.ndarray:
    stored = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return np.ascontiguousarray(cv2.imdecode(stored, cv2.IMREAD_COLOR)[..., ::-1])


def by_chance(seed: int) -> Case:
    """Another object, camera, direction, evenness and faults for every seed."""
    rng = np.random.default_rng(seed)
    count = int(rng.choice([18, 24, 30, 36]))
    shape = str(rng.choice(["pot", "boat", "mug", "jar"]))
    scene = Scene(
        shape=shape,
        texture=str(rng.choice(["speckled", "label"])) if shape != "jar" else "speckled",
        seed=seed,
        size_mm=float(rng.uniform(45, 70)),
        body_rgb=tuple(rng.uniform(0.04, 0.5, 3)),
        gloss=float(rng.uniform(0, 0.5)),
        offset_mm=tuple(rng.uniform(-8, 8, 2)),
        marks=int(rng.choice([count, 30, 36])),
    )
    table = Turntable(
        scene,
        **SIZE,
        elevation_deg=float(rng.uniform(8, 35)),
        distance_mm=float(rng.uniform(500, 900)),
        focal35_mm=float(rng.choice([26, 28, 35, 50])),
        pan_px=float(rng.uniform(-15, 15)),
        roll_deg=float(rng.uniform(-1, 1)),
    )
    first, second = (int(k) for k in 2 + 3 * rng.permutation((count - 3) // 3)[:2])
    sigma = float(rng.choice([0.0, 0.04, 0.1])) * 360 / count
    angles = uneven_angles(count, seed=seed, sigma_deg=sigma, skipped=(first,), repeated=(second,))
    return Case(f"{seed} {shape} {scene.texture}", table, angles, int(rng.choice([-1, 1])), True, (first,), (second,))


def drawn_cases() -> Iterator[Case]:
    pot = Turntable(Scene(seed=1), **SIZE)
    yield Case("pot, even", pot, uneven_angles(24))
    yield Case("pot, 12 frames", Turntable(Scene(seed=2), **SIZE), uneven_angles(12, sigma_deg=1.0, seed=2), -1)
    yield Case("pot, 72 frames", Turntable(Scene(seed=3), **SIZE), uneven_angles(72, sigma_deg=0.3, seed=3))
    yield Case(
        "pot, two faults at once",
        Turntable(Scene(seed=4), **SIZE),
        uneven_angles(30, sigma_deg=0.5, seed=4, skipped=(9, 21), repeated=(10, 20)),
        1,
        True,
        (9, 21),
        (10, 20),
    )
    yield Case(
        "pot, 330° open", Turntable(Scene(seed=5), **SIZE), uneven_angles(24, sigma_deg=0.5, seed=5, sweep_deg=330)
    )
    yield Case(
        "pot, 380° past its start",
        Turntable(Scene(seed=6), **SIZE),
        uneven_angles(36, sigma_deg=0.5, seed=6, sweep_deg=380),
        -1,
    )
    yield Case(
        "pot, part turn of 120°",
        Turntable(Scene(seed=7), **SIZE),
        uneven_angles(13, sigma_deg=0.5, seed=7, sweep_deg=120),
        1,
        False,
    )
    yield Case(
        "pot, part turn, skip",
        Turntable(Scene(seed=8), **SIZE),
        uneven_angles(16, sigma_deg=0.5, seed=8, sweep_deg=170, skipped=(6,)),
        -1,
        False,
        (6,),
    )
    yield Case("pot, noise ×4", Turntable(Scene(seed=9), **SIZE), uneven_angles(24, sigma_deg=1.0, seed=9), noise=0.024)
    yield Case(
        "pot, JPEG 80",
        Turntable(Scene(seed=10), **SIZE),
        uneven_angles(24, sigma_deg=1.0, seed=10, skipped=(5,), repeated=(15,)),
        1,
        True,
        (5,),
        (15,),
        quality=80,
    )
    yield Case(
        "boat, off centre",
        Turntable(Scene(shape="boat", seed=11, size_mm=40, offset_mm=(45, 20)), **SIZE),
        uneven_angles(30, sigma_deg=1.0, seed=11, skipped=(12,)),
        -1,
        True,
        (12,),
    )
    yield Case(
        "boat, long lens",
        Turntable(Scene(shape="boat", seed=12), **SIZE, focal35_mm=70, distance_mm=1500, elevation_deg=25),
        uneven_angles(36, sigma_deg=1.0, seed=12),
        -1,
    )
    for shape in ("jar", "mug"):
        for marks in (36, 0):
            name = f"plain {shape}, {marks} marks"
            table = Turntable(Scene(shape=shape, texture="plain", marks=marks, seed=13, gloss=0.5), **SIZE)
            yield Case(
                name,
                table,
                uneven_angles(36, sigma_deg=0.5, seed=13, skipped=(9,), repeated=(25,)),
                1,
                True,
                (9,),
                (25,),
            )
    yield Case(
        "plain jar, black disc",
        Turntable(
            Scene(
                shape="jar",
                texture="plain",
                marks=36,
                seed=14,
                gloss=0.6,
                body_rgb=(0.02, 0.02, 0.02),
                disc_rgb=(0.03, 0.03, 0.03),
            ),
            **SIZE,
        ),
        uneven_angles(36),
    )


def mesh_cases() -> Iterator[Case]:
    camera = {**SIZE, "focal35_mm": 40.0, "elevation_deg": 18.0}
    for name, textures in (("bunny", ("noise", "plain")), ("teapot", ("noise", "spots"))):
        mesh = read_mesh(name)
        if mesh is None:
            print(f"{name}: not here (npm install --prefix tests/.out {name}); left out")
            continue
        for seed, texture in enumerate(textures):
            table = MeshTable(
                mesh, texture=texture, seed=seed, radius_mm=95, gloss=0.6 if texture == "spots" else 0.15, **camera
            )
            angles = uneven_angles(30, sigma_deg=0.8, seed=20 + seed, skipped=(11,), repeated=(21,))
            yield Case(f"{name}, {texture}", table, angles, 1 - 2 * seed, True, (11,), (21,))


def turn_of(case: Case) -> tuple[TurnFit, float]:
    """What check makes of the case's pictures, stored without loss, and the seconds it takes."""
    with tempfile.TemporaryDirectory() as folder:
        for index, picture in enumerate(case.pictures()):
            Image.fromarray(picture).save(Path(folder) / f"IMG_{index:03}.png", compress_level=1)
        began = time.process_time()
        copies, _ = read_copies(find_photos(Path(folder)).photos)
        return survey_spin(copies, closed=case.closed, widest=SIZE["width"]).turn, time.process_time() - began


def row(case: Case) -> tuple[list[str], np.ndarray]:
    """Cells, and the step errors in standard errors (empty where not judged)."""
    found, seconds = turn_of(case)
    truth = np.diff(case.angles, prepend=case.angles[-1] - 360.0)
    within = slice(0 if case.closed else 1, None)
    off = (np.array(found.steps_deg) - truth)[within]
    share = np.abs(off) / np.array(found.step_sigma_deg)[within]
    judged = found.sigma_deg is not None
    marks = [f"{np.abs(off).mean():.3f}", f"{np.abs(off).max():.3f}"]
    hits = faults(found, case) if judged else ("–", "–", "–")
    right = (found.direction == "counterclockwise") == (case.sign > 0)
    cells = [
        case.name,
        str(len(case.angles)),
        *(marks if judged else [f"({m})" for m in marks]),
        *([f"{np.mean(share < k):.0%}" for k in (1, 2, 3)] if judged else "–––"),
        "yes" if judged else "no",
        *hits,
        ("right" if right else "WRONG") if judged else "–",
        f"{seconds:.1f}",
    ]
    return cells, share if judged else np.zeros(0)


def faults(found: TurnFit, case: Case) -> tuple[str, str, str]:
    steps = judge_steps(np.array(found.steps_deg), np.array(found.step_sigma_deg), case.closed, found.step_rivals)
    said = {("skip", f) for f, *_ in steps.skips} | {("repeat", f) for f, *_ in steps.duplicates}
    true = {("skip", f) for f in case.skipped} | {("repeat", f) for f in case.repeated}
    return f"{len(said & true)}/{len(true)}", str(len(true - said)), str(len(said - true))


def show_calibration(share: np.ndarray) -> None:
    """share (n,): errors of all steps judged, in standard errors given. Spread: of normal errors, from the median."""
    if len(share):
        within = ", ".join(f"{np.mean(share < k):.1%} within {k} σ" for k in (1, 2, 3))
        spread = float(np.median(share)) / 0.6745
        print(
            f"{len(share)} steps judged: {within} (normal: 68.3 %, 95.4 %, 99.7 %); spread {spread:.2f}, worst {share.max():.1f} σ"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="spins whose name holds this word")
    parser.add_argument("--seeds", type=int, default=12, metavar="N")
    wanted = parser.parse_args()
    print("".join(f"{name:>{width}}" for name, width in COLUMNS), flush=True)
    shares = []
    for case in [*drawn_cases(), *mesh_cases(), *(by_chance(seed) for seed in range(wanted.seeds))]:
        if wanted.only in case.name:
            cells, share = row(case)
            shares.append(share)
            print("".join(f"{cell:>{width}}" for cell, (_, width) in zip(cells, COLUMNS, strict=True)), flush=True)
    show_calibration(np.concatenate(shares) if shares else np.zeros(0))


if __name__ == "__main__":
    main()
