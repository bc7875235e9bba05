"""Seconds that ezdxf and shapely take to read a DXF into closed regions: what `make bench` measures ours beside."""

import sys
import time

import ezdxf
import shapely
from outlines import FLATTEN
from shapely.geometry import LineString


def lines(msp):
    """Lines and curves as points on them, rounded so that ends meet."""
    for entity in msp:
        if entity.dxftype() == "LINE":
            yield [entity.dxf.start, entity.dxf.end]
        elif entity.dxftype() in {"ARC", "CIRCLE"}:
            yield list(entity.flattening(100 * FLATTEN))


begin = time.perf_counter()
doc = ezdxf.readfile(sys.argv[1])
read = time.perf_counter()
strokes = [LineString([(round(p.x, 3), round(p.y, 3)) for p in points]) for points in lines(doc.modelspace())]
regions = len(shapely.polygonize(strokes).geoms)
print(f"{read - begin:.3f} {time.perf_counter() - begin:.3f} {regions}")
