"""The program's plane geometry beside another library's, on random shapes.

Source of what is right: GEOS through shapely 2.2. Coordinates are whole µm, areas of such shapes whole numbers below
2^53, so that GEOS has no rounding where it only measures.
"""

import json
import math
import os
import random
import subprocess
from pathlib import Path

import pytest
import shapely
from outlines import rows
from planted import wanted
from samples import grid, offcut, one, part
from shapely import affinity
from shapely.geometry import Polygon, box

TARGET = Path(os.environ.get("SHEETLOFT", Path(__file__).parents[2] / "target/debug/sheetloft")).parent
GEOMETRY = TARGET / "examples/geometry"


def um(shape):
    """In whole µm, from mm on that grid."""
    whole = lambda ring: [(round(x * 1000), round(y * 1000)) for x, y in ring.coords[:-1]]
    return Polygon(whole(shape.exterior), [whole(hole) for hole in shape.interiors])


def given(shape):
    ring = lambda r: [[int(x), int(y)] for x, y in r.coords[:-1]]
    return {"outline": ring(shape.exterior), "holes": [ring(hole) for hole in shape.interiors]}


def region(shapes):
    """What the program says, as GEOS takes it: each a valid shape, none over another."""
    polygons = [Polygon(s["outline"], s.get("holes", [])) for s in shapes]
    assert all(p.is_valid for p in polygons), [shapely.is_valid_reason(p) for p in polygons]
    whole = shapely.unary_union(polygons)
    assert whole.area == pytest.approx(sum(p.area for p in polygons), rel=1e-12, abs=1)
    return whole


def ask(questions):
    lines = "".join(json.dumps(q) + "\n" for q in questions)
    out = subprocess.run([GEOMETRY], input=lines, capture_output=True, text=True, timeout=300)
    assert out.returncode == 0, out.stderr
    answers = [json.loads(line) for line in out.stdout.splitlines()]
    assert len(answers) == len(questions)
    assert not any("refused" in answer for answer in answers)
    return answers


def shape(rng):
    return um(rng.choice([offcut, part, wanted])(rng))


def pair(rng):
    """Two shapes over each other: anyhow; sharing an edge or a corner; one in the other; one in a hole of the other."""
    a = shape(rng)
    kind = rng.randint(0, 5)
    x0, y0, x1, y1 = a.bounds
    if kind == 0:
        b = shape(rng)
        bx, by, _, _ = b.bounds
        b = affinity.translate(b, rng.uniform(x0, x1) - bx, rng.uniform(y0, y1) - by)
    elif kind == 1:
        (ax, ay), (bx, by) = list(a.exterior.coords)[:2]
        b = Polygon([(ax, ay), (bx, by), (bx + rng.randint(-90_000, 90_000), by + 50_000), (ax - 40_000, ay + 70_000)])
        b = b if b.is_valid and b.area > 1e6 else affinity.translate(a, x1 - x0, 0)
    elif kind == 2:
        b = affinity.translate(a, x1 - x0, rng.choice([0, (y1 - y0) / 2]))
    elif kind == 3:
        inner = a.buffer(-rng.uniform(500, 9_000), join_style="mitre")
        b, a = a, one(inner) if inner.area > 1e7 else a
    elif kind == 4 and a.interiors:
        b = one(Polygon(a.interiors[0]).buffer(-rng.uniform(0, 4_000)))
    else:
        b = affinity.rotate(a, rng.uniform(0, 360), origin=(rng.uniform(x0, x1), rng.uniform(y0, y1)))
    whole = lambda s: shapely.set_precision(s, 1, mode="pointwise")
    a, b = whole(a), whole(b)
    good = lambda s: s.geom_type == "Polygon" and s.is_valid and s.area > 1e6
    return (a, b) if good(a) and good(b) else pair(rng)


def differs(ours, theirs, *rims):
    """Whether two regions differ by more than a seam of 2 µm along what was cut, or by more than a sliver that wide."""
    seam = 2 * sum(rim.length for rim in rims)
    return ours.symmetric_difference(theirs).area > seam


@pytest.mark.parametrize("seed", [1, 2])
def test_measures(seed):
    rng = random.Random(seed)
    shapes = [shape(rng) for _ in range(150)]
    for s, answer in zip(shapes, ask([{"a": given(s)} for s in shapes])):
        assert answer["area2"] == round(2 * s.area), "to the last µm²"
        assert answer["perimeter_um"] == pytest.approx(s.length, rel=1e-12)
        assert math.dist(answer["centroid"], s.centroid.coords[0]) <= 0.71
        hull = Polygon(answer["hull"])
        assert hull.equals(s.convex_hull)
        assert answer["width_um"] == pytest.approx(least_width(hull), abs=1.001)
        # Largest circle: ours lies inside; theirs is no larger than what ours says is the most, and hardly more than ours
        # (theirs may be the smaller by more than the tolerance that it is asked for).
        circle = answer["circle"]
        centre = shapely.Point(circle["centre"])
        assert s.contains(centre) and s.boundary.distance(centre) >= circle["radius_um"] - 1e-6
        theirs = shapely.maximum_inscribed_circle(s, tolerance=20).length
        assert theirs <= circle["at_most_um"] + 1e-6
        assert circle["radius_um"] >= theirs * (1 - 1 / 30) - 60
        corners = Polygon(answer["rectangle"]["corners"])
        assert s.buffer(1e-6).contains(corners)
        assert corners.area >= math.prod(answer["rectangle"]["sides_um"]) * (1 - 1e-9)


def least_width(hull):
    """The least, over the hull's edges, of the greatest distance of a corner: by definition, in real numbers."""
    ring = list(hull.exterior.coords)
    widths = []
    for (ax, ay), (bx, by) in zip(ring, ring[1:]):
        length = math.hypot(bx - ax, by - ay)
        widths.append(max(abs((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / length for x, y in ring))
    return min(widths)


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_two_shapes(seed):
    rng = random.Random(seed)
    pairs = [pair(rng) for _ in range(150)]
    seen = {"inside": 0, "apart": 0, "crossing": 0}
    for (a, b), answer in zip(pairs, ask([{"a": given(a), "b": given(b)} for a, b in pairs])):
        for ours, theirs in [
            ("union", a.union(b)),
            ("difference", a.difference(b)),
            ("intersection", a.intersection(b)),
        ]:
            assert not differs(region(answer[ours]), theirs, a, b), ours
        rims = [a.exterior, *a.interiors], [b.exterior, *b.interiors]
        distance = min(p.distance(q) for p in rims[0] for q in rims[1])
        if b.covers(a):
            seen["inside"] += 1
            assert answer["inside_um"] is not None and distance - 1 <= answer["inside_um"] <= distance + 1e-6
        else:
            assert answer["inside_um"] is None
        if shapely.relate_pattern(a, b, "F********"):
            seen["apart"] += 1
            assert answer["apart_um"] is not None and distance - 1 <= answer["apart_um"] <= distance + 1e-6
        else:
            assert answer["apart_um"] is None
        seen["crossing"] += answer["inside_um"] is None and answer["apart_um"] is None
    assert min(seen.values()) >= 15, seen


@pytest.mark.parametrize("seed", [21, 22])
def test_growing_and_shrinking(seed):
    """GEOS with the same join style is not the same shape; but what is promised about distances it can measure."""
    rng = random.Random(seed)
    questions = [(shape(rng), rng.choice([100, 200, 1_000, 3_200, 20_000])) for _ in range(60)]
    # Where strips cross, rounding to the grid may cost 2 µm; at corners it adds less than 3 to the 10 of round ones.
    grid_um = 2.1
    for (s, by), answer in zip(questions, ask([{"a": given(s), "by_um": by} for s, by in questions])):
        rim = s.boundary
        for corners, excess in [("round", 13), ("square", 0.42 * by + 3)]:
            grown, shrunk = region(answer[f"grown_{corners}"]), region(answer[f"shrunk_{corners}"])
            # (Distances, point by point: GEOS leaves holes in some of its own offsets of so fine arcs.)
            assert grown.covers(s)
            distances = shapely.distance(dense(grown), s)
            assert by - grid_um <= distances.min() and distances.max() <= by + excess + grid_um
            if not shrunk.is_empty:
                assert s.covers(shrunk)
                assert shapely.distance(dense(shrunk), rim).min() >= by - grid_um
            # All that keeps more than that from the rim is still there.
            kept = s.buffer(-(by + excess) * 1.000_01 - grid_um, quad_segs=360)
            assert kept.is_empty or shrunk.covers(kept)


def dense(shape):
    """Points along the rims of a region, no further than 2 mm from each other."""
    return shapely.points(shapely.get_coordinates(shapely.segmentize(shape.boundary, 2_000)))
