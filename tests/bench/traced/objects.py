"""The traced objects: hard cases for check and finish. Each function returns Blender objects that stand on z = 0."""

from __future__ import annotations

import math

import numpy as np

from tests.bench.traced.shapes import MM, ball, box, covered, curve, hoop, lathe, material, rod, tube


def jug():
    """White glaze with a handle: white on white."""
    glaze = material("glaze", (0.82, 0.81, 0.78), 0.22, coat=0.6)
    outer = curve([(0.1, 0), (42, 0), (48, 8), (62, 55), (58, 100), (40, 140), (38, 158), (44, 172)])
    inner = [(r - 4, z + (4 if z < 20 else 0)) for r, z in reversed(outer)][:-4]
    grip = [(40, 0, 160), (62, 0, 172), (92, 0, 160), (98, 0, 110), (84, 0, 66), (56, 0, 52)]
    return [
        covered(lathe("body", [*outer, (42, 173.5), *inner]), glaze),
        covered(tube("handle", grip, 6.0), glaze),
    ]


def cup():
    """A glossy yellow cup with a ring of dots: colour under a strong cast."""
    glaze = material("lemon", (0.85, 0.66, 0.10), 0.25, coat=0.7)
    clay = material("clay", (0.25, 0.14, 0.06), 0.4)
    outer = curve([(0.1, 0), (30, 0), (34, 4), (44, 40), (47, 92)])
    inner = [(r - 4, z + 3) for r, z in reversed(outer[:-2])]
    grip = [(42, 0, 78), (60, 0, 84), (76, 0, 66), (72, 0, 36), (46, 0, 24), (38, 0, 26)]
    parts = [
        covered(lathe("body", [*outer, (44.5, 94), (43, 90), *inner]), glaze),
        covered(tube("handle", grip, 4.5), glaze),
        covered(lathe("foot", [(30.5, 0.1), (36.2, 5.5), (35.0, 7.5), (29.5, 0.1)], closed=True), clay),
    ]
    for k, angle in enumerate(np.arange(9) * 2 * math.pi / 9 + 0.4):
        place = (45.6 * math.cos(angle), 45.6 * math.sin(angle), 62)
        parts.append(covered(ball(f"dot{k}", place, (3.4, 3.4, 3.4)), clay))
    return parts


def bottle():
    """Clear glass with a brass stopper and a paper tag."""
    glass, brass = (
        material("glass", (0.97, 0.99, 0.98), glass=True),
        material("brass", (0.83, 0.60, 0.25), 0.18, metal=1),
    )
    paper = material("tag", (0.7, 0.62, 0.5), 0.7, pattern=("noise", (0.1, 0.2, 0.25), 60, (1, 1, 1)))
    outer = curve([(0.05, 0), (38, 0), (42, 5), (42, 110), (36, 135), (17, 160), (15, 195), (18, 200), (18, 206)], 80)
    inner = [(max(r - 3, 0.05), min(z + 4, 206)) for r, z in reversed(outer)]
    stopper = curve([(0.05, 190), (14, 192), (14, 206), (22, 208), (24, 222), (12, 236), (0.05, 240)])
    return [
        covered(lathe("body", outer + inner, sides=128), glass),
        covered(lathe("stopper", stopper), brass),
        covered(box("tag", (0, -43.2, 70), (38, 1.2, 52), 0.3), paper, smooth=False),
        covered(hoop("ring", 17, 172, 1.6), brass),
    ]


def speaker():
    """Gloss black with steel: reflections that stay while the thing turns."""
    black = material("black", (0.018, 0.018, 0.02), 0.12, coat=1)
    cloth = material("cloth", (0.05, 0.05, 0.055), 0.9, pattern=("voronoi", (0.09, 0.09, 0.1), 400, (1, 1, 1)))
    steel = material("steel", (0.7, 0.7, 0.72), 0.25, metal=1)
    grip = [(-52, 0, 160), (-52, 0, 190), (-40, 0, 200), (8, 0, 200), (56, 0, 200), (68, 0, 190), (68, 0, 160)]
    parts = [
        covered(box("body", (8, 0, 88), (150, 95, 150), 9), black),
        covered(box("cloth", (8, -47.6, 80), (126, 3, 96), 1.2), cloth, smooth=False),
        covered(tube("grip", grip, 4), steel),
    ]
    parts += [covered(rod(f"knob{k}", (38 * k - 30, -52, 146), 9, 12, along_y=True, bevel=1), steel) for k in range(3)]
    for k, (x, y) in enumerate([(68, 35), (-52, 35), (68, -35), (-52, -35)]):
        parts.append(covered(rod(f"foot{k}", (x, y, 6.5), 8, 13), black))
    return parts


def basket():
    """Thin wire with the backdrop showing through, and fruit in it."""
    wire = material("wire", (0.32, 0.33, 0.34), 0.35, metal=1)
    red = material("red", (0.55, 0.05, 0.03), 0.25, coat=0.5, pattern=("noise", (0.55, 0.30, 0.05), 3, (1, 1, 0.3)))
    green = material("green", (0.35, 0.45, 0.06), 0.4)
    parts = []
    for k in range(28):
        across, along = math.cos(2 * math.pi * k / 28), math.sin(2 * math.pi * k / 28)
        rib = [(r * across, r * along, z) for r, z in [(25, 2), (60, 4), (82, 35), (95, 90)]]
        parts.append(covered(tube(f"rib{k}", rib, 1.1), wire))
    for radius, height, thickness in [(25, 2, 1.5), (66, 8, 1.1), (84, 40, 1.1), (95, 90, 2.2)]:
        parts.append(covered(hoop(f"hoop{height}", radius, height, thickness), wire))
    arch = [(95, 0, 90), (92, 0, 140), (60, 0, 178), (0, 0, 190), (-60, 0, 178), (-92, 0, 140), (-95, 0, 90)]
    parts.append(covered(tube("arch", arch, 2.2), wire))
    parts.append(covered(ball("apple", (-22, 14, 40), (36, 36, 33)), red))
    parts.append(covered(ball("pear", (36, -20, 42), (31, 31, 36)), green))
    return parts


def clock():
    """Wood grain, a pale face, brass: much to follow."""
    wood = material("wood", (0.36, 0.17, 0.06), 0.45, pattern=("noise", (0.55, 0.30, 0.12), 30, (1, 1, 12)))
    face, ink = material("face", (0.78, 0.76, 0.70), 0.5), material("ink", (0.03, 0.03, 0.03), 0.6)
    brass = material("brass", (0.83, 0.60, 0.25), 0.25, metal=1)
    bezel = covered(lathe("bezel", [(48, 0), (54, 0), (54, 5), (48, 6)], closed=True), brass)
    bezel.rotation_euler, bezel.location = (math.pi / 2, 0, 0), (0, -30 * MM, 80 * MM)
    parts = [
        covered(box("case", (0, 0, 75), (190, 60, 130), 4), wood, smooth=False),
        covered(box("plinth", (0, 0, 6), (210, 76, 12), 3), wood, smooth=False),
        covered(rod("face", (0, -31, 80), 48, 4, along_y=True), face),
        bezel,
    ]
    for k in range(12):
        place = (41 * math.sin(math.pi * k / 6), -33.4, 80 + 41 * math.cos(math.pi * k / 6))
        parts.append(covered(box(f"hour{k}", place, (2.2, 1, 2.2 if k % 3 else 7), 0), ink, smooth=False))
    for angle, length, width in [(0.9, 24, 2.4), (4.2, 36, 1.6)]:
        place = (math.sin(angle) * length / 2, -34.2, 80 + math.cos(angle) * length / 2)
        hand = covered(box(f"hand{length}", place, (width, 0.8, length), 0), ink, smooth=False)
        hand.rotation_euler = (0, angle, 0)
        parts.append(hand)
    parts += [covered(ball(f"knob{x}", (x, 0, 148), (9, 9, 11)), brass) for x in (-80, 80)]
    return parts


def bear():
    """A cloth toy: matt, many parts, a scarf with a loose end."""
    fur = material("fur", (0.45, 0.30, 0.17), 0.95, pattern=("noise", (0.60, 0.44, 0.28), 90, (1, 1, 1)))
    scarf = material("scarf", (0.08, 0.16, 0.42), 0.85, pattern=("voronoi", (0.5, 0.5, 0.48), 120, (1, 1, 1)))
    pad, eye = material("pad", (0.75, 0.66, 0.52), 0.9), material("eye", (0.01, 0.01, 0.01), 0.1, coat=1)
    balls = {
        "body": ((0, 0, 62), (52, 46, 62), fur),
        "head": ((0, -4, 145), (42, 38, 38), fur),
        "ear right": ((-34, 0, 178), (15, 8, 15), fur),
        "ear left": ((34, 0, 178), (15, 8, 15), fur),
        "arm right": ((-58, -14, 78), (17, 18, 38), fur),
        "arm left": ((58, -20, 84), (17, 18, 36), fur),
        "leg right": ((-34, -46, 20), (22, 40, 20), fur),
        "leg left": ((36, -42, 20), (22, 42, 20), fur),
        "muzzle": ((0, -38, 136), (18, 14, 14), pad),
        "sole right": ((-34, -84, 22), (16, 4, 15), pad),
        "sole left": ((36, -82, 22), (16, 4, 15), pad),
        "eye right": ((-15, -38, 152), (4, 4, 4), eye),
        "eye left": ((15, -38, 152), (4, 4, 4), eye),
        "nose": ((0, -52, 139), (4, 4, 4), eye),
    }
    parts = [covered(ball(name, place, radii), surface) for name, (place, radii, surface) in balls.items()]
    parts.append(covered(hoop("scarf", 36, 112, 8, (0, -4)), scarf))
    parts.append(covered(tube("loose end", [(22, -34, 112), (30, -50, 96), (26, -54, 70)], 7), scarf))
    return parts


def plant():
    """Leaves on thin stems in a clay pot: the backdrop shows through everywhere."""
    clay = material("clay", (0.42, 0.17, 0.08), 0.85, pattern=("noise", (0.50, 0.24, 0.13), 40, (1, 1, 3)))
    soil, stem = material("soil", (0.03, 0.02, 0.015), 0.95), material("stem", (0.16, 0.22, 0.06), 0.6)
    leaf = material("leaf", (0.06, 0.19, 0.04), 0.35, pattern=("noise", (0.16, 0.33, 0.08), 25, (1, 4, 1)))
    pot = [(0.1, 0), (34, 0), (46, 68), (52, 68), (52, 84), (46, 84), (44, 74), (0.1, 74)]
    parts = [
        covered(lathe("pot", pot), clay),
        covered(rod("soil", (0, 0, 74), 43, 3), soil),
    ]
    for k in range(17):
        angle, out, height = k * 2.4, 18 + 34 * ((k * 7) % 17) / 16, 120 + 90 * ((k * 5) % 17) / 16
        across, along = math.cos(angle), math.sin(angle)
        line = [
            (4 * across, 4 * along, 74),
            (0.4 * out * across, 0.4 * out * along, height),
            (out * across, out * along, height),
        ]
        parts.append(covered(tube(f"stem{k}", line, 1.2), stem))
        blade = covered(ball(f"leaf{k}", (out * across, out * along, height), (22, 10, 0.8)), leaf)
        blade.rotation_euler = (0.3, 0.5 - 0.06 * k, angle)
        parts.append(blade)
    return parts


def chair():
    """A doll's chair: thin legs and slats, a printed cushion."""
    oak = material("oak", (0.45, 0.27, 0.12), 0.5, pattern=("noise", (0.58, 0.38, 0.19), 40, (1, 1, 10)))
    print_ = material("print", (0.60, 0.10, 0.12), 0.9, pattern=("voronoi", (0.85, 0.78, 0.62), 60, (1, 1, 1)))
    parts = [covered(box("seat", (0, 0, 90), (104, 96, 7), 2), oak, smooth=False)]
    parts += [
        covered(rod(f"leg{x}{y}", (x, y, 43.5 if y < 0 else 100), 4.5, 87 if y < 0 else 200), oak)
        for x in (-44, 44)
        for y in (-40, 40)
    ]
    parts += [covered(box(f"slat{z}", (0, 40, z), (84, 4, 10), 1), oak, smooth=False) for z in (128, 158, 188)]
    parts += [covered(rod(f"rung{x}", (x, 0, 40), 3, 80, along_y=True), oak) for x in (-44, 44)]
    parts.append(covered(ball("cushion", (0, -2, 100), (44, 40, 11)), print_))
    return parts


def boot():
    """A canvas boot with a white rubber sole: white touches the white disc."""
    canvas = material("canvas", (0.10, 0.22, 0.24), 0.9, pattern=("voronoi", (0.16, 0.30, 0.31), 500, (1, 1, 1)))
    rubber, lining = material("rubber", (0.80, 0.79, 0.76), 0.5), material("lining", (0.55, 0.36, 0.20), 0.8)
    lace = material("lace", (0.78, 0.76, 0.70), 0.8)
    parts = [
        covered(box("sole", (0, -6, 9), (74, 222, 18), 8), rubber),
        covered(ball("toe cap", (0, -84, 24), (36, 34, 26)), rubber),
        covered(ball("vamp", (0, -34, 34), (37, 74, 38)), canvas),
        covered(ball("heel", (0, 56, 44), (35, 46, 48)), canvas),
        covered(lathe("shaft", [(36, 40), (38, 70), (41, 132), (37, 132), (34, 70), (33, 40)], closed=True), canvas),
        covered(hoop("cuff", 39, 132, 3), lining),
    ]
    parts[4].location = parts[5].location = (0, 44 * MM, 0)
    for k in range(5):
        y, z = -46 + 9.5 * k, 72 + 13 * k
        parts.append(covered(tube(f"lace{k}", [(-20, y, z - 8), (0, y - 8, z), (20, y, z - 8)], 2.2), lace))
    return parts


def kettle():
    """Polished steel with a black handle: it shows the room."""
    steel, black = material("steel", (0.75, 0.75, 0.76), 0.06, metal=1), material("black", (0.02, 0.02, 0.02), 0.4)
    body = curve([(0.1, 0), (66, 0), (72, 6), (66, 60), (46, 110), (30, 122), (28, 126), (10, 132), (0.1, 133)])
    grip = [(-44, 0, 112), (-52, 0, 168), (-20, 0, 196), (20, 0, 196), (52, 0, 168), (44, 0, 112)]
    spout = [(52, 0, 60), (78, 0, 76), (92, 0, 112), (104, 0, 122)]
    return [
        covered(lathe("body", body, sides=128), steel),
        covered(tube("grip", grip, 6.5), black),
        covered(tube("spout", spout, 8.5), steel),
        covered(ball("knob", (0, 0, 142), (10, 10, 10)), black),
    ]


def picture():
    """A framed print on an easel: broad from the front, a line from the side."""
    gilt = material("gilt", (0.62, 0.42, 0.14), 0.35, metal=1)
    view = material("view", (0.10, 0.25, 0.45), 0.3, coat=0.4, pattern=("noise", (0.75, 0.62, 0.35), 8, (1, 1, 3)))
    beech, back = material("beech", (0.56, 0.40, 0.24), 0.6), material("back", (0.35, 0.28, 0.2), 0.9)
    lean = -0.2
    parts = []
    for name, place, size, surface in [
        ("view", (0, 0, 0), (150, 3, 110), view),
        ("back", (0, 3, 0), (150, 3, 110), back),
        ("top", (0, -2, 60), (174, 12, 12), gilt),
        ("foot", (0, -2, -60), (174, 12, 12), gilt),
        ("left", (-81, -2, 0), (12, 12, 120), gilt),
        ("right", (81, -2, 0), (12, 12, 120), gilt),
    ]:
        x, y, z = place
        turned = (x, y * math.cos(lean) - z * math.sin(lean) - 6, 96 + y * math.sin(lean) + z * math.cos(lean))
        part = covered(box(name, turned, size, 1.5), surface, smooth=False)
        part.rotation_euler = (lean, 0, 0)
        parts.append(part)
    parts += [
        covered(tube(f"leg{x}", [(x, -26, 0), (x * 0.6, -2, 90), (x * 0.2, 24, 190)], 3.5), beech) for x in (-60, 60)
    ]
    parts.append(covered(tube("strut", [(0, 86, 0), (0, 50, 100), (0, 22, 186)], 3.5), beech))
    parts.append(covered(box("ledge", (0, -22, 27), (130, 16, 6), 1), beech, smooth=False))
    return parts


def teapot():
    """Dark blue gloss: the window's reflection stands still while the thing turns, its shade is as dark as it."""
    glaze = material("blue", (0.012, 0.03, 0.11), 0.1, coat=1)
    cane = material("cane", (0.55, 0.36, 0.16), 0.7, pattern=("noise", (0.38, 0.22, 0.08), 90, (1, 1, 6)))
    body = curve([(0.1, 0), (36, 0), (40, 4), (74, 40), (66, 84), (30, 104), (26, 106)])
    lid = curve([(27, 105), (24, 112), (8, 116), (6, 122), (9, 129), (0.1, 132)])
    spout = [(62, 0, 40), (92, 0, 52), (98, 0, 86), (116, 0, 96)]
    grip = [(-40, 0, 98), (-58, 0, 150), (-24, 0, 176), (24, 0, 176), (58, 0, 150), (40, 0, 98)]
    return [
        covered(lathe("body", body), glaze),
        covered(lathe("lid", lid), glaze),
        covered(tube("spout", spout, 9), glaze),
        covered(tube("grip", grip, 4), cane),
    ]


def bowl():
    """A wide pale bowl with thin stripes, looked into from above: its inside is shaded by itself."""
    glaze = material("cream", (0.72, 0.70, 0.62), 0.3, coat=0.4)
    line = material("line", (0.10, 0.20, 0.30), 0.4)
    outer = curve([(0.1, 0), (34, 0), (36, 5), (70, 30), (98, 66), (104, 70)])
    inner = [(max(r - 4, 0.1), z + 4) for r, z in reversed(outer[:-4])]
    parts = [covered(lathe("body", [*outer, (103, 72), *inner]), glaze)]
    for k in range(16):
        angle = 2 * math.pi * k / 16 + (0.12 if k % 4 == 0 else 0)
        across, along = math.cos(angle), math.sin(angle)
        stripe = [(r * across, r * along, z) for r, z in [(38, 6.5), (70.3, 30), (88, 51), (99, 66.5)]]
        parts.append(covered(tube(f"stripe{k}", stripe, 1.4), line))
    return parts


def truck():
    """A toy truck: bright plastic, wheels, light under the floor, a load of logs."""
    red, grey = material("red", (0.60, 0.03, 0.02), 0.3, coat=0.3), material("grey", (0.35, 0.37, 0.40), 0.5)
    tyre, hub = material("tyre", (0.02, 0.02, 0.02), 0.8), material("hub", (0.80, 0.78, 0.72), 0.4)
    pane = material("pane", (0.45, 0.60, 0.68), 0.1, coat=1)
    log = material("log", (0.42, 0.25, 0.12), 0.8, pattern=("noise", (0.60, 0.42, 0.24), 60, (1, 8, 8)))
    parts = [
        covered(box("floor", (0, 0, 36), (190, 60, 8), 2), grey, smooth=False),
        covered(box("bonnet", (-78, 0, 58), (34, 56, 38), 6), red),
        covered(box("cab", (-44, 0, 72), (40, 60, 66), 6), red),
        covered(box("windscreen", (-65, 0, 88), (2, 46, 22), 1), pane, smooth=False),
        covered(box("tail", (92, 0, 56), (4, 60, 34), 1), red, smooth=False),
    ]
    for y in (-31, 31):
        parts.append(covered(box(f"door{y}", (-44, y, 88), (26, 1.6, 22), 0.5), pane, smooth=False))
        for x in (-68, 30, 70):
            parts.append(covered(rod(f"tyre{x}{y}", (x, y, 21), 21, 14, along_y=True, bevel=3), tyre))
            parts.append(covered(rod(f"hub{x}{y}", (x, y * 1.2, 21), 9, 5, along_y=True), hub))
    for y, z in [(-19, 50), (0, 50), (19, 50), (-9, 66), (10, 66)]:
        trunk = covered(rod(f"log{y}{z}", (32, y, z), 9, 108 + y), log)
        trunk.rotation_euler = (0, math.pi / 2, 0)
        parts.append(trunk)
    return parts


def candle():
    """A cream candle in a pewter stick: thin, tall, small in the picture, its wax nearly the paper's colour."""
    wax, wick = material("wax", (0.78, 0.70, 0.52), 0.45), material("wick", (0.05, 0.04, 0.03), 0.9)
    pewter = material("pewter", (0.42, 0.42, 0.43), 0.32, metal=1)
    foot = [(0.1, 0), (46, 0), (48, 4), (20, 12), (8, 24), (7, 50), (14, 58), (8, 66), (7, 88), (18, 98), (18, 104)]
    grip = [(40, 0, 6), (62, 0, 14), (66, 0, 34), (46, 0, 40), (36, 0, 8)]
    return [
        covered(lathe("stick", [*foot, (12, 104), (0.1, 100)]), pewter),
        covered(tube("ring", grip, 2.6), pewter),
        covered(rod("candle", (0, 0, 172), 11, 144, bevel=2), wax),
        covered(tube("wick", [(0, 0, 243), (0, 0, 248), (2, 0, 252), (3, 0, 255)], 0.8), wick),
    ]


def urn():
    """White glaze with two handles, a lid and a knob on a small foot: white on white, hollow under the shoulder."""
    glaze = material("white", (0.80, 0.80, 0.78), 0.15, coat=0.8)
    line = material("gold", (0.75, 0.55, 0.22), 0.25, metal=1)
    body = curve([(0.1, 0), (34, 0), (36, 4), (22, 14), (20, 22), (46, 60), (54, 96), (46, 118), (40, 122)])
    lid = curve([(43, 121), (44, 125), (34, 134), (12, 142), (6, 146), (9, 154), (5, 161), (0.1, 162)])
    parts = [covered(lathe("body", body), glaze), covered(lathe("lid", lid), glaze)]
    for side in (-1, 1):
        grip = [(side * r, 0, z) for r, z in [(48, 110), (70, 122), (82, 100), (72, 74), (44, 62)]]
        parts.append(covered(tube(f"grip{side}", grip, 4.2), glaze))
    return [*parts, covered(hoop("gilt", 44, 122.5, 1.1), line)]


def lantern():
    """A clear chimney in brass, four guard wires and a bail: glass with bright metal before and behind it."""
    glass = material("glass", (0.98, 0.99, 0.98), glass=True)
    brass = material("brass", (0.80, 0.58, 0.24), 0.16, metal=1)
    wick = material("wick", (0.75, 0.72, 0.64), 0.9)
    base = curve([(0.1, 0), (50, 0), (52, 6), (50, 34), (30, 46), (26, 52), (0.1, 53)])
    chimney = curve([(25, 52), (36, 74), (34, 104), (22, 136), (21, 150)])
    walls = chimney + [(r - 2, z) for r, z in reversed(chimney)]
    cap = curve([(25, 150), (27, 156), (20, 170), (8, 176), (6, 184), (0.1, 186)])
    parts = [
        covered(lathe("base", base), brass),
        covered(lathe("chimney", walls, sides=128, closed=True), glass),
        covered(lathe("cap", [(0.1, 149), *cap]), brass),
        covered(rod("burner", (0, 0, 58), 9, 14), brass),
        covered(rod("wick", (0, 0, 69), 3, 10), wick),
        covered(rod("filler", (36, 8, 42), 7, 12), brass),
    ]
    for k in range(4):
        across, along = math.cos(math.pi * k / 2 + 0.5), math.sin(math.pi * k / 2 + 0.5)
        guard = [(r * across, r * along, z) for r, z in [(44, 40), (47, 80), (40, 124), (24, 154)]]
        parts.append(covered(tube(f"guard{k}", guard, 1.6), brass))
    bail = [(-48, 0, 24), (-64, 0, 90), (-50, 0, 190), (0, 0, 236), (50, 0, 190), (64, 0, 90), (48, 0, 24)]
    return [*parts, covered(tube("bail", bail, 1.8), brass)]


def casket():
    """A black lacquer box on ball feet with brass corners and an inlaid lid: low, its sides mirror the disc."""
    lacquer = material("lacquer", (0.012, 0.011, 0.011), 0.06, coat=1)
    brass = material("brass", (0.80, 0.58, 0.24), 0.2, metal=1)
    pearl = material("pearl", (0.62, 0.66, 0.60), 0.25, coat=0.5)
    parts = [
        covered(box("body", (0, 0, 44), (168, 108, 62), 5), lacquer),
        covered(box("lid", (0, 0, 82), (174, 114, 18), 7), lacquer),
        covered(box("lock", (0, -56, 70), (16, 5, 22), 1), brass, smooth=False),
    ]
    for x in (-72, 72):
        for y in (-44, 44):
            parts.append(covered(ball(f"foot{x}{y}", (x, y, 7.5), (8, 8, 7.5)), brass))
    for k in range(7):
        angle = 2 * math.pi * k / 7
        place = (34 * math.cos(angle), 22 * math.sin(angle), 91)
        parts.append(covered(ball(f"petal{k}", place, (13, 8, 0.9)), pearl))
    return parts
