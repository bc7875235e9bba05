"""Whole orders: planned, held, cut and paid, with every shape and every sum worked out again.

Source of what is right: shapely 2.2 for areas and distances, ezdxf 1.4 with its audit for the layouts, decimal
arithmetic for the money: a kept offcut carries the piece's cost by area, the order takes the rest, nothing is lost.
"""

import json
import math
import random
from decimal import Decimal
from fractions import Fraction
from itertools import combinations

import ezdxf
import pytest
from outlines import placed, polygon, regions, rows
from samples import offcut, part
from shapely import affinity
from shapely.geometry import box
from test_find import stock

KERF_MM, GAP_MM, MARGIN_MM = 0.2, 1.0, 3.0
# Corners of leftovers and of placed parts lie on the grid of 1 µm.
GRID_MM = 0.003
CENT = Decimal("0.01")


def order(shop, parts, *options):
    """An order with the parts, one line each; the parts by line."""
    code = shop("order", "new", "--name", "Reference")["order"]
    lines = {}
    for i, (shape, quantity) in enumerate(parts):
        path = shop.lines("part.jsonl", [{"id": f"part{i}", **rows(shape)}])
        added = shop("order", "add", code, "--parts", path, "--material", "Ply 6", "--qty", quantity, *options)
        lines[added["line"]] = shape
    return code, lines


def planned(shop, code, *options):
    out = shop.run("plan", code, "--rounds", "2", "--seed", "7", *options)
    assert out.returncode in (0, 1), out.stderr
    plan = json.loads(out.stdout)
    assert out.returncode == (1 if plan["not_placed"] else 0)
    return plan


def well_placed(shop, plan, lines):
    """Every part lies where it may, every leftover where it can."""
    for one in plan["pieces"]:
        shown = shop("stock", "show", one["piece"])
        piece = polygon(shown)
        parts = [placed(lines[p["line"]], p["place"]) for p in one["parts"]]
        for lies in parts:
            assert piece.covers(lies)
            rim = min(lies.distance(ring) for ring in [piece.exterior, *piece.interiors])
            assert rim >= KERF_MM + MARGIN_MM - GRID_MM
        for a, b in combinations(parts, 2):
            assert a.distance(b) >= KERF_MM + GAP_MM - GRID_MM
        left = [polygon(r) for r in one["leftovers"]]
        for row, shape in zip(one["leftovers"], left):
            assert row["area_mm2"] == pytest.approx(shape.area, abs=0.01)
            assert piece.buffer(GRID_MM).covers(shape)
            for lies in parts:
                if row["keep"]:
                    assert shape.distance(lies) >= KERF_MM - GRID_MM, "the beam takes its width"
                else:
                    assert apart(shape, lies)
        for a, b in combinations(left, 2):
            assert apart(a, b)
        rims = sum(s.length for s in left)
        assert sum(s.area for s in left) + sum(p.area for p in parts) <= piece.area + 0.01 + rims * GRID_MM / 2
        yield one, piece, parts, left


def apart(a, b):
    """Whether two shapes share no more than what rounding their corners to the grid brings: nothing wider than it."""
    return a.intersection(b).buffer(-GRID_MM / 2).is_empty


def at_zero(shape):
    """The shape with its lower left at 0,0, its rings begun alike."""
    x, y, _, _ = shape.bounds
    return affinity.translate(shape, -x, -y).normalize()


def money(text):
    value = Decimal(text)
    assert -value.as_tuple().exponent == 2, f"{text} has the currency's two decimals"
    return value


def follow(shop, code, plan, lines):
    """Holds, draws, cuts, and works every sum out again."""
    pieces = list(well_placed(shop, plan, lines))
    carried = {one["piece"]: money(shop("stock", "show", one["piece"])["cost"]) for one, *_ in pieces}
    shop("hold", plan["plan"])
    for one, _, parts, _ in pieces:
        out = shop.folder / "layout.dxf"
        shop("layout", plan["plan"], "--piece", one["piece"], "--out", out)
        drawn(out, [at_the_stop(p, one["datum"]) for p in parts])
        shop("layout", plan["plan"], "--piece", one["piece"], "--out", out, "--face-down")
        drawn(out, [at_the_stop(p, one["datum"], face_down=True) for p in parts])
    cut = shop("cut", plan["plan"])
    assert {c["piece"] for c in cut["cuts"]} == set(carried)
    for done in cut["cuts"]:
        one, piece, _, left = next(p for p in pieces if p[0]["piece"] == done["piece"])
        kept = [s for row, s in zip(one["leftovers"], left) if row["keep"]]
        assert len(done["offcuts"]) == len(kept)
        cost = carried[done["piece"]]
        back = sum((money(o["cost"]) for o in done["offcuts"]), Decimal(0))
        assert money(done["charged"]) + back == cost, "to the cent"
        assert money(done["charged"]) == sum(money(o["charged"]) for o in done["orders"])
        assert 0 <= money(done["scrap"]) <= money(done["charged"])
        for offcut_ in done["offcuts"]:
            now = at_zero(polygon(shop("stock", "show", offcut_["piece"])))
            alike = [shape for shape in kept if now.equals_exact(at_zero(shape), GRID_MM / 2)]
            assert alike, "the shape in stock is the shape that was left"
            exact = Fraction(cost) * Fraction(offcut_["area_mm2"]) / Fraction(piece.area)
            assert abs(Fraction(money(offcut_["cost"])) - exact) < Fraction(CENT) + exact / 10_000
        gone = shop("stock", "show", done["piece"])
        assert gone["status"] == "used" and money(gone["cost"]) == 0
        assert sorted(gone["became"]) == sorted(o["piece"] for o in done["offcuts"])
    paid = shop("order", "cost", code)
    assert money(paid["total"]) == sum(money(c["charged"]) for c in cut["cuts"])
    for row in paid["pieces"]:
        shares = [money(row[k]) for k in ("parts", "kerf", "scrap", "markdown", "failed")]
        assert money(row["charged"]) == sum(shares)
        assert money(row["charged"]) + money(row["returned"]) == carried[row["piece"]]
    books = shop("check")["books"]
    assert money(books["received"]) == sum(money(books[k]) for k in ("on_hand", "charged", "written_off"))


def at_the_stop(shape, datum, face_down=False):
    """A shape of the piece as it lies at the machine: the datum side along x, its corner at the origin; face down,
    mirrored, with the side's other end there."""
    if datum is None:
        return affinity.scale(shape, 1, -1, origin=(0, 0)) if face_down else shape
    (ax, ay), (bx, by) = reversed(datum) if face_down else datum
    length = math.hypot(bx - ax, by - ay)
    cos, sin = (bx - ax) / length, (by - ay) / length
    side = -1 if face_down else 1
    turned = [cos, sin, -sin * side, cos * side, -(ax * cos + ay * sin), -side * (ay * cos - ax * sin)]
    return affinity.affine_transform(shape, turned)


def drawn(path, parts):
    """The layout, as another program reads it: sound, in mm, and with the parts where the plan has them."""
    doc = ezdxf.readfile(path)
    audit = doc.audit()
    assert not audit.has_errors, audit.errors
    assert not audit.has_fixes, audit.fixes
    assert doc.units == ezdxf.units.MM
    layers = {}
    for entity in doc.modelspace():
        layers.setdefault(entity.dxf.layer, []).append(entity)
    cut = [regions(entities) for entities in layers.values()]
    assert any(same(found, parts) for found in cut), "one layer holds the cut lines of all parts and nothing else"


def same(found, parts):
    """Whether the regions of a layer are the parts, in place."""
    lines = [ring for p in parts for ring in [p.exterior, *p.interiors]]
    read = [ring for r in found for ring in [r.exterior, *r.interiors]]
    return len(lines) == len(read) and all(
        any(line.hausdorff_distance(ring) < 0.01 for ring in read) for line in lines
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_order_on_offcuts(shop, seed):
    rng = random.Random(seed)
    stock(shop, [offcut(rng) for _ in range(12)])
    code, lines = order(shop, [(part(rng), rng.randint(1, 3)) for _ in range(4)], "--turn", "any")
    plan = planned(shop, code)
    assert plan["pieces"]
    follow(shop, code, plan, lines)


def test_an_order_on_sheets_with_freight(shop):
    rng = random.Random(4)
    got = shop(
        *("receive", "--material", "Ply 6", "--sheets", "7", "--size", "8ftx4ft", "--unit-cost", "41.57"),
        *("--freight", "23.45", "--damaged", "2", "--rack", "A1"),
    )
    costs = [money(p["cost"]) for p in got["pieces"]]
    assert len(costs) == 5
    # Two of seven are written off at their share of the line; freight goes over the five good ones.
    assert sum(costs) + money(got["written_off"]) == 7 * Decimal("41.57") + Decimal("23.45")
    assert max(costs) - min(costs) <= CENT
    code, lines = order(shop, [(part(rng), 4) for _ in range(5)], "--turn", "quarter")
    plan = planned(shop, code)
    assert not plan["not_placed"], "sheets have room for all"
    follow(shop, code, plan, lines)


def test_rectangles_that_fill_a_sheet(shop):
    """24 parts of 400 × 300 mm on one sheet of 2440 × 1220: 6 × 4 of them would need 2400 + 5 · 1.2 + 2 · 3.2 across."""
    shop("receive", "--material", "Ply 6", "--sheets", "2", "--size", "2440x1220", "--unit-cost", "50")
    code, lines = order(shop, [(box(0, 0, 400, 300), 12)], "--turn", "quarter")
    plan = planned(shop, code)
    assert not plan["not_placed"]
    assert len(plan["pieces"]) <= 2
    follow(shop, code, plan, lines)


def test_curves_are_cut_as_drawn(shop):
    """Arcs of a customer's drawing reach the machine as arcs, not as the chords that the fit was worked out with."""
    shop("receive", "--material", "Ply 6", "--sheets", "1", "--size", "1000x800", "--unit-cost", "20")
    doc = ezdxf.new("R2010", units=ezdxf.units.MM)
    msp = doc.modelspace()
    msp.add_lwpolyline([(0, 0, 0), (120, 0, 1), (120, 60, 0), (0, 60, 1)], format="xyb", close=True)
    msp.add_circle((60, 30), 12)
    drawing = shop.folder / "customer.dxf"
    doc.saveas(drawing)
    code = shop("order", "new", "--name", "Curves")["order"]
    shop("order", "add", code, "--drawing", drawing, "--material", "Ply 6", "--qty", "3")
    plan = planned(shop, code)
    shop("hold", plan["plan"])
    out = shop.folder / "layout.dxf"
    shop("layout", plan["plan"], "--out", out)
    doc = ezdxf.readfile(out)
    assert not doc.audit().has_errors
    found = [r for entities in by_layer(doc).values() for r in regions(entities)]
    true = regions(msp)[0]
    alike = [r for r in found if abs(r.area - true.area) < 0.05 and len(r.interiors) == 1]
    assert len(alike) == 3, "three parts with the area of the drawing itself"
    # Arcs are still arcs, of the drawing's radii to a micrometre: twice two half circles a part, in closed polylines.
    assert (doc.dxfversion, doc.header["$INSUNITS"]) == ("AC1015", 4)
    radii = [r for polyline in doc.modelspace().query("LWPOLYLINE") for r in arcs(polyline)]
    for radius in (30, 12):
        assert sum(abs(r - radius) <= 0.001 for r in radii) == 3 * 2, radii
    # And the program reads its own layout as three parts that are the same.
    back = shop("drawing", out)
    parts = [p for p in back["parts"] if abs(p["area_mm2"] - (120 * 60 + math.pi * (30**2 - 12**2))) < 0.05]
    assert (back["unit"], back["unit_said_by"], [p["quantity"] for p in parts]) == ("mm", "file", [3])
    shop("cut", plan["plan"])


def arcs(polyline):
    """The radii of the arcs of a polyline, by their bulges."""
    points = polyline.get_points("xyb")
    ends = points[1:] + points[:1] if polyline.closed else points[1:]
    for (x, y, bulge), (u, v, _) in zip(points, ends):
        if bulge:
            yield math.hypot(u - x, v - y) * (1 + bulge**2) / (4 * abs(bulge))


def by_layer(doc):
    layers = {}
    for entity in doc.modelspace():
        layers.setdefault(entity.dxf.layer, []).append(entity)
    return layers
