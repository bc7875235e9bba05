"""Draws what a customer sends, with ezdxf: customer_drawing.py NAME FILE. For the tests that drive the screens."""

import sys

import ezdxf
from ezdxf import units


def gear_plate(doc):
    """A plate with round corners, a window, and four holes from a block."""
    hole = doc.blocks.new("HOLE")
    hole.add_circle((0, 0), 4)
    msp = doc.modelspace()
    corner = 0.41421356  # bulge of a quarter circle: tan(90°/4)
    w, h, r = 260, 180, 30
    ring = [(r, 0, 0), (w - r, 0, corner), (w, r, 0), (w, h - r, corner), (w - r, h, 0), (r, h, corner), (0, h - r, 0), (0, r, corner)]
    msp.add_lwpolyline(ring, format="xyb", close=True)
    msp.add_ellipse((w / 2, h / 2), major_axis=(70, 0), ratio=0.6)
    for x, y in ((25, 25), (w - 25, 25), (25, h - 25), (w - 25, h - 25)):
        msp.add_blockref("HOLE", (x, y))


def dish(doc):
    """A bowl seen from the side: a spline closed by a line, and a slot."""
    msp = doc.modelspace()
    msp.add_spline_control_frame([(0, 0), (60, -90), (240, -90), (300, 0)])
    msp.add_line((300, 0), (0, 0))
    msp.add_lwpolyline([(120, -25, 0), (180, -25, 1), (180, -13, 0), (120, -13, 1)], format="xyb", close=True)


def open_lines(doc):
    """Nothing closed."""
    doc.modelspace().add_line((0, 0), (100, 20))


DRAWINGS = {"gear-plate": gear_plate, "dish": dish, "open-lines": open_lines}

if __name__ == "__main__":
    name, path = sys.argv[1:]
    doc = ezdxf.new("R2010", units=units.MM)
    DRAWINGS[name](doc)
    doc.saveas(path)
