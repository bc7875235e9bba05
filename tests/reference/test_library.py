"""Whole collections of drawings that others made for other ends: read by the program and by other libraries.

Reading all of them takes minutes: `make reference-whole` does; else some stand for the rest. Nothing of
them lies in this repository: where a collection is not installed, that is said and nothing of it is compared.
"""

import gzip
import json
import math
import os
import re
import subprocess
from collections import Counter
from pathlib import Path

import ezdxf
import numpy as np
import shapely
from outlines import strokes
from shapely.geometry import LineString, Point, Polygon
from svgpathtools import Document

WHOLE = bool(os.environ.get("SHEETLOFT_WHOLE"))

# mm to the unit, by the program's words.
UNITS = {"mm": 1, "cm": 10, "m": 1000, "in": 25.4, "ft": 304.8, "px": 25.4 / 96, "pt": 25.4 / 72}


def some(capsys, folder, pattern, part_of=1):
    """Each file of a collection, or each `part_of`-th; none where it is not installed."""
    files = sorted(Path(folder).rglob(pattern))
    if not files:
        assert not WHOLE, f"{folder} is not there"
        tell(capsys, f"{folder} is not there: nothing of it is compared")
    return files if WHOLE else files[::part_of]


def read(reader, path):
    """The drawing as the program reads it, or the one line that says why it does not. Never worse."""
    out = reader.run("drawing", path)
    assert out.returncode in (0, 1, 2), f"{path}: {out.returncode}: {out.stderr}"
    if out.returncode == 2:
        assert out.stdout == "" and out.stderr.count("\n") == 1, path
        return out.stderr
    return json.loads(out.stdout)


def tell(capsys, words):
    """What was compared, on the screen whatever pytest hides."""
    with capsys.disabled():
        print(f"\n{words}")


# --- DXF: Debian's librecad-data 2.2.0, 1 272 files. Source of what is right: ezdxf 1.4 and shapely 2.2.

# Ends this near meet: the program's own tolerance.
MEET_MM = 0.05
# Lines nearer than this may or may not cross, depending on how curves are flattened.
APART_MM = 0.1
# Chords of the reference are off by so much of a curve's own size: areas by a few parts in a million.
FINE = 2e-6


def closed_rings(lines):
    """Lines in mm: the rings they close to, each in one way only, and the widest gap between ends that were joined.
    None where ends could be joined in several ways."""
    rings, loose, gap = [], [], 0.0
    for line in lines:
        closed = len(line) > 3 and math.dist(line[0], line[-1]) <= MEET_MM
        (rings if closed else loose).append(line)
    # End 2 i is where line i begins, 2 i + 1 where it ends.
    ends = np.array([Point(line[end]) for line in loose for end in (0, -1)], dtype=object)
    meets = [None] * len(ends)
    for a, b in zip(*shapely.STRtree(ends).query(ends, predicate="dwithin", distance=MEET_MM).tolist()):
        if a != b and meets[a] is not None:
            return None
        if a != b:
            meets[a] = b
            gap = max(gap, ends[a].distance(ends[b]))
    seen = set()

    def walk(end):
        """From an end as far as the lines lead: their points, and whether that came round."""
        points = []
        while end is not None and end // 2 not in seen:
            seen.add(end // 2)
            points += loose[end // 2][:: -1 if end % 2 else 1]
            end = meets[end ^ 1]
        return points, end is not None

    # From loose ends first; what is left runs in rings.
    for end in [e for e in range(len(ends)) if meets[e] is None] + list(range(0, len(ends), 2)):
        if end // 2 not in seen:
            points, came_round = walk(end)
            if came_round and len(points) > 3:
                rings.append(points)
    return rings, gap


def closed_regions(msp, mm):
    """The regions of a drawing in mm where all can tell what they are: each closed outline closes in one way only, is
    simple, and stays clear of the others. None where that is not so. Of each region its area, its cut length, and
    how much of the area hangs on how ends were joined."""
    lines = [[(p.x * mm, p.y * mm) for p in points] for points in strokes(msp, FINE)]
    lines = [points for points in lines if len(points) > 1 and LineString(points).length > 1e-6]
    found = closed_rings(lines)
    if found is None:
        return None
    rings, gap = found
    shapes = [Polygon(points) for points in rings]
    if not all(s.is_valid and s.area > 0 for s in shapes):
        return None
    rims = np.array([s.exterior for s in shapes], dtype=object)
    near = shapely.STRtree(rims).query(rims, predicate="dwithin", distance=APART_MM)
    if any(a != b for a, b in zip(*near.tolist())):
        return None
    shapes.sort(key=lambda s: -s.area)
    inner = [s.representative_point() for s in shapes]
    around = [[j for j in range(i) if shapes[j].contains(inner[i])] for i in range(len(shapes))]
    regions = []
    for i, outer in enumerate(shapes):
        if len(around[i]) % 2 == 0:
            holes = [s for j, s in enumerate(shapes) if len(around[j]) == len(around[i]) + 1 and i in around[j]]
            length = outer.length + sum(h.length for h in holes)
            regions.append((outer.area - sum(h.area for h in holes), length, gap * length if gap > 0.001 else 0.0))
    return regions


def test_library_of_dxf(reader, capsys):
    told = Counter()
    for path in some(capsys, "/usr/share/librecad/library", "*.dxf", part_of=40):
        drawing = read(reader, path)
        told["read" if isinstance(drawing, dict) else "refused"] += 1
        try:
            doc = ezdxf.readfile(path)
        except ezdxf.DXFError:
            told["not read by ezdxf"] += 1
            continue
        msp = doc.modelspace()
        if not isinstance(drawing, dict):
            continue
        if any(e.dxftype() in {"HATCH", "SOLID"} for e in msp):
            told["with areas, not compared"] += 1
            continue
        try:
            regions = closed_regions(msp, UNITS[drawing["unit"]])
        except ZeroDivisionError:
            # It stumbles over a curve of no length.
            told["not read by ezdxf"] += 1
            continue
        if regions is None:
            told["with outlines that touch, cross or close in several ways: not compared"] += 1
            continue
        parts = [(p["area_mm2"], p) for p in drawing["parts"] for _ in range(p["quantity"])]
        parts.sort(key=lambda p: p[0])
        areas = sorted(regions)
        assert len(parts) == len(areas), f"{path}: {len(parts)} parts, {len(areas)} regions"
        for (said, part), (area, length, joined) in zip(parts, areas):
            assert abs(said - area) <= max(1e-4 * area, joined, 1e-6), f"{path}: {said}, {area}"
            chords = Polygon(part["outline"], part["holes"]).area
            assert abs(chords - area) <= max(1e-3 * area, MEET_MM * length), f"{path}: {chords}, {area}"
        told["equal" if areas else "equal, nothing closes"] += 1
        told["regions compared"] += len(areas)
    tell(capsys, f"library of DXF: {dict(told)}")
    assert told["equal"] > 10 or not told


# --- SVG: Debian's openclipart-svg 0.18, 8 121 files. Nothing else reads them into parts; what is asked is an answer in
# bounds. The jigsaw pieces among them are counted by svgpathtools 1.8.

CLIP_ART = "/usr/share/openclipart/svg"
# No more memory than this for any one drawing.
MEMORY_MB = 700


def test_clip_art_ends_with_an_answer_in_bounds(reader, capsys):
    told, most = Counter(), 0
    for path in some(capsys, CLIP_ART, "*.svg", part_of=200):
        command = reader.command("drawing", path)
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        said = process.stderr.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        assert process.returncode in (0, 1, 2), f"{path}: {process.returncode}: {said}"
        assert said.count("\n") == (process.returncode == 2), path
        told[{0: "with parts", 1: "nothing closed", 2: "refused"}[process.returncode]] += 1
        # Linux counts in KiB.
        most = max(most, used.ru_maxrss // 1024)
        assert most < MEMORY_MB, path
    tell(capsys, f"clip art: {dict(told)}; at most {most} MB for one")
    assert told["with parts"] > told["refused"] or not told


def pieces(path):
    """The closed outlines of an SVG that one cannot see through, in mm²: as svgpathtools reads them."""
    found = []
    for one in Document(str(path)).paths():
        style = dict(part.split(":", 1) for part in one.element.get("style", "").split(";") if ":" in part)
        solid = float(style.get("opacity", 1)) == 1 and float(style.get("fill-opacity", 1)) == 1
        closed = [s for s in one.continuous_subpaths() if s.isclosed()]
        found += [abs(s.area()) * UNITS["px"] ** 2 for s in closed if solid]
    return found


def test_jigsaw_pieces(reader, capsys):
    """Each file has one piece, over a shadow of it."""
    for path in some(capsys, f"{CLIP_ART}/shapes/jigsaw", "jigsaw_*.svg", part_of=6):
        (area,) = pieces(path)
        drawing = read(reader, path)
        assert [p["quantity"] for p in drawing["parts"]] == [1], path
        assert drawing["unit"] == "px", path
        assert math.isclose(drawing["parts"][0]["area_mm2"], area, rel_tol=1e-4), path
        assert [row["what"] for row in drawing["left_out"]] == ["line or curve"], "the shadow is said"


def test_a_shaded_jigsaw_piece_by_its_colour(reader, capsys):
    """Its lights and shades lie across each other; the colour of its body names the one outline that is meant."""
    for path in some(capsys, f"{CLIP_ART}/shapes/jigsaw", "puzzle_*.svg"):
        drawing = reader("drawing", path, "--unit", "px", "--layer", "#ffd53d")
        (part,) = drawing["parts"]
        assert any(math.isclose(part["area_mm2"], area, rel_tol=1e-4) for area in pieces(path))


# --- HP-GL: what Debian's hp2xx 3.4.4 is tested with, and hp2xx itself as the other reader: it writes what it has read
# as straight lines in plotter units.

HPGL = "/usr/share/doc/hp2xx/hp-tests"
# Files in which it neither fits the picture to a paper, cuts it there, nor draws in dashes, with their closed outlines.
HPGL_COMPARED = {
    "286x192.5_lq.hpg.gz": 3,
    "at.hpg": 1,
    "charsize.hp": 2,
    "ci.hp": 4,
    "colors.hp": 7,
    "mycolors.hp": 7,
    "ul.hp": 1,
    "win_1.hp.gz": 9,
}


def unpacked(path, folder):
    """The file itself, without its packing."""
    data = path.read_bytes()
    out = folder / path.name.removesuffix(".gz")
    out.write_bytes(gzip.decompress(data) if path.suffix == ".gz" else data)
    return out


def lines_by_hp2xx(path):
    """Lines in mm, from where the pen goes down to where it is lifted."""
    command = ["hp2xx", "-q", "-t", "-N", "-m", "hpgl", "-f", "-", str(path)]
    text = subprocess.run(command, capture_output=True, timeout=60).stdout.decode("latin-1")
    lines = []
    for pen, x, y in re.findall(r"P([UD])(-?[\d.]+),(-?[\d.]+)", text):
        point = (float(x) / 40, float(y) / 40)
        if pen == "D" and lines:
            lines[-1].append(point)
        # It lifts the pen here and there only to put it down again.
        elif not lines or math.dist(point, lines[-1][-1]) > 1e-6:
            lines.append([point])
    return lines


def size(points):
    xs, ys = zip(*points)
    return max(xs) - min(xs), max(ys) - min(ys)


def test_plotter_files(reader, capsys, tmp_path):
    for path in some(capsys, HPGL, "*.h*") + some(capsys, HPGL, "*.plt*"):
        drawing = read(reader, unpacked(path, tmp_path))
        assert isinstance(drawing, dict) and drawing["format"] == "plt", path
        if path.name not in HPGL_COMPARED:
            continue
        assert drawing["unit_said_by"] == "file"
        theirs = [size(line) for line in lines_by_hp2xx(unpacked(path, tmp_path)) if len(line) > 2]
        ours = [size(ring) for part in drawing["parts"] for ring in [part["outline"], *part["holes"]]]
        assert len(ours) == HPGL_COMPARED[path.name], path
        for w, h in ours:
            # A plotter unit.
            assert min(max(abs(w - a), abs(h - b)) for a, b in theirs) <= 0.025, f"{path}: {w} × {h}"
