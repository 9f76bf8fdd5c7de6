"""What is shot, how, and what goes wrong: the traced sequences by name."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Shoot:
    """One sequence. Colours are linear 0..1, lengths mm, angles degrees, shifts px."""

    thing: str  # a function of objects.py
    count: int = 24
    disc_rgb: tuple[float, float, float] = (0.8, 0.8, 0.8)
    disc_rough: float = 0.5
    sheet_rgb: tuple[float, float, float] = (0.82, 0.82, 0.82)
    sheet_width: float = 2000
    marks: int = 30  # on the disc's rim; 0: none
    told: bool = False  # the photos tell the focal length
    window: float = 1.0  # share of its size: a small one casts hard shadows
    room: float = 0.25  # light from all round
    elevation: float = 14  # how far the camera looks down
    focal35: float = 80
    distance: float = 1150
    aim: float = 80  # height the camera looks at
    portrait: bool = False
    clockwise: bool = False
    roll: float = 0.5
    off_axis: tuple[float, float] = (14, -9)
    light: tuple[float, float, float] = (1.12, 1.0, 0.86)
    level: float = 0.62  # linear, of the disc's lit top
    flicker: float = 0.02  # σ of the exposure, as a share
    colour_flicker: float = 0.0  # σ of the red and blue gains, as a share
    drift: float = 0.0  # of the exposure over the turn, as a share
    step_sigma: float = 0.7
    jitter: float = 0.15  # σ of the camera's place, px
    iso: float = 200
    bump: tuple[int, float, float, float] | None = None  # from this frame on: shift right, down, roll
    duplicate: int | None = None
    skip: int | None = None  # the frame after the gap
    blur: tuple[int, int] | None = None  # frame, length of the smear
    hand: int | None = None  # the frame with a hand at the disc's rim
    seed: int = 1


BLACK = {"disc_rgb": (0.03, 0.03, 0.03), "sheet_rgb": (0.025, 0.025, 0.025), "disc_rough": 0.35, "level": 0.05}
SHOOTS = {
    "glaze-jug": Shoot("jug", flicker=0.05, colour_flicker=0.01, seed=3),
    "glass-bottle": Shoot("bottle", portrait=True, distance=1000, elevation=10, aim=120, seed=4),
    "black-box": Shoot("speaker", clockwise=True, skip=13, bump=(20, -7.0, 5.0, 0.25), step_sigma=1.0, seed=5),
    "black-on-black": Shoot("speaker", duplicate=9, seed=6, **BLACK),
    "wire-basket": Shoot("basket", elevation=20, light=(0.93, 1.0, 1.12), drift=-0.12, seed=7),
    "wood-clock": Shoot(
        "clock", sheet_rgb=(0.35, 0.36, 0.38), duplicate=6, skip=17, blur=(11, 14), step_sigma=2.0, seed=8
    ),
    "cloth-bear": Shoot(
        "bear", count=30, clockwise=True, elevation=7, distance=900, sheet_width=750, portrait=True, level=0.5, seed=9
    ),
    "leaf-pot": Shoot(
        "plant", sheet_rgb=(0.16, 0.27, 0.42), window=0.15, told=True, aim=105, off_axis=(4, 6), step_sigma=1.5, seed=11
    ),
    "doll-chair": Shoot(
        "chair",
        count=36,
        marks=0,
        sheet_rgb=(0.3, 0.3, 0.3),
        disc_rgb=(0.32, 0.32, 0.32),
        level=0.28,
        elevation=28,
        aim=85,
        flicker=0.08,
        colour_flicker=0.03,
        duplicate=14,
        bump=(25, 6.0, -4.0, -0.2),
        told=True,
        seed=12,
    ),
    "canvas-boot": Shoot(
        "boot",
        count=30,
        marks=36,
        distance=1250,
        aim=60,
        elevation=18,
        off_axis=(-10, 30),
        light=(1.2, 1.0, 0.75),
        clockwise=True,
        skip=9,
        drift=0.15,
        room=0.1,
        seed=13,
    ),
    "steel-kettle": Shoot("kettle", aim=92, elevation=11, told=True, blur=(7, 10), seed=14),
    "framed-print": Shoot("picture", marks=0, aim=85, sheet_width=600, skip=4, iso=400, seed=15),
    "blue-teapot": Shoot("teapot", window=0.2, room=0.12, aim=85, step_sigma=1.2, blur=(15, 9), seed=16),
    "striped-bowl": Shoot("bowl", elevation=32, aim=40, light=(1.05, 1.0, 0.93), duplicate=11, flicker=0.04, seed=17),
    "log-truck": Shoot(
        "truck",
        count=36,
        marks=36,
        off_axis=(22, 16),
        aim=55,
        light=(1.28, 1.0, 0.66),
        clockwise=True,
        skip=20,
        bump=(28, -4.0, 6.0, 0.3),
        iso=800,
        drift=-0.1,
        seed=18,
    ),
    "wax-candle": Shoot(
        "candle",
        portrait=True,
        distance=1500,
        elevation=9,
        aim=110,
        sheet_rgb=(0.55, 0.53, 0.48),
        disc_rgb=(0.55, 0.53, 0.48),
        level=0.45,
        told=True,
        skip=8,
        seed=19,
    ),
    "white-urn": Shoot(
        "urn",
        count=36,
        elevation=17,
        flicker=0.08,
        colour_flicker=0.02,
        jitter=0.4,
        bump=(22, 5.0, -8.0, -0.3),
        hand=9,
        seed=20,
    ),
    "brass-lantern": Shoot(
        "lantern", count=30, aim=95, elevation=12, light=(1.22, 1.0, 0.74), clockwise=True, hand=21, skip=12, seed=21
    ),
    "lacquer-casket": Shoot(
        "casket",
        aim=45,
        elevation=22,
        sheet_rgb=(0.6, 0.6, 0.6),
        disc_rgb=(0.6, 0.6, 0.6),
        window=0.5,
        duplicate=5,
        hand=16,
        seed=22,
    ),
    "lemon-cup": Shoot("cup", count=36, elevation=25, light=(1.25, 1.0, 0.72), flicker=0.03, iso=400, seed=10),
}
