"""Shapes as another library sees them: regions of a drawing by ezdxf, parts and pieces by shapely."""

import math

from ezdxf import path
from shapely import affinity
from shapely.geometry import Polygon

# Chords of the reference stay this near to the curve, in the drawing's unit.
FLATTEN = 0.0005


def polygon(shape):
    """A shape as the program writes it: `outline`, `holes`."""
    return Polygon(shape["outline"], shape.get("holes", []))


def rows(shape):
    """A shape as the program reads it."""
    ring = lambda r: [[round(x, 3), round(y, 3)] for x, y in r.coords[:-1]]
    return {"outline": ring(shape.exterior), "holes": [ring(r) for r in shape.interiors]}


def placed(shape, place):
    """A part where a placement puts it: mirror x where flipped, turn counter-clockwise about the origin, move."""
    if place["flip"]:
        shape = affinity.scale(shape, xfact=-1, yfact=1, origin=(0, 0))
    angle = math.radians(place["turn_deg"])
    c, s = math.cos(angle), math.sin(angle)
    return affinity.affine_transform(shape, [c, -s, s, c, *place["move_mm"]])


def strokes(entities):
    """All lines and curves of a drawing, blocks expanded."""
    for entity in entities:
        if entity.dxftype() == "INSERT":
            for one in entity.multi_insert() if entity.mcount > 1 else [entity]:
                yield from strokes(one.virtual_entities())
        elif entity.dxftype() in {"LINE", "ARC", "CIRCLE", "ELLIPSE", "LWPOLYLINE", "POLYLINE", "SPLINE"}:
            yield entity


def rings(entities, meet=0.02):
    """Closed outlines of a drawing: entities closed by themselves, and chains whose ends meet two by two."""
    closed, open_ = [], []
    for entity in strokes(entities):
        line = path.make_path(entity)
        points = [(v.x, v.y) for v in line.flattening(FLATTEN, segments=16)]
        (closed if math.dist(points[0], points[-1]) < meet and len(points) > 3 else open_).append(points)
    while open_:
        chain = open_.pop()
        grown = True
        while grown and math.dist(chain[0], chain[-1]) >= meet:
            near = [(i, end) for i, o in enumerate(open_) for end in (0, -1) if math.dist(chain[-1], o[end]) < meet]
            grown = len(near) == 1
            if grown:
                i, end = near[0]
                more = open_.pop(i)
                chain += more[1:] if end == 0 else more[-2::-1]
        if math.dist(chain[0], chain[-1]) < meet and len(chain) > 3:
            closed.append(chain)
    return [ring for ring in (Polygon(points) for points in closed) if ring.area > 0]


def regions(entities):
    """Outlines with their holes: of rings in rings, each second one is a hole."""
    by_area = sorted(rings(entities), key=lambda r: -r.area)
    depth = [sum(big.contains(ring.representative_point()) for big in by_area[:i]) for i, ring in enumerate(by_area)]
    found = []
    for i, outer in enumerate(by_area):
        if depth[i] % 2:
            continue
        inside = [
            by_area[j].exterior.coords
            for j in range(i + 1, len(by_area))
            if depth[j] == depth[i] + 1 and outer.contains(by_area[j].representative_point())
        ]
        found.append(Polygon(outer.exterior.coords, inside))
    return found
