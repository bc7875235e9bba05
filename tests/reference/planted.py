"""Pieces in which a part is known to fit, because they were made around it, and such as are too small by as much."""

import math

from shapely import affinity
from shapely.geometry import Point, Polygon, box

from samples import grid, one


def wanted(random):
    """A part of one of six families, with corners on whole µm."""
    size = random.uniform(40, 320)
    kind = random.randint(0, 5)
    if kind == 0:
        n = random.randint(4, 12)
        turns = sorted(random.uniform(0, 2 * math.pi) for _ in range(n))
        high = random.uniform(0.3, 1)
        shape = Polygon([(size / 2 * math.cos(t), size / 2 * high * math.sin(t)) for t in turns]).convex_hull
    elif kind == 1:
        w, h = size, size * random.uniform(0.4, 1)
        shape = box(0, 0, w, h).difference(box(w * random.uniform(0.2, 0.7), h * random.uniform(0.2, 0.7), w, h))
    elif kind == 2:
        w, h = size, size * random.uniform(0.5, 1)
        shape = box(0, 0, w, h).difference(box(w * random.uniform(0.2, 0.5), h * 0.3, w, h * random.uniform(0.5, 0.8)))
    elif kind == 3:
        teeth = random.randint(3, 6)
        pitch = size / teeth
        slots = [box((i + 0.5) * pitch, size * 0.15, (i + random.uniform(0.7, 0.95)) * pitch, size) for i in range(teeth)]
        shape = box(0, 0, size, size * random.uniform(0.3, 0.6))
        for slot in slots:
            shape = one(shape.difference(slot))
    elif kind == 4:
        n = random.randint(30, 90)
        a, p = random.uniform(0.1, 0.3), random.uniform(0, 6)
        k = random.randint(2, 5)
        radius = [size / 2.6 * (1 + a * math.sin(k * 2 * math.pi * i / n + p)) for i in range(n)]
        shape = Polygon([(r * math.cos(2 * math.pi * i / n), r * math.sin(2 * math.pi * i / n)) for i, r in enumerate(radius)])
    else:
        shape = Point(0, 0).buffer(size / 2, quad_segs=8).difference(Point(0, 0).buffer(size / 2 * 0.55, quad_segs=6))
    shape = grid(one(shape.buffer(0)))
    return shape if shape.is_valid and shape.area > 0.02 * size * size else wanted(random)


def around(random, part, by):
    """A piece whose rim keeps `by` mm from the part as it lies slanted in it, but for a few bays; and the flaws that
    keep as much. The piece has a hole where the part has one, and now and then one beside the part."""
    lies = affinity.translate(
        affinity.rotate(part, random.uniform(0, 360), origin=(0, 0)), random.uniform(-400, 900), random.uniform(-400, 900)
    )
    # Chords and the rounding to the grid must not eat what is to spare.
    solid = Polygon(lies.exterior).buffer(by * 1.0006 + 0.002, quad_segs=48)
    for hole in lies.interiors:
        inner = Polygon(hole).buffer(-(by * 1.0006 + 0.002), quad_segs=48)
        if inner.area > 1:
            solid = solid.difference(one(inner))
    corners = list(lies.exterior.coords)
    for _ in range(random.randint(2, 5)):
        x, y = random.choice(corners)
        bay = affinity.rotate(box(-20, -9, 20, 9), random.uniform(0, 180), origin=(0, 0))
        solid = solid.union(affinity.translate(bay, x + random.uniform(-15, 15), y + random.uniform(-15, 15)))
    piece = one(solid)
    flaws = []
    for _ in range(6):
        x, y = random.choice(list(piece.exterior.coords))
        spot = Point(x, y).buffer(random.uniform(3, 9), quad_segs=4)
        if spot.distance(lies) > by + 0.01:
            flaws.append(grid(spot))
    return grid(piece), flaws[:2]


def too_small(random, part, clear, lacking):
    """A piece around the part's hull in which the hull lacks `lacking` mm of its clearance all around: fits nowhere."""
    lies = affinity.rotate(part.convex_hull, random.uniform(0, 360), origin=(0, 0))
    return grid(one(lies.buffer(clear - lacking, quad_segs=48)))
