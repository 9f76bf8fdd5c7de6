"""The set in a room: disc with marks, sheet, bench, walls, a window and a reflector; its camera; its rendering."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import bpy
import numpy as np
from mathutils import Matrix, Vector

from tests.bench.traced import objects
from tests.bench.traced.shapes import MM, ball, box, covered, material, mesh, rod, tube
from tests.bench.traced.shoots import Shoot

TOP = 26.0  # mm, the disc's top above the table
DISC_RADIUS = 165.0


@dataclass(frozen=True, eq=False)
class Table:
    """The scene, what turns, and all of it that isn't the subject."""

    scene: object
    turner: object
    surroundings: list
    hand: list  # hidden, until a frame shows it


@dataclass(frozen=True, eq=False)
class View:
    """A camera: focal length in px, rotation world -> camera (3, 3), place (3,) in m, and the picture's size."""

    focal_px: float
    rotation: np.ndarray
    place: np.ndarray
    size: tuple[int, int]

    def project(self, points) -> np.ndarray:
        """World points (n, 3), m -> pixels (n, 2), a pixel's centre at +0.5."""
        seen = (np.atleast_2d(np.asarray(points, float)) - self.place) @ self.rotation.T
        width, height = self.size
        across, down = self.focal_px * seen[:, 0] / -seen[:, 2], self.focal_px * seen[:, 1] / -seen[:, 2]
        return np.stack([width / 2 + across, height / 2 - down], axis=1)


def set_table(shoot: Shoot) -> Table:
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    parts = getattr(objects, shoot.thing)()
    turner, hold = (bpy.data.objects.new(name, None) for name in ("turner", "hold"))
    for one in (turner, hold):
        bpy.context.collection.objects.link(one)
    hold.parent, hold.location = turner, (shoot.off_axis[0] * MM, shoot.off_axis[1] * MM, TOP * MM)
    for part in parts:
        part.parent = hold
    hand = _hand() if shoot.hand is not None else []
    surroundings = _disc(shoot, turner) + _room(shoot)
    _light(scene, shoot)
    show_hand(hand, False)
    return Table(scene, turner, surroundings, hand)


def _hand() -> list:
    """A right hand in a sleeve, its fingers on the near right of the rim."""
    skin = material("skin", (0.48, 0.26, 0.18), 0.55)
    sleeve = material("sleeve", (0.12, 0.16, 0.24), 0.9)
    rim = (118, -112, TOP + 6)
    parts = [covered(ball("palm", (rim[0] + 42, rim[1] - 30, TOP + 18), (36, 26, 15)), skin)]
    for k in range(4):
        tip = (rim[0] - 4 + 9 * k, rim[1] + 10 - 8 * k, rim[2])
        knuckle = (rim[0] + 20 + 8 * k, rim[1] - 12 - 6 * k, TOP + 26)
        parts.append(covered(tube(f"finger{k}", [tip, knuckle, (rim[0] + 44, rim[1] - 30, TOP + 18)], 7), skin))
    wrist, elbow = (rim[0] + 66, rim[1] - 48, TOP + 18), (rim[0] + 330, rim[1] - 210, 60)
    parts.append(covered(tube("wrist", [(rim[0] + 44, rim[1] - 32, TOP + 18), wrist, elbow], 22), skin))
    cuff = (rim[0] + 108, rim[1] - 74, TOP + 22)
    return [*parts, covered(tube("sleeve", [cuff, elbow, (elbow[0] + 200, elbow[1] - 120, 90)], 36), sleeve)]


def show_hand(hand: list, shown: bool) -> None:
    for part in hand:
        part.hide_render = not shown


def _disc(shoot: Shoot, turner) -> list:
    board = material("disc", shoot.disc_rgb, shoot.disc_rough)
    ink = material("mark", (0.05,) * 3 if shoot.disc_rgb[0] > 0.2 else (0.5,) * 3, 0.7)
    disc = covered(rod("disc", (0, 0, TOP - 2.5), DISC_RADIUS, 5, bevel=0), board, smooth=False)
    made = [disc]
    for k in range(shoot.marks):
        angle = 2 * math.pi * k / shoot.marks
        place = ((DISC_RADIUS - 4) * math.cos(angle), (DISC_RADIUS - 4) * math.sin(angle), TOP - 2.4)
        mark = covered(box(f"mark{k}", place, (8.4, 0.9, 5.2), 0), ink, smooth=False)
        mark.rotation_euler = (0, 0, angle)
        made.append(mark)
    for one in made:
        one.parent = turner
    bearing = rod("bearing", (0, 0, (TOP - 5) / 2), 60, TOP - 5)
    return [*made, covered(bearing, material("bearing", (0.1, 0.1, 0.1)))]


def _room(shoot: Shoot) -> list:
    def wall(name: str, corners, rgb, rough: float = 0.9):
        return covered(mesh(name, corners, [(0, 1, 2, 3)]), material(name, rgb, rough), smooth=False)

    half = shoot.sheet_width / 2
    bend = [(420 + 200 * math.sin(a), 200 - 200 * math.cos(a)) for a in np.linspace(0, math.pi / 2, 16)[1:]]
    profile = [(-420, 0), (420, 0), *bend, (620, 1500)]
    points = [(x, y, z) for y, z in profile for x in (-half, half)]
    faces = [(2 * k, 2 * k + 1, 2 * k + 3, 2 * k + 2) for k in range(len(profile) - 1)]
    bench = material("bench", (0.33, 0.2, 0.1), 0.6, pattern=("noise", (0.42, 0.27, 0.15), 12, (1, 8, 1)))
    corners = [(-1500, -700, -2), (1500, -700, -2), (1500, 1200, -2), (-1500, 1200, -2)]
    behind, front, low, high = 1400, -2600, -900, 2400
    return [
        covered(mesh("sheet", points, faces), material("sheet", shoot.sheet_rgb, 0.9)),
        covered(mesh("bench", corners, [(0, 1, 2, 3)]), bench, smooth=False),
        wall("wall", [(x, behind, z) for x, z in _frame(-2500, 2500, low, high)], (0.5, 0.47, 0.42)),
        wall("back wall", [(x, front, z) for x, z in _frame(-2500, 2500, low, high)], (0.22, 0.2, 0.18)),
        wall("door", [(x, front + 50, z) for x, z in _frame(300, 1100, low, 1700)], (0.55, 0.5, 0.42), 0.5),
        wall("ceiling", [(x, y, high) for x, y in _frame(-2500, 2500, front, behind)], (0.7, 0.68, 0.65)),
    ]


def _frame(left, right, bottom, top) -> list[tuple[float, float]]:
    return [(left, bottom), (right, bottom), (right, top), (left, top)]


def _light(scene, shoot: Shoot) -> None:
    for name, size, energy, place in [
        ("window", (1.1 * shoot.window, 1.3 * shoot.window), 60, (-1.7, -0.5, 0.75)),
        ("reflector", (0.7, 0.7), 7, (1.0, -0.5, 0.5)),
    ]:
        lamp = bpy.data.lights.new(name, "AREA")
        lamp.shape, lamp.size, lamp.size_y, lamp.energy = "RECTANGLE", *size, energy
        thing = bpy.data.objects.new(name, lamp)
        bpy.context.collection.objects.link(thing)
        thing.location = place
        thing.rotation_euler = (Vector((0, 0, 0.1)) - thing.location).to_track_quat("-Z", "Y").to_euler()
    scene.world = bpy.data.worlds.new("room light")
    scene.world.use_nodes = True
    scene.world.node_tree.nodes["Background"].inputs[0].default_value = (1, 1, 1, 1)
    scene.world.node_tree.nodes["Background"].inputs[1].default_value = shoot.room


def look(table: Table, shoot: Shoot, size: tuple[int, int], shift=(0.0, 0.0), roll: float = 0.0) -> View:
    """Point the camera: a shift (px) is a turn of the camera, as of a phone nudged on its stand."""
    camera = bpy.data.objects.get("camera")
    if camera is None:
        camera = bpy.data.objects.new("camera", bpy.data.cameras.new("camera"))
        bpy.context.collection.objects.link(camera)
        table.scene.camera = camera
    width, height = size
    camera.data.sensor_fit = "HORIZONTAL" if width >= height else "VERTICAL"
    camera.data.sensor_width = camera.data.sensor_height = 36
    camera.data.lens = shoot.focal35
    focal = shoot.focal35 / 36 * max(size)
    tilt, aim = math.radians(shoot.elevation), Vector((0, 0, shoot.aim * MM))
    place = aim + Vector((0, -math.cos(tilt), math.sin(tilt))) * shoot.distance * MM
    turned = (
        (aim - place).to_track_quat("-Z", "Y").to_matrix()
        @ Matrix.Rotation(math.atan(shift[0] / focal), 3, "Y")
        @ Matrix.Rotation(math.atan(shift[1] / focal), 3, "X")
        @ Matrix.Rotation(math.radians(shoot.roll + roll), 3, "Z")
    )
    camera.matrix_world = Matrix.Translation(place) @ turned.to_4x4()
    return View(focal, np.array(turned.inverted()), np.array(place), size)


def traced(table: Table, size, samples: int, path: Path, *, seed: int = 0, transparent: bool = False) -> np.ndarray:
    """The picture, float32 (h, w, 4) linear. path: a file that is written and deleted."""
    scene = table.scene
    scene.render.engine = "CYCLES"
    cycles, render = scene.cycles, scene.render
    cycles.device, cycles.samples, cycles.seed = "CPU", samples, seed  # a seed a frame: noise that doesn't stand still
    cycles.use_denoising, cycles.film_transparent_glass = not transparent or samples > 8, transparent
    cycles.denoiser, cycles.denoising_quality, cycles.denoising_prefilter = "OPENIMAGEDENOISE", "FAST", "FAST"
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces, cycles.transmission_bounces = 6, 2, 3, 6
    cycles.pixel_filter_type, cycles.filter_width = "BLACKMAN_HARRIS", 1.3
    render.resolution_x, render.resolution_y, render.resolution_percentage = *size, 100
    render.film_transparent, render.use_persistent_data = transparent, True
    kind = render.image_settings
    kind.file_format, kind.color_depth, kind.color_mode = "OPEN_EXR", "32", "RGBA"
    render.filepath = str(path)
    bpy.ops.render.render(write_still=True)
    picture = bpy.data.images.load(str(path))
    values = np.empty(len(picture.pixels), np.float32)
    picture.pixels.foreach_get(values)
    bpy.data.images.remove(picture)
    path.unlink()
    return np.ascontiguousarray(values.reshape(size[1], size[0], 4)[::-1])


def mask_of(table: Table, size, path: Path) -> np.ndarray:
    """Coverage of the subject alone, float32 (h, w) 0..1; glass counts as subject."""
    layer = table.scene.view_layers[0]
    white = bpy.data.materials.get("white") or _emission()
    for one in table.surroundings:
        one.hide_render = True
    layer.material_override = white
    found = traced(table, size, 8, path, transparent=True)[..., 3]
    layer.material_override = None
    for one in table.surroundings:
        one.hide_render = False
    return found


def clean_of(table: Table, size, samples: int, path: Path) -> np.ndarray:
    """The subject in the set's light with the set unseen, float32 (h, w, 4)."""
    for one in table.surroundings:
        one.visible_camera = False
    found = traced(table, size, max(9, samples), path, transparent=True)
    for one in table.surroundings:
        one.visible_camera = True
    return found


def _emission():
    made = bpy.data.materials.new("white")
    made.use_nodes = True
    nodes = made.node_tree.nodes
    nodes.clear()
    shine, output = nodes.new("ShaderNodeEmission"), nodes.new("ShaderNodeOutputMaterial")
    made.node_tree.links.new(shine.outputs[0], output.inputs[0])
    return made
