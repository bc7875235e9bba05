//! `demo`: the demonstration shop, a workshop that builds exhibits for a children's science museum.
//!
//! Everything in it is invented, and goes through the same use-cases that a person uses.

use std::f64::consts::TAU;

use crate::action::{self, Given};
use crate::answer::{Changed, DemoAnswer};
use crate::door::{Job, upload};
use crate::error::Error;
use crate::host::Host;
use crate::shop::Shop;
use crate::{cut, hold, material, order, piece, place, plan, rack, receive, say, stock};

type Ring = Vec<[f64; 2]>;

/// A part by name: its outline and holes.
type Part = (&'static str, Ring, Vec<Ring>);

/// Fills an empty shop.
pub fn demo(shop: &mut Shop, host: &mut dyn Host, job: &Job) -> Result<(DemoAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    if !reader.materials()?.is_empty() || !reader.racks()?.is_empty() || !reader.orders()?.is_empty() {
        return Err(Error::refused(say!("refused-demo")));
    }
    let mut changed = Vec::new();
    for name in ["Tall rack", "Low rack", "Offcut bin", "Saw wall"] {
        changed
            .extend(rack::add(shop, host, &action::RackAdd { name: name.to_owned(), ..action::RackAdd::default() })?.1);
    }
    materials(shop, host, &mut changed)?;
    machines(shop, host, &mut changed)?;
    deliveries(shop, host, &mut changed)?;
    job.report(1, 4);
    let pieces = offcuts(shop, host, &mut changed)?;
    let scratched = action::FlawAdd {
        piece: pieces[0].clone(),
        rect: Some("60mm,50mm,90mmx40mm".to_owned()),
        why: "deep scratch".to_owned(),
        ..action::FlawAdd::default()
    };
    changed.extend(piece::flaw_add(shop, host, &scratched)?.1);
    job.report(2, 4);
    let orders = orders(shop, host, &mut changed)?;
    job.report(3, 4);
    // One order is done, one is planned and held, the others wait.
    for (n, code) in orders.iter().take(2).enumerate() {
        // The first plan found is good enough to show, and quick.
        let with = action::Plan { orders: vec![code.clone()], rounds: Some("0".to_owned()), ..action::Plan::default() };
        let made = plan::make(shop, &with, &Job::default(), &|| 0.0)?;
        let (made, new) = plan::keep(shop, host, made)?;
        changed.extend(new);
        changed.extend(hold::hold(shop, host, &action::Hold { plan: made.plan.clone(), over: None })?.1);
        if n == 0 {
            let with = action::Cut { plan: made.plan, ..action::Cut::default() };
            changed.extend(cut::cut(shop, host, &with)?.1);
        }
    }
    job.report(4, 4);
    let count = stock::list(shop, &action::StockList::default())?.pieces.len();
    Ok((DemoAnswer { pieces: count, orders: orders.len() }, changed))
}

fn some(text: &str) -> Option<String> {
    Some(text.to_owned())
}

/// Densities: acrylic from makers' data sheets; birch plywood and MDF common practice, no source. Prices invented.
fn materials(shop: &mut Shop, host: &mut dyn Host, changed: &mut Vec<Changed>) -> Result<(), Error> {
    let all = [
        ("Acrylic clear 3 mm", "3mm", "1190", "none", "0.2mm", "2mm", "26.50", None),
        ("Acrylic opal 5 mm", "5mm", "1190", "none", "0.25mm", "2mm", "44.00", None),
        ("Birch plywood 9 mm", "9mm", "710", "long", "0.3mm", "2mm", "21.80", None),
        ("MDF 6 mm", "6mm", "750", "none", "0.3mm", "2mm", "7.90", None),
        ("PVC foam board 10 mm", "10mm", "550", "none", "3mm", "4mm", "17.20", Some("gives off hydrogen chloride")),
    ];
    for (name, thickness, density, grain, kerf, gap, price, not_for_laser) in all {
        let with = action::MaterialAdd {
            name: name.to_owned(),
            thickness: thickness.to_owned(),
            density: some(density),
            grain: some(grain),
            sides: some("same"),
            kerf: some(kerf),
            gap: some(gap),
            margin: some("3mm"),
            keep_from: some("150mmx80mm"),
            not_for_laser: not_for_laser.map(str::to_owned),
            price: some(&decimals(shop, price)),
            offcut_value: some("60"),
            size_tolerance: some("0mm"),
            stock_sizes: vec![action::StockSizeGiven {
                size: "8ftx4ft".to_owned(),
                price: None,
                supplier: some("Panel yard"),
            }],
            reorder_at: some("1"),
            reorder_count: some("4"),
            sort: Some(
                ["acrylic", "plywood", "mdf"]
                    .into_iter()
                    .find(|s| name.to_lowercase().contains(s))
                    .unwrap_or("other")
                    .to_owned(),
            ),
            // Invented, as the prices are.
            made: name.starts_with("Acrylic").then(|| "cast".to_owned()),
            substitutes: Vec::new(),
        };
        changed.extend(material::add(shop, host, &with)?.1);
    }
    Ok(())
}

/// A sum written with two decimals in a currency that has fewer.
fn decimals(shop: &Shop, sum: &str) -> String {
    match shop.currency().decimals {
        0 => sum.replace('.', ""),
        _ => sum.to_owned(),
    }
}

fn machines(shop: &mut Shop, host: &mut dyn Host, changed: &mut Vec<Changed>) -> Result<(), Error> {
    for (name, bed, kind, thickness) in
        [("Large laser", "2500mmx1300mm", "laser", Some("20mm")), ("Router table", "3050mmx1550mm", "router", None)]
    {
        let with = action::MachineAdd {
            name: name.to_owned(),
            bed: some(bed),
            kind: some(kind),
            max_thickness: thickness.map(str::to_owned),
            ..action::MachineAdd::default()
        };
        changed.extend(place::machine_add(shop, host, &with)?.1);
    }
    for material in ["Birch plywood 9 mm", "MDF 6 mm"] {
        let with = action::MachineAdd {
            name: "Router table".to_owned(),
            material: some(material),
            kerf: some("6mm"),
            ..action::MachineAdd::default()
        };
        changed.extend(place::machine_add(shop, host, &with)?.1);
    }
    Ok(())
}

fn deliveries(shop: &mut Shop, host: &mut dyn Host, changed: &mut Vec<Changed>) -> Result<(), Error> {
    let all = [
        ("Acrylic clear 3 mm", "6", "8ftx4ft", "74.50", "38.00", "Tall rack", "1"),
        ("Acrylic opal 5 mm", "3", "8ftx4ft", "128.00", "24.00", "Tall rack", "0"),
        ("Birch plywood 9 mm", "5", "2440mmx1220mm", "61.20", "30.00", "Saw wall", "0"),
        ("MDF 6 mm", "8", "2440mmx1220mm", "21.40", "26.00", "Saw wall", "1"),
    ];
    for (material, sheets, size, cost, freight, rack, damaged) in all {
        let with = action::Receive {
            material: material.to_owned(),
            sheets: sheets.to_owned(),
            size: size.to_owned(),
            unit_cost: decimals(shop, cost),
            freight: some(&decimals(shop, freight)),
            rack: some(rack),
            damaged: some(damaged),
            supplier: some("Panel yard"),
            ..action::Receive::default()
        };
        changed.extend(receive::receive(shop, host, &with)?.1);
    }
    Ok(())
}

/// Offcuts as they really come: rectangles, corners cut away, frames, slanted ends.
fn offcuts(shop: &mut Shop, host: &mut dyn Host, changed: &mut Vec<Changed>) -> Result<Vec<String>, Error> {
    let corner = |w: f64, h: f64, x: f64, y: f64| -> (Ring, Vec<Ring>) {
        (vec![[0.0, 0.0], [w, 0.0], [w, h - y], [w - x, h - y], [w - x, h], [0.0, h]], vec![])
    };
    let slanted = |w: f64, h: f64, cut: f64| -> (Ring, Vec<Ring>) {
        (vec![[0.0, 0.0], [w, 0.0], [w - cut, h], [0.0, h]], vec![])
    };
    let frame = |w: f64, h: f64, rim: f64| -> (Ring, Vec<Ring>) {
        (
            vec![[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]],
            vec![vec![[rim, rim], [rim, h - rim], [w - rim, h - rim], [w - rim, rim]]],
        )
    };
    let holed = |w: f64, h: f64, r: f64| -> (Ring, Vec<Ring>) {
        (vec![[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]], vec![circle(w * 0.3, h * 0.5, r, 48)])
    };
    let bitten = |w: f64, h: f64, r: f64| -> (Ring, Vec<Ring>) {
        // A round disc was cut from the upper right corner.
        let mut ring = vec![[0.0, 0.0], [w, 0.0], [w, h - r]];
        ring.extend((1..12).map(|i| {
            let a = f64::from(i) * TAU / 48.0;
            [w - r * a.sin(), h - r * a.cos()]
        }));
        ring.extend([[w - r, h], [0.0, h]]);
        (ring, vec![])
    };
    let all = [
        ("Acrylic clear 3 mm", holed(820.0, 410.0, 95.0), "Offcut bin", "tape", Some("5.40")),
        ("Acrylic clear 3 mm", corner(610.0, 540.0, 260.0, 180.0), "Offcut bin", "tape", Some("5.10")),
        ("Acrylic clear 3 mm", slanted(720.0, 260.0, 210.0), "Low rack", "tape", Some("2.60")),
        ("Acrylic clear 3 mm", bitten(480.0, 450.0, 300.0), "Offcut bin", "machine", Some("2.30")),
        ("Acrylic clear 3 mm", slanted(390.0, 330.0, 40.0), "Offcut bin", "guess", None),
        ("Acrylic opal 5 mm", corner(940.0, 600.0, 410.0, 250.0), "Low rack", "tape", Some("11.90")),
        ("Acrylic opal 5 mm", bitten(520.0, 380.0, 220.0), "Offcut bin", "machine", Some("4.20")),
        ("Birch plywood 9 mm", corner(1220.0, 730.0, 500.0, 340.0), "Saw wall", "tape", Some("9.80")),
        ("Birch plywood 9 mm", slanted(900.0, 420.0, 160.0), "Saw wall", "tape", Some("4.60")),
        ("Birch plywood 9 mm", frame(780.0, 620.0, 110.0), "Saw wall", "machine", Some("3.90")),
        ("MDF 6 mm", holed(1100.0, 560.0, 140.0), "Saw wall", "tape", Some("2.70")),
        ("MDF 6 mm", slanted(640.0, 500.0, 120.0), "Saw wall", "tape", Some("1.30")),
        ("PVC foam board 10 mm", corner(1200.0, 800.0, 300.0, 300.0), "Low rack", "tape", None),
    ];
    let mut codes = Vec::new();
    for (material, (outline, holes), rack, known, cost) in all {
        let with = action::OffcutAdd {
            material: material.to_owned(),
            given: Given {
                shape: Some(upload("shape.json", json(None, &outline, &holes).as_bytes())),
                ..Given::default()
            },
            rack: some(rack),
            known: some(known),
            // Two were found behind the rack and cost nothing.
            cost: cost.map(|sum| decimals(shop, sum)),
            ..action::OffcutAdd::default()
        };
        let (added, new) = stock::offcut_add(shop, host, &with)?;
        codes.push(added.piece);
        changed.extend(new);
    }
    Ok(codes)
}

fn orders(shop: &mut Shop, host: &mut dyn Host, changed: &mut Vec<Changed>) -> Result<Vec<String>, Error> {
    let maze = [
        ("maze-base", rounded(420.0, 300.0, 25.0), vec![]),
        ("maze-lid", rounded(420.0, 300.0, 25.0), vec![circle(60.0, 60.0, 12.0, 32), circle(360.0, 240.0, 12.0, 32)]),
    ];
    let gears = [
        ("gear-24", gear(24, 118.0, 98.0), vec![circle(0.0, 0.0, 10.0, 32)]),
        ("gear-16", gear(16, 82.0, 66.0), vec![circle(0.0, 0.0, 10.0, 32)]),
        ("gear-10", gear(10, 56.0, 42.0), vec![circle(0.0, 0.0, 10.0, 32)]),
    ];
    let theatre = [("arch", arch(640.0, 420.0, 70.0), vec![]), ("moon", moon(110.0, 80.0), vec![])];
    let table = [
        ("lens-ring", circle(0.0, 0.0, 210.0, 96), vec![circle(0.0, 0.0, 160.0, 96)]),
        ("lens-foot", rounded(200.0, 90.0, 30.0), vec![]),
    ];
    let all: [(&str, &str, &str, &str, &[Part]); 4] = [
        ("Magnet maze", "Hall of forces", "Acrylic clear 3 mm", "2", &maze),
        ("Gear wall", "Hall of forces", "Birch plywood 9 mm", "2", &gears),
        ("Shadow theatre", "Light room", "MDF 6 mm", "1", &theatre),
        ("Lens table", "Light room", "Acrylic opal 5 mm", "3", &table),
    ];
    let mut codes = Vec::new();
    for (name, customer, material, quantity, parts) in all {
        let with = action::OrderNew { name: name.to_owned(), customer: some(customer), due: None };
        let (opened, new) = order::new(shop, host, &with)?;
        changed.extend(new);
        let lines: String = parts.iter().map(|(id, outline, holes)| json(Some(id), outline, holes) + "\n").collect();
        let file = format!("{}.jsonl", name.to_lowercase().replace(' ', "-"));
        let with = action::OrderAdd {
            order: opened.order.clone(),
            given: Given { parts: Some(upload(&file, lines.as_bytes())), ..Given::default() },
            material: some(material),
            quantity: some(quantity),
            name: some(name),
            ..action::OrderAdd::default()
        };
        changed.extend(order::add(shop, host, &with)?.1);
        codes.push(opened.order);
    }
    Ok(codes)
}

fn json(id: Option<&str>, outline: &Ring, holes: &[Ring]) -> String {
    let mut value = serde_json::json!({ "outline": outline, "holes": holes });
    if let Some(id) = id {
        value["id"] = id.into();
    }
    value.to_string()
}

fn circle(x: f64, y: f64, r: f64, corners: u32) -> Ring {
    (0..corners)
        .map(|i| {
            let a = TAU * f64::from(i) / f64::from(corners);
            [x + r * a.cos(), y + r * a.sin()]
        })
        .collect()
}

fn rounded(w: f64, h: f64, r: f64) -> Ring {
    let corner = |cx: f64, cy: f64, from: f64| {
        (0..=8).map(move |i| {
            let a = from + TAU / 4.0 * f64::from(i) / 8.0;
            [cx + r * a.cos(), cy + r * a.sin()]
        })
    };
    corner(w - r, h - r, 0.0)
        .chain(corner(r, h - r, TAU / 4.0))
        .chain(corner(r, r, TAU / 2.0))
        .chain(corner(w - r, r, TAU * 0.75))
        .collect()
}

fn gear(teeth: u32, tip: f64, root: f64) -> Ring {
    let step = TAU / f64::from(teeth);
    (0..teeth)
        .flat_map(|i| {
            let a = step * f64::from(i);
            [(0.0, root), (0.3, root), (0.42, tip), (0.88, tip)].map(|(part, r)| {
                let a = a + part * step;
                [r * a.cos(), r * a.sin()]
            })
        })
        .collect()
}

fn arch(w: f64, h: f64, rim: f64) -> Ring {
    let half = |r_x: f64, r_y: f64| {
        (0..=32).map(move |i| {
            let a = TAU / 2.0 * f64::from(i) / 32.0;
            [w / 2.0 + r_x * a.cos(), r_y * a.sin()]
        })
    };
    let inner: Vec<_> = half(w / 2.0 - rim, h - rim).collect();
    half(w / 2.0, h).chain(inner.into_iter().rev()).collect()
}

fn moon(r: f64, bite: f64) -> Ring {
    let outer = (0..=36).map(|i| {
        let a = TAU * (0.12 + 0.76 * f64::from(i) / 36.0);
        [r * a.cos(), r * a.sin()]
    });
    let (x, y) = (r * (TAU * 0.12).cos(), r * (TAU * 0.12).sin());
    let inner = (1..12).map(|i| {
        let t = f64::from(i) / 12.0;
        let bow = bite * (TAU / 2.0 * t).sin();
        [x - bow, -y + 2.0 * y * t]
    });
    outer.chain(inner).collect()
}
