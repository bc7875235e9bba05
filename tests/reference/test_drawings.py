"""Drawings that this project did not write, read by the program and by ezdxf with shapely.

Source of what is right: ezdxf 1.4 (entities to curves, by the DXF reference) and shapely 2.2 (areas, distances).
Tolerance: the program's chords lie outside the curve of a part, at most 0.05 mm off, corners on a grid of 1 µm.
"""

import math
from pathlib import Path

import ezdxf
import pytest
import shapely
from ezdxf import units
from ezdxf.math import global_bspline_interpolation, rational_bspline_from_arc
from outlines import FLATTEN, polygon, regions
from shapely.geometry import Polygon

CHORD_MM = 0.05
GRID_MM = 0.002


def true_regions(doc, scale=1.0):
    """The regions of a drawing in mm."""
    mm = lambda r: [(x * scale, y * scale) for x, y in r.coords]
    found = regions(doc.modelspace())
    return [Polygon(mm(r.exterior), [mm(h) for h in r.interiors]) for r in found]


def agrees(drawing, truth, scale=1.0):
    """The parts read are the true regions, grown by no more than the chords, holes shrunk likewise; the area that is
    said is the area of the curves themselves."""
    parts = [(polygon(p), p["area_mm2"]) for p in drawing["parts"] for _ in range(p["quantity"])]
    assert len(parts) == len(truth), f"{len(parts)} parts, {len(truth)} regions"
    slack = FLATTEN * scale + GRID_MM
    for (part, said), true in zip(sorted(parts, key=lambda p: p[1]), sorted(truth, key=lambda p: p.area)):
        assert part.is_valid
        rim = true.length
        assert abs(said - true.area) <= rim * slack
        assert said - rim * GRID_MM <= part.area <= said + rim * (CHORD_MM + GRID_MM)
        assert len(part.interiors) == len(true.interiors)


def farthest(one, other):
    """How far the rim of one shape reaches beyond the other."""
    points = shapely.points(shapely.get_coordinates(one.segmentize(0.5)))
    return shapely.distance(points, other).max()


def in_place(drawing, truth, scale=1.0):
    """As `agrees`, and each part lies where it is drawn, corner for corner. Of equal parts one stands for all."""
    agrees(drawing, truth, scale)
    slack = FLATTEN * scale + GRID_MM
    for part in map(polygon, drawing["parts"]):
        true = min(truth, key=lambda t: t.hausdorff_distance(part))
        assert farthest(true, part) <= slack, "a part never comes out smaller than drawn"
        assert farthest(part, true) <= CHORD_MM + slack, "nor larger than the chords allow"


def save(doc, folder, name="drawing.dxf", fmt="asc"):
    path = folder / name
    doc.saveas(path, fmt=fmt)
    return path


def new(version="R2010", unit=units.MM):
    return ezdxf.new(version, units=unit)


def slot(msp, x, y, length, width):
    """A slot with round ends: bulge 1 is a half circle."""
    r = width / 2
    points = [(x, y - r, 0), (x + length, y - r, 1), (x + length, y + r, 0), (x, y + r, 1)]
    msp.add_lwpolyline(points, format="xyb", close=True)


def test_polylines_with_bulges(reader, tmp_path):
    doc = new()
    msp = doc.modelspace()
    slot(msp, 20, 20, 60, 24)
    msp.add_lwpolyline(
        [(200, 0, 0.3), (280, 10, -0.25), (300, 90, 0), (250, 120, 0.9), (210, 80, -0.1)], format="xyb", close=True
    )
    msp.add_polyline2d([(400, 0, 0), (460, 0, 0.5), (460, 60, 0), (400, 60, 0)], format="xyb", close=True)
    in_place(reader("drawing", save(doc, tmp_path)), true_regions(doc))
    # The slot, exactly: a rectangle and a circle.
    exact = 60 * 24 + math.pi * 12**2
    areas = [p["area_mm2"] for p in reader("drawing", save(doc, tmp_path))["parts"]]
    assert any(math.isclose(a, exact, abs_tol=0.01) for a in areas)


def test_circles_in_circles(reader, tmp_path):
    doc = new()
    msp = doc.modelspace()
    for radius in (100, 80, 30):
        msp.add_circle((150, 150), radius)
    msp.add_ellipse((400, 100), major_axis=(80, 30), ratio=0.4)
    drawing = reader("drawing", save(doc, tmp_path))
    in_place(drawing, true_regions(doc))
    # A ring with a disc in it, and an ellipse: areas by their formulas.
    ring, disc = math.pi * (100**2 - 80**2), math.pi * 30**2
    ellipse = math.pi * math.hypot(80, 30) ** 2 * 0.4
    for exact, area in zip(sorted([ring, disc, ellipse]), sorted(p["area_mm2"] for p in drawing["parts"])):
        assert math.isclose(area, exact, abs_tol=0.05)


def test_splines(reader, tmp_path):
    doc = new()
    msp = doc.modelspace()
    msp.add_spline_control_frame([(0, 0), (120, -30), (160, 80), (60, 140), (-40, 90), (0, 0)])
    through = [(300, 0), (400, 20), (420, 120), (330, 150), (280, 70), (300, 0)]
    msp.add_spline().apply_construction_tool(global_bspline_interpolation(through, degree=3))
    msp.add_spline(fit_points=[(600, 0), (700, 10), (690, 120), (580, 90), (600, 0)])
    in_place(reader("drawing", save(doc, tmp_path)), true_regions(doc))


def test_a_circle_as_a_rational_spline(reader, tmp_path):
    """NURBS of weights cos 45° draw a circle exactly (Piegl and Tiller, The NURBS Book, 7.5)."""
    doc = new()
    circle = rational_bspline_from_arc(center=(100, 100), radius=60, segments=4)
    doc.modelspace().add_spline().apply_construction_tool(circle)
    (part,) = reader("drawing", save(doc, tmp_path))["parts"]
    assert math.isclose(part["area_mm2"], math.pi * 60**2, abs_tol=0.05)


def test_a_periodic_spline(reader, tmp_path):
    """Knots that run on past both ends: each span by the matrix of the uniform cubic B-spline (de Boor)."""
    doc = new()
    frame = [(300, 0), (400, 20), (420, 120), (330, 150), (280, 70)]
    doc.modelspace().add_spline().set_closed([(x, y, 0) for x, y in frame], degree=3)
    points = []
    for i in range(len(frame)):
        a, b, c, d = (frame[(i + k) % len(frame)] for k in range(4))
        for t in (n / 400 for n in range(400)):
            w = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)
            points.append([sum(k * p[axis] for k, p in zip(w, (a, b, c, d))) / 6 for axis in (0, 1)])
    in_place(reader("drawing", save(doc, tmp_path)), [Polygon(points)])


def test_loose_lines_and_arcs_become_one_outline(reader, tmp_path):
    doc = new()
    msp = doc.modelspace()
    x, y, w, h, r = 10, 20, 180, 90, 25
    msp.add_line((x + w, y + r), (x + w, y + h - r))
    msp.add_line((x + r, y), (x + w - r, y))
    msp.add_arc((x + w - r, y + r), r, 270, 360)
    msp.add_line((x, y + h - r), (x, y + r))
    msp.add_arc((x + r, y + h - r), r, 90, 180)
    msp.add_arc((x + w - r, y + h - r), r, 0, 90)
    msp.add_line((x + w - r, y + h), (x + r, y + h))
    msp.add_arc((x + r, y + r), r, 180, 270)
    drawing = reader("drawing", save(doc, tmp_path))
    in_place(drawing, true_regions(doc))
    exact = w * h - (4 - math.pi) * r**2
    assert math.isclose(drawing["parts"][0]["area_mm2"], exact, abs_tol=0.01)


def test_blocks_turned_scaled_mirrored_and_nested(reader, tmp_path):
    doc = new()
    plate = doc.blocks.new("PLATE")
    plate.add_lwpolyline([(0, 0, 0), (50, 0, 0.4), (50, 40, 0), (20, 40, 0), (0, 25, 0)], format="xyb", close=True)
    plate.add_circle((20, 18), 6)
    pair = doc.blocks.new("PAIR")
    pair.add_blockref("PLATE", (0, 0))
    pair.add_blockref("PLATE", (80, 0), dxfattribs={"rotation": 30})
    msp = doc.modelspace()
    msp.add_blockref("PLATE", (0, 200), dxfattribs={"xscale": 2, "yscale": 2, "rotation": 45})
    msp.add_blockref("PLATE", (300, 200), dxfattribs={"xscale": -1})
    msp.add_blockref("PAIR", (0, 400), dxfattribs={"rotation": 90})
    # Two columns and two rows of one block.
    msp.add_blockref(
        "PLATE", (400, 400), dxfattribs={"column_count": 2, "row_count": 2, "column_spacing": 90, "row_spacing": 70}
    )
    agrees(reader("drawing", save(doc, tmp_path)), true_regions(doc))


def test_a_circle_stretched_by_its_block_is_an_ellipse(reader, tmp_path):
    doc = new()
    doc.blocks.new("DISC").add_circle((0, 0), 20)
    doc.modelspace().add_blockref("DISC", (100, 100), dxfattribs={"xscale": 3, "yscale": 1, "rotation": 20})
    (part,) = reader("drawing", save(doc, tmp_path))["parts"]
    exact = math.pi * 60 * 20
    assert math.isclose(part["area_mm2"], exact, abs_tol=0.05)


def test_a_drawing_seen_from_behind(reader, tmp_path):
    """Extrusion (0, 0, −1): the object's own x runs the other way (DXF reference, arbitrary axis algorithm)."""
    doc = new()
    doc.modelspace().add_lwpolyline(
        [(10, 0, 0), (60, 0, 0.5), (60, 30, 0), (10, 50, 0)], format="xyb", close=True, dxfattribs={"extrusion": (0, 0, -1)}
    )
    drawing = reader("drawing", save(doc, tmp_path))
    in_place(drawing, true_regions(doc))
    assert max(x for x, _ in drawing["parts"][0]["outline"]) <= 0


# $INSUNITS by the DXF reference, mm to the unit, and the program's word for it.
@pytest.mark.parametrize(
    ("code", "mm", "word"),
    [(1, 25.4, "in"), (2, 304.8, "ft"), (4, 1, "mm"), (5, 10, "cm"), (6, 1000, "m"), (9, 0.0254, "mil"), (13, 0.001, "um")],
)
def test_units(reader, tmp_path, code, mm, word):
    doc = new(unit=code)
    # 240 × 90 mm with a quarter taken out of one corner, in the drawing's own unit.
    w, h, c = 240 / mm, 90 / mm, 30 / mm
    doc.modelspace().add_lwpolyline([(0, 0), (w, 0), (w, h - c), (w - c, h - c), (w - c, h), (0, h)], close=True)
    drawing = reader("drawing", save(doc, tmp_path))
    assert (drawing["unit"], drawing["unit_said_by"]) == (word, "file")
    assert math.isclose(drawing["parts"][0]["area_mm2"], 240 * 90 - 30 * 30, abs_tol=0.5)


def test_a_unit_that_is_not_said(reader, tmp_path):
    doc = new(unit=0)
    doc.modelspace().add_lwpolyline([(0, 0), (10, 0), (10, 5), (0, 5)], close=True)
    path = save(doc, tmp_path)
    assumed = reader("drawing", path)
    assert (assumed["unit"], assumed["unit_said_by"]) == ("mm", "assumed")
    assert assumed["parts"][0]["area_mm2"] == 50
    said = reader("drawing", path, "--unit", "in")
    assert (said["unit"], said["unit_said_by"]) == ("in", "option")
    assert math.isclose(said["parts"][0]["area_mm2"], 50 * 25.4**2, abs_tol=0.5)


@pytest.mark.parametrize("fmt", ["asc", "bin"])
@pytest.mark.parametrize("version", ["R12", "R2000", "R2004", "R2007", "R2010", "R2013", "R2018"])
def test_versions(reader, tmp_path, version, fmt):
    doc = ezdxf.new(version)
    if version != "R12":
        doc.units = units.MM
    msp = doc.modelspace()
    msp.add_polyline2d([(0, 0, 0.2), (70, 0, 0), (70, 50, -0.3), (0, 50, 0)], format="xyb", close=True)
    msp.add_circle((35, 25), 8)
    msp.add_line((200, 0), (300, 0))
    msp.add_line((300, 0), (250, 80))
    msp.add_line((250, 80), (200, 0))
    in_place(reader("drawing", save(doc, tmp_path, fmt=fmt)), true_regions(doc))


def test_what_is_not_closed_is_left_out_and_said(reader, tmp_path):
    doc = new()
    msp = doc.modelspace()
    msp.add_line((0, 0), (100, 0))
    msp.add_lwpolyline([(0, 50), (50, 80), (90, 50)])
    msp.add_text("engrave", height=5)
    drawing = reader("drawing", save(doc, tmp_path), status=1)
    assert drawing["parts"] == []
    assert len(drawing["left_out"]) >= 3
    assert all(row["what"] and row["why"] for row in drawing["left_out"])


# Library drawings of Debian's librecad-data 2.2.0: closed by themselves or by loose lines and arcs.
LIBRARY = Path("/usr/share/librecad/library")
LIBRARY_FILES = """
plan/architect/Bathroom-basin-V.dxf
plan/architect/Bathroom-bath-E.dxf
plan/architect/Bathroom-bath-V.dxf
plan/architect/Bathroom-sink-E.dxf
plan/architect/Breakfast-bar-E.dxf
plan/architect/Kitchen-cooker-V.dxf
plan/architect/Table-bed-E.dxf
plan/architect/Table-dining-E.dxf
elektro/lamp-iso/Neon.dxf
elektro/power-iso/ACB-1.dxf
elektro/power-iso/LTCB.dxf
elektro/motor/gen3.dxf
elektro/electronics-iso/Logic-AND.dxf
elektro/transistor-iso/Transistor-MOSFET-dep-Nc.dxf
kinetics/kin42.dxf
power_station/ed10.dxf
power_station/ed118.dxf
power_station/ed146.dxf
block/blk1.dxf
algoritm/alg2.dxf
algoritm/alg27.dxf
""".split()


@pytest.mark.parametrize("name", LIBRARY_FILES)
def test_library_drawings(reader, name):
    drawing = reader("drawing", LIBRARY / name)
    truth = true_regions(ezdxf.readfile(LIBRARY / name))
    in_place(drawing, truth)


def test_hostile_drawings(reader, tmp_path):
    """What is no drawing ends with status 2 and one line; what only lacks its end is read or refused, never worse."""
    doc = new()
    slot(doc.modelspace(), 0, 0, 60, 20)
    whole = save(doc, tmp_path).read_bytes()
    for name, data in {
        "empty.dxf": b"",
        "text.dxf": b"this is not a drawing\n" * 100,
        "zeros.dxf": bytes(100_000),
        "picture.dxf": b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40,
    }.items():
        path = tmp_path / name
        path.write_bytes(data)
        reader("drawing", path, status=2)
    for part in (0.2, 0.5, 0.9, 0.99):
        path = tmp_path / "torn.dxf"
        path.write_bytes(whole[: int(len(whole) * part)])
        assert reader.run("drawing", path).returncode in (0, 1, 2)
