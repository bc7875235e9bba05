"""Each place that the program reports, measured with another library; and fits that are known to exist.

Source of what is right: shapely 2.2 (GEOS) for containment and distance; for known fits, their construction; for
parts that cannot fit, the largest inscribed circle by GEOS.
"""

import json
import os
import random
from pathlib import Path

import pytest
import shapely
from outlines import placed, polygon, rows
from planted import around, too_small, wanted
from samples import grid, offcut, one, part
from shapely import affinity
from shapely.geometry import Point, Polygon

KERF_MM, MARGIN_MM = 0.2, 3.0
# Real numbers against real numbers.
EXACT_MM = 1e-6


def stock(shop, shapes, flaws=None, material="Ply 6"):
    """Brings the shapes in as offcuts, each with its flaws; their codes in the same order."""
    lines = [{"material": material, "rack": "A1", "cost": "1.00", **rows(s)} for s in shapes]
    for line, spots in zip(lines, flaws or []):
        line["flaws"] = [{**rows(spot), "why": "A spot"} for spot in spots]
    return [p["piece"] for p in shop("stock", "import", shop.lines("stock.jsonl", lines))["pieces"]]


def ask(shop, parts, *options, top=5, material="Ply 6"):
    """Asks for all parts at once; the answers in order."""
    lines = [{"id": f"q{i}", **rows(p)} for i, p in enumerate(parts)]
    out = shop.run("find", "--material", material, "--parts", shop.lines("parts.jsonl", lines), "--top", top, *options)
    assert out.returncode in (0, 1), out.stderr
    queries = json.loads(out.stdout)["queries"]
    assert [q["id"] for q in queries] == [f"q{i}" for i in range(len(parts))]
    assert out.returncode == (0 if all(q["fits"] for q in queries) else 1)
    return queries


def holds(shape, piece, fit, clear, flaws=()):
    """The place is good: inside, and far enough from rim, holes and flaws; the spare is what is said, rounded down."""
    lies = placed(shape, fit["place"])
    assert piece.covers(lies), "outside the piece"
    rim = [piece.exterior, *piece.interiors]
    spare = min(lies.distance(ring) for ring in [*rim, *flaws]) - clear
    assert fit["spare_mm"] >= 0
    assert not any(lies.intersects(flaw) for flaw in flaws)
    # Rounding to whole µm; and where corners were rounded as they were turned, one more that is asked for, and that.
    rounded = 0.001 if fit["place"]["turn_deg"] % 90 == 0 else 0.003
    assert -EXACT_MM <= spare - fit["spare_mm"] <= rounded + EXACT_MM, f"{spare} to spare, {fit['spare_mm']} said"


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("options", "turns"),
    [
        (["--turn", "any"], None),
        (["--turn", "any", "--flip"], None),
        (["--turn", "quarter"], {0, 90, 180, 270}),
        (["--turn", "half", "--flip"], {0, 180}),
        (["--turn", "none"], {0}),
    ],
)
def test_reported_places(shop, seed, options, turns):
    rng = random.Random(seed)
    pieces = [offcut(rng) for _ in range(40)]
    codes = dict(zip(stock(shop, pieces), pieces))
    parts = [part(rng) for _ in range(16)]
    found = 0
    for shape, query in zip(parts, ask(shop, parts, *options)):
        areas = [fit["area_mm2"] for fit in query["fits"]]
        assert areas == sorted(areas), "smallest first"
        assert query["looked_at"] >= len(query["fits"]) + query["ruled_out"] + len(query["too_close"])
        assert query["looked_at"] == len(pieces)
        for fit in query["fits"]:
            piece = codes[fit["piece"]]
            assert fit["area_mm2"] == pytest.approx(piece.area, abs=0.01)
            if turns is not None:
                assert fit["place"]["turn_deg"] % 360 in turns
            if "--flip" not in options:
                assert not fit["place"]["flip"]
            holds(shape, piece, fit, KERF_MM + MARGIN_MM)
            found += 1
    assert found > 20, "the sample has fits to measure"


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_fits_that_are_known_to_exist(shop, seed):
    """A piece drawn in by its clearance and half a millimetre more, then turned anyhow, fits that piece."""
    rng = random.Random(seed)
    pieces = [offcut(rng) for _ in range(25)]
    codes = stock(shop, pieces)
    parts = []
    for piece in pieces:
        inner = piece.buffer(-(KERF_MM + MARGIN_MM + 0.5), join_style="mitre").simplify(0.05)
        inner = max(getattr(inner, "geoms", [inner]), key=lambda g: g.area)
        turned = affinity.rotate(inner, rng.uniform(0, 360), origin=(0, 0))
        parts.append(grid(affinity.translate(turned, rng.uniform(-500, 500), rng.uniform(-500, 500))))
    by_code = dict(zip(codes, pieces))
    for i, query in enumerate(ask(shop, parts, "--turn", "any", top=1)):
        near = {row["piece"] for row in query["too_close"]}
        # Never ruled out: found in it or in a smaller one, or at the least called too close.
        assert query["fits"] or codes[i] in near, f"{codes[i]} holds its own part"
        for fit in query["fits"]:
            assert fit["area_mm2"] <= pieces[i].area + 0.01 or codes[i] in near
            holds(parts[i], by_code[fit["piece"]], fit, KERF_MM + MARGIN_MM)


@pytest.mark.parametrize("seed", [21, 22])
def test_parts_that_cannot_fit(shop, seed):
    """A disc larger than the largest circle inside any piece fits nowhere, and that is proven, not guessed."""
    rng = random.Random(seed)
    pieces = [offcut(rng) for _ in range(20)]
    stock(shop, pieces)
    largest = max(shapely.maximum_inscribed_circle(p, tolerance=0.01).length for p in pieces)
    disc = grid(Point(0, 0).buffer(largest - KERF_MM - MARGIN_MM + 1, quad_segs=16))
    (query,) = ask(shop, [disc], "--turn", "any")
    assert query["fits"] == []
    assert query["ruled_out"] == len(pieces)
    # And one a little smaller does fit.
    disc = grid(Point(0, 0).buffer(largest - KERF_MM - MARGIN_MM - 1, quad_segs=16))
    (query,) = ask(shop, [disc], "--turn", "any")
    assert len(query["fits"]) >= 1


# Kerf and margin, and what a gap between parts must not change for one part alone.
CLEAR = [(0, 0, 0), (0.2, 0, 1), (1.3, 2.5, 0), (3, 0, 5)]


@pytest.mark.parametrize(("kerf", "margin", "gap"), CLEAR)
def test_planted_fits_are_all_found(shop, kerf, margin, gap):
    """Slanted, with holes and flaws, with 0.02 to 2 mm to spare: each part is found in the piece made around it, and
    wherever else it is said to fit, it does."""
    rng = random.Random(f"{kerf} {margin}")
    spares = [0.02, 0.1, 0.5, 2] * 6
    parts = [wanted(rng) for _ in spares]
    made = [around(rng, p, kerf + margin + spare) for p, spare in zip(parts, spares)]
    codes = stock(shop, [piece for piece, _ in made], [flaws for _, flaws in made])
    by_code = dict(zip(codes, made))
    options = ["--kerf", kerf, "--margin", margin, "--gap", gap, "--turn", "any"]
    fits = 0
    for i, query in enumerate(ask(shop, parts, *options, top=1_000)):
        found = [fit["piece"] for fit in query["fits"]]
        assert codes[i] in found, f"with {spares[i]} mm to spare: {query}"
        assert query["looked_at"] == len(found) + query["ruled_out"] + len(query["too_close"])
        for fit in query["fits"]:
            piece, flaws = by_code[fit["piece"]]
            holds(parts[i], piece, fit, kerf + margin, flaws)
            fits += 1
    assert fits > 100


@pytest.mark.parametrize(("kerf", "margin", "gap"), CLEAR[1:])
def test_what_lacks_a_little_is_never_reported(shop, kerf, margin, gap):
    rng = random.Random(f"{margin} {kerf}")
    lacks = [lack for lack in [0.02, 0.1, 0.5, 2, 5] * 5 if lack < kerf + margin]
    hulls = [grid(wanted(rng).convex_hull) for _ in lacks]
    codes = stock(shop, [too_small(rng, hull, kerf + margin, lack) for hull, lack in zip(hulls, lacks)])
    options = ["--kerf", kerf, "--margin", margin, "--gap", gap, "--turn", "any", "--flip"]
    close = 0
    for i, query in enumerate(ask(shop, hulls, *options, top=1_000)):
        assert codes[i] not in [fit["piece"] for fit in query["fits"]], f"lacks {lacks[i]} mm"
        close += codes[i] in [row["piece"] for row in query["too_close"]]
    assert close == 0, "each is proven not to fit"


# Sheets cut up without waste, whose parts therefore fit the holes that they left: H. Terashima-Marín and others, second
# set (convex and nonconvex), from the ESICUP data sets, repository ESICUP/datasets, CC0 1.0. The file lies in the
# folder that SHEETLOFT_DATA names, or beside the repository.
DATA = Path(os.environ.get("SHEETLOFT_DATA", Path(__file__).parents[3] / "shared/data")) / "sheets/solved.json"


# Without the data there is nothing to ask.
@pytest.mark.parametrize("data", [DATA] if DATA.is_file() else [])
def test_parts_of_published_sheets_fit_the_holes_they_left(shop, data):
    """0.1 mm wider all around, each part is found in its hole; 0.1 mm narrower, it is not."""
    rng = random.Random(5)
    cases = json.loads(data.read_text(encoding="utf-8"))
    count = 0
    for case in rng.sample(cases, 3):
        holes = [grid(Polygon(ring)) for sheet in case["solution"] for ring in sheet]
        parts = [grid(affinity.rotate(hole, rng.uniform(0, 360), origin=(0, 0))) for hole in holes]
        for name, by in [("wider", 0.1), ("narrower", -0.1)]:
            material = f"{case['name']} {name}"
            shop("material", "add", "--name", material, "--thickness", "6")
            rooms = [one(hole.buffer(by, join_style="mitre")) for hole in holes]
            codes = stock(shop, [grid(room) for room in rooms], material=material)
            for i, query in enumerate(ask(shop, parts, "--turn", "any", top=1_000, material=material)):
                found = {fit["piece"]: fit for fit in query["fits"]}
                if by > 0:
                    assert codes[i] in found, f"{case['name']}, part {i}"
                    holds(parts[i], grid(rooms[i]), found[codes[i]], 0)
                    count += 1
                else:
                    assert codes[i] not in found, f"{case['name']}, part {i}"
    assert count > 60


def test_flaws_are_kept_clear_of(shop):
    rng = random.Random(31)
    pieces = [grid(affinity.translate(shapely.box(0, 0, 600, 400), 50 * i, 0)) for i in range(3)]
    codes = stock(shop, pieces)
    flaws = {}
    for code, piece in zip(codes, pieces):
        flaw = affinity.rotate(shapely.box(0, 0, 160, 60), rng.uniform(0, 90), origin=(0, 0))
        x0, y0, _, _ = piece.bounds
        flaw = grid(affinity.translate(flaw, x0 + 250, y0 + 120))
        path = shop.write("flaw.json", json.dumps(rows(flaw)))
        shop("flaw", "add", code, "--shape", path, "--why", "scratched")
        flaws[code] = flaw
    by_code = dict(zip(codes, pieces))
    parts = [part(rng) for _ in range(12)]
    found = 0
    for shape, query in zip(parts, ask(shop, parts, "--turn", "any")):
        for fit in query["fits"]:
            holds(shape, by_code[fit["piece"]], fit, KERF_MM + MARGIN_MM, [flaws[fit["piece"]]])
            found += 1
    assert found > 10


def test_stock_comes_out_as_it_went_in(shop):
    rng = random.Random(41)
    pieces = [offcut(rng) for _ in range(30)]
    for code, piece in zip(stock(shop, pieces), pieces):
        shown = shop("stock", "show", code)
        assert polygon(shown).equals(piece)
        assert shown["area_mm2"] == pytest.approx(piece.area, abs=0.01)
        w, h = shown["largest_rectangle_mm"]
        assert w * h <= piece.area + 0.01
        # 6 mm of 680 kg/m³.
        assert shown["weight_kg"] == pytest.approx(piece.area * 6 * 680e-9, abs=0.01)
