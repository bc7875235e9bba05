"""Shapes to try things on, from a seed: offcuts as they are left, and parts as they are wanted."""

import math

from shapely import affinity
from shapely.geometry import Point, Polygon, box

from outlines import rows


def grid(shape):
    """The shape with its corners on whole µm, as the program keeps them."""
    data = rows(shape)
    return Polygon(data["outline"], data["holes"])


def one(shape):
    """The largest of the pieces, where a cut left several."""
    return max(getattr(shape, "geoms", [shape]), key=lambda g: g.area)


def offcut(random):
    """A rest of a sheet: corners and rims cut away straight or round, at times a hole in it."""
    w, h = random.uniform(150, 900), random.uniform(120, 700)
    shape = box(0, 0, w, h)
    for _ in range(random.randint(0, 3)):
        x, y = random.choice([(0, 0), (w, 0), (0, h), (w, h)])
        a, b = random.uniform(0.15, 0.55) * w, random.uniform(0.15, 0.55) * h
        cut = random.choice(
            [
                box(x - a, y - b, x + a, y + b),
                affinity.rotate(box(x - a, y - b, x + a, y + b), random.uniform(0, 90), origin=(x, y)),
                Point(x, y).buffer(min(a, b), quad_segs=6),
            ]
        )
        shape = one(shape.difference(cut))
    if random.random() < 0.3:
        inside = shape.buffer(-40)
        if inside.area > 0:
            at = one(inside).representative_point()
            hole = at.buffer(random.uniform(10, 35), quad_segs=random.randint(1, 6))
            shape = one(shape.difference(hole))
    return grid(affinity.translate(shape, random.uniform(-300, 300), random.uniform(-300, 300)))


def part(random):
    """A part: a star-shaped outline, a plate with a notch, or a ring."""
    kind = random.randint(0, 2)
    if kind == 0:
        n = random.randint(3, 12)
        radius = random.uniform(25, 160)
        corners = [
            (radius * random.uniform(0.5, 1) * math.cos(t), radius * random.uniform(0.5, 1) * math.sin(t))
            for t in (2 * math.pi * (i + random.uniform(0, 0.7)) / n for i in range(n))
        ]
        shape = Polygon(corners)
        shape = shape if shape.is_valid and shape.area > 100 else shape.convex_hull
    elif kind == 1:
        w, h = random.uniform(40, 400), random.uniform(30, 250)
        shape = box(0, 0, w, h).difference(box(w * random.uniform(0.3, 0.7), h * 0.6, w, h))
    else:
        radius = random.uniform(30, 130)
        shape = Point(0, 0).buffer(radius, quad_segs=8).difference(Point(0, 0).buffer(radius * 0.6, quad_segs=8))
    return grid(affinity.rotate(shape, random.uniform(0, 360), origin=(0, 0)))
