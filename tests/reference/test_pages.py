"""Drawings written by programs that paint pages, from shapes known by formula: cairo, reportlab, and inkscape where it
is there. The same shapes as SVG by cairo.

Source of what is right: the formulas. Tolerance of areas: 0.01 % for the curves themselves (a circle of four cubic
curves, as all of these write it, is 0.03 % of its radius too wide in places: Riskus 2006, from memory, so areas of
circles within 0.06 %); for the chords 0.05 mm times the cut length.
"""

import math
import shutil
import subprocess

import cairocffi as cairo
import pytest
from outlines import polygon
from reportlab.pdfgen import canvas

MM = 72 / 25.4
PAGE_MM = (400, 300)


class Known:
    """Shapes in mm, drawn by means of move, line, curve (cubic) and close; y runs up."""

    # A plate with round corners and a round hole; a ring; a triangle; a leaf of two cubic curves.
    W, H, R, HOLE = 120, 80, 15, 20
    RING = (45, 30)
    TRIANGLE = (90, 60)
    LEAF = (80, 30)

    @classmethod
    def areas(cls):
        plate = cls.W * cls.H - (4 - math.pi) * cls.R**2 - math.pi * cls.HOLE**2
        ring = math.pi * (cls.RING[0] ** 2 - cls.RING[1] ** 2)
        triangle = cls.TRIANGLE[0] * cls.TRIANGLE[1] / 2
        # Each half under a cubic curve with its control points at the height h over the ends: 3/5 of w h, by integration.
        leaf = 2 * 0.6 * cls.LEAF[0] * cls.LEAF[1]
        return sorted([plate, ring, triangle, leaf])

    @classmethod
    def draw(cls, pen):
        def circle(x, y, r):
            k = 4 / 3 * (math.sqrt(2) - 1) * r
            pen.move(x + r, y)
            pen.curve(x + r, y + k, x + k, y + r, x, y + r)
            pen.curve(x - k, y + r, x - r, y + k, x - r, y)
            pen.curve(x - r, y - k, x - k, y - r, x, y - r)
            pen.curve(x + k, y - r, x + r, y - k, x + r, y)
            pen.close()

        x, y, w, h, r = 20, 20, cls.W, cls.H, cls.R
        k = r - 4 / 3 * (math.sqrt(2) - 1) * r
        pen.move(x + r, y)
        pen.line(x + w - r, y)
        pen.curve(x + w - k, y, x + w, y + k, x + w, y + r)
        pen.line(x + w, y + h - r)
        pen.curve(x + w, y + h - k, x + w - k, y + h, x + w - r, y + h)
        pen.line(x + r, y + h)
        pen.curve(x + k, y + h, x, y + h - k, x, y + h - r)
        pen.line(x, y + r)
        pen.curve(x, y + k, x + k, y, x + r, y)
        pen.close()
        circle(x + w / 2, y + h / 2, cls.HOLE)
        for r in cls.RING:
            circle(220, 80, r)
        pen.move(20, 150)
        pen.line(20 + cls.TRIANGLE[0], 150)
        pen.line(20, 150 + cls.TRIANGLE[1])
        pen.close()
        w, h = cls.LEAF
        pen.move(200, 200)
        pen.curve(200, 200 - h, 200 + w, 200 - h, 200 + w, 200)
        pen.curve(200 + w, 200 + h, 200, 200 + h, 200, 200)
        pen.close()


class CairoPen:
    def __init__(self, context):
        self.move, self.line, self.curve, self.close = (
            context.move_to,
            context.line_to,
            context.curve_to,
            context.close_path,
        )


class ReportlabPen:
    def __init__(self, path):
        self.move, self.line, self.curve, self.close = path.moveTo, path.lineTo, path.curveTo, path.close


def by_cairo(surface_of, path, filled=False):
    surface = surface_of(str(path), *(mm * MM for mm in PAGE_MM))
    context = cairo.Context(surface)
    context.translate(0, PAGE_MM[1] * MM)
    context.scale(MM, -MM)
    context.set_line_width(0.1)
    context.set_fill_rule(cairo.FILL_RULE_EVEN_ODD)
    Known.draw(CairoPen(context))
    context.fill() if filled else context.stroke()
    surface.finish()
    return path


def cairo_pdf(path):
    return by_cairo(cairo.PDFSurface, path)


def cairo_pdf_of_areas(path):
    return by_cairo(cairo.PDFSurface, path, filled=True)


def cairo_svg(path):
    return by_cairo(cairo.SVGSurface, path.with_suffix(".svg"))


def reportlab_pdf(path, packed=1):
    page = canvas.Canvas(str(path), pagesize=[mm * MM for mm in PAGE_MM], pageCompression=packed)
    page.scale(MM, MM)
    page.setLineWidth(0.1)
    # A form, painted in its place: what is used again and again.
    page.beginForm("shapes")
    outline = page.beginPath()
    Known.draw(ReportlabPen(outline))
    page.drawPath(outline)
    page.endForm()
    page.doForm("shapes")
    page.save()
    return path


def reportlab_pdf_in_plain_text(path):
    return reportlab_pdf(path, packed=0)


def inkscape_pdf(path):
    """From the SVG that cairo writes."""
    if shutil.which("inkscape") is None:
        return None
    svg = cairo_svg(path)
    subprocess.run(["inkscape", str(svg), f"--export-filename={path}"], check=True, capture_output=True, timeout=120)
    return path


WRITERS = [cairo_pdf, cairo_pdf_of_areas, cairo_svg, reportlab_pdf, reportlab_pdf_in_plain_text, inkscape_pdf]


@pytest.mark.parametrize("write", WRITERS, ids=lambda w: w.__name__)
def test_known_shapes(reader, tmp_path, write):
    path = write(tmp_path / "known.pdf")
    if path is None:
        return
    drawing = reader("drawing", path)
    # Pages are in points, and both say so; sizes come out in mm.
    assert (drawing["unit"], drawing["unit_said_by"]) == ("pt", "file")
    parts = sorted(drawing["parts"], key=lambda p: p["area_mm2"])
    assert [p["quantity"] for p in parts] == [1] * 4, drawing["left_out"]
    for part, exact in zip(parts, Known.areas()):
        assert math.isclose(part["area_mm2"], exact, rel_tol=6e-4), (part["name"], exact)
        chords = polygon(part)
        assert -0.002 * part["cut_mm"] <= chords.area - part["area_mm2"] <= 0.052 * part["cut_mm"]
    whole = [polygon(p).bounds for p in parts]
    assert math.isclose(min(b[0] for b in whole), 20, abs_tol=0.06)
    assert math.isclose(min(b[1] for b in whole), 20, abs_tol=0.06)


def test_straight_lines_are_exact(reader, tmp_path):
    """Nothing but rounding to what the writer writes: 6 digits by cairo, hundredths of a point by neither."""
    drawing = reader("drawing", cairo_pdf(tmp_path / "known.pdf"))
    w, h = Known.TRIANGLE
    assert any(math.isclose(p["area_mm2"], w * h / 2, rel_tol=1e-4) for p in drawing["parts"])


def test_every_page_is_read(reader, tmp_path):
    path = tmp_path / "pages.pdf"
    page = canvas.Canvas(str(path), pagesize=(300, 300))
    for side in (72, 144):
        page.rect(36, 36, side, side)
        page.showPage()
    page.save()
    drawing = reader("drawing", path)
    found = [(p["page"], round(p["area_mm2"], 1)) for p in drawing["parts"]]
    assert found == [(1, round(25.4**2, 1)), (2, round(50.8**2, 1))]


def test_an_illustration_with_a_pdf_inside(reader, tmp_path):
    """What drawing programs call .ai is a PDF with more behind it."""
    path = tmp_path / "known.ai"
    path.write_bytes(cairo_pdf(tmp_path / "known.pdf").read_bytes())
    assert len(reader("drawing", path)["parts"]) == 4


def test_the_safe_side_of_a_part_and_of_a_piece(shop, tmp_path):
    """A ring as a part never comes out smaller than it is, as a piece of stock never larger."""
    path = tmp_path / "ring.svg"
    outer, inner = Known.RING
    circles = "".join(f'<circle cx="50" cy="50" r="{r}" fill="none" stroke="#000"/>' for r in Known.RING)
    path.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">{circles}</svg>'
    )
    exact = math.pi * (outer**2 - inner**2)
    length = 2 * math.pi * (outer + inner)
    part = polygon(shop("drawing", path)["parts"][0])
    assert exact < part.area <= exact + 0.05 * length
    shop("offcut", "add", "--material", "Ply 6", "--drawing", path, "--rack", "A1")
    (row,) = shop("stock", "list")["pieces"]
    piece = polygon(shop("stock", "show", row["piece"]))
    assert exact - 0.05 * length <= piece.area < exact
    # Hole for hole and rim for rim.
    assert part.exterior.length > piece.exterior.length and part.interiors[0].length < piece.interiors[0].length
