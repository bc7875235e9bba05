"""Shapes as another library sees them: regions of a drawing by ezdxf, parts and pieces by shapely."""

import math

from ezdxf.math import BoundingBox2d
from shapely import affinity
from shapely.geometry import Polygon

# Chords of the reference stay this near to the curve, in the drawing's unit.
FLATTEN = 0.0005
# Ends this near to each other meet.
MEET = 0.02


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


def strokes(entities, fine=None):
    """All lines and curves of a drawing as points on them, blocks and polylines taken apart.

    `fine`: chords stay this near to a curve, in parts of its own size, rather than FLATTEN.
    """
    near = lambda size: FLATTEN if fine is None else max(fine * size, 1e-9)
    for entity in entities:
        kind = entity.dxftype()
        if kind == "INSERT":
            for one in entity.multi_insert() if entity.mcount > 1 else [entity]:
                yield from strokes(one.virtual_entities(), fine)
        elif kind in {"LWPOLYLINE", "POLYLINE"}:
            yield from chains(list(strokes(entity.virtual_entities(), fine)))
        elif kind == "LINE":
            yield [entity.dxf.start.vec2, entity.dxf.end.vec2]
        elif kind in {"ARC", "CIRCLE"}:
            yield [v.vec2 for v in entity.flattening(near(entity.dxf.radius))]
        elif kind == "ELLIPSE":
            yield [v.vec2 for v in entity.flattening(near(entity.minor_axis.magnitude), segments=64)]
        elif kind == "SPLINE":
            size = BoundingBox2d(entity.control_points or entity.fit_points).size
            yield [v.vec2 for v in entity.flattening(near(max(size)), segments=32)]


def is_closed(points):
    return len(points) > 3 and points[0].isclose(points[-1], abs_tol=MEET)


def chains(open_):
    """Strokes joined where exactly two of their ends meet."""
    while open_:
        chain = open_.pop()
        for turned in (False, True):
            while not is_closed(chain):
                ends = [(i, e) for i, o in enumerate(open_) for e in (0, -1) if chain[-1].isclose(o[e], abs_tol=MEET)]
                if len(ends) != 1:
                    break
                i, end = ends[0]
                more = open_.pop(i)
                chain = chain + (more[1:] if end == 0 else more[-2::-1])
            if not turned:
                chain = chain[::-1]
        yield chain


def rings(entities):
    """Closed outlines of a drawing: curves closed by themselves, and chains."""
    all_ = list(strokes(entities))
    closed = [s for s in all_ if is_closed(s)]
    closed += [c for c in chains([s for s in all_ if not is_closed(s)]) if is_closed(c)]
    return [ring for ring in (Polygon([(v.x, v.y) for v in points]) for points in closed) if ring.area > 0]


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
