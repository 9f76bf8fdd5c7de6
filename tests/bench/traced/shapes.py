"""Materials and shapes of the traced objects. Lengths are mm; Blender's are m."""

from __future__ import annotations

import math

import bpy
import numpy as np

MM = 0.001


def material(name: str, rgb, rough: float = 0.5, *, metal=0.0, coat=0.0, glass=False, pattern=None):
    """A surface: rgb linear 0..1. pattern: (kind "noise" or "voronoi", second colour, scale, stretch x y z)."""
    made = bpy.data.materials.new(name)
    made.use_nodes = True
    nodes, link = made.node_tree.nodes, made.node_tree.links.new
    surface = nodes["Principled BSDF"]
    inputs = surface.inputs
    inputs["Base Color"].default_value = (*rgb, 1)
    inputs["Roughness"].default_value = 0.02 if glass else rough
    inputs["Metallic"].default_value = metal
    inputs["Coat Weight"].default_value = coat
    inputs["Coat Roughness"].default_value = 0.05
    if glass:
        inputs["Transmission Weight"].default_value = 1.0
        inputs["IOR"].default_value = 1.47  # soda-lime glass is about 1.5; from memory
    if pattern:
        kind, other, scale, stretch = pattern
        place, mapping = nodes.new("ShaderNodeTexCoord"), nodes.new("ShaderNodeMapping")
        mapping.inputs["Scale"].default_value = stretch
        texture = nodes.new("ShaderNodeTexNoise" if kind == "noise" else "ShaderNodeTexVoronoi")
        texture.inputs["Scale"].default_value = scale
        ramp = nodes.new("ShaderNodeValToRGB")
        first, last = ramp.color_ramp.elements
        first.color, last.color = (*rgb, 1), (*other, 1)
        first.position, last.position = 0.35, 0.6
        link(place.outputs["Object"], mapping.inputs["Vector"])
        link(mapping.outputs["Vector"], texture.inputs["Vector"])
        link(texture.outputs["Fac" if kind == "noise" else "Distance"], ramp.inputs["Fac"])
        link(ramp.outputs["Color"], inputs["Base Color"])
    return made


def covered(thing, surface, *, smooth: bool = True):
    """The thing with its surface; smooth: shaded as a curved one."""
    thing.data.materials.append(surface)
    if smooth and thing.type == "MESH":
        for face in thing.data.polygons:
            face.use_smooth = True
    return thing


def mesh(name: str, points, faces):
    data = bpy.data.meshes.new(name)
    data.from_pydata([tuple(c * MM for c in point) for point in points], [], faces)
    data.update()
    thing = bpy.data.objects.new(name, data)
    bpy.context.collection.objects.link(thing)
    return thing


def lathe(name: str, profile, *, sides: int = 96, closed: bool = False):
    """A profile of (radius, height) turned about the z axis."""
    profile, points, faces = list(profile), [], []
    count = len(profile)
    for side in range(sides):
        angle = 2 * math.pi * side / sides
        points += [(r * math.cos(angle), r * math.sin(angle), z) for r, z in profile]
    for side in range(sides):
        after = (side + 1) % sides
        for k in range(count if closed else count - 1):
            up = (k + 1) % count
            faces.append((side * count + k, after * count + k, after * count + up, side * count + up))
    return mesh(name, points, faces)


def curve(points, count: int = 60) -> list[tuple[float, float]]:
    """A profile drawn smoothly through points."""
    from scipy.interpolate import PchipInterpolator

    known = np.array(points, float)
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(known, axis=0).T))]
    drawn = PchipInterpolator(along, known)(np.linspace(0, along[-1], count))
    return [(float(r), float(z)) for r, z in drawn]


def tube(name: str, points, radius: float, *, closed: bool = False):
    data = bpy.data.curves.new(name, "CURVE")
    data.dimensions, data.bevel_depth, data.bevel_resolution, data.resolution_u = "3D", radius * MM, 6, 24
    data.use_fill_caps = True
    line = data.splines.new("NURBS")
    line.points.add(len(points) - 1)
    for slot, point in zip(line.points, points, strict=True):
        slot.co = (*(c * MM for c in point), 1)
    line.use_endpoint_u, line.order_u, line.use_cyclic_u = True, 4, closed
    thing = bpy.data.objects.new(name, data)
    bpy.context.collection.objects.link(thing)
    return thing


def hoop(name: str, radius: float, height: float, thickness: float, centre=(0.0, 0.0)):
    angles = np.arange(36) * math.pi / 18
    ring = [(centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a), height) for a in angles]
    return tube(name, ring, thickness, closed=True)


def ball(name: str, centre, radii):
    bpy.ops.mesh.primitive_uv_sphere_add(segments=48, ring_count=24, radius=1, location=[c * MM for c in centre])
    thing = bpy.context.object
    thing.name, thing.scale = name, [r * MM for r in radii]
    return thing


def box(name: str, centre, size, bevel: float = 2.0):
    bpy.ops.mesh.primitive_cube_add(size=1, location=[c * MM for c in centre])
    thing = bpy.context.object
    thing.name, thing.scale = name, [s * MM for s in size]
    bpy.ops.object.transform_apply(location=False, rotation=False, scale=True)
    if bevel:
        rounded = thing.modifiers.new("rounded", "BEVEL")
        rounded.width, rounded.segments = bevel * MM, 4
    return thing


def rod(name: str, centre, radius: float, height: float, *, along_y: bool = False, bevel: float = 0.5):
    place = [c * MM for c in centre]
    bpy.ops.mesh.primitive_cylinder_add(vertices=96, radius=radius * MM, depth=height * MM, location=place)
    thing = bpy.context.object
    thing.name = name
    if along_y:
        thing.rotation_euler = (math.pi / 2, 0, 0)
    if bevel:
        rounded = thing.modifiers.new("rounded", "BEVEL")
        rounded.width, rounded.segments, rounded.limit_method = bevel * MM, 3, "ANGLE"
    return thing
