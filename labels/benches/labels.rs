//! A thousand labels with pictures of irregular offcuts as one PDF: how long it takes and how large it is; and how long a
//! picture of one label, and of a whole sheet, takes to be read, beside how long the one takes to be made.

use std::time::Instant;

use sheetloft_labels::{Label, Onto, PieceLabel, codes_in, paper, render_pdf, render_png};
use sheetloft_shapes::{Shape, Turn};

const LABELS: usize = 1_000;
const ROUNDS: usize = 5;

fn label(n: usize) -> Label {
    let teeth = 3 + n % 40;
    let step = 900.0 / teeth as f64;
    let mut outline = vec![[0.0, 0.0], [900.0, 0.0]];
    outline.extend((0..=teeth).rev().map(|i| [step * i as f64, 300.0 + 200.0 * ((i * 7 + n) % 5) as f64 / 5.0]));
    let shape = Shape::from_mm(&outline, &[]).expect("a shape");
    let code = format!("7K-{n:04}X");
    let datum = shape.edges().next().map(|(from, to)| [from, to]);
    Label::Piece(PieceLabel {
        payload: format!("HTTP://10.0.0.20:8470/{code}"),
        code,
        material: format!("acrylic, cast, colour {} 3 mm", n % 17),
        sizes: vec![format!("holds {} × 300 mm", 400 + n % 500), "overall 900 × 500 mm".into()],
        datum,
        outline: Some(shape),
        grain: Some(Turn::new(0)),
        order: n.is_multiple_of(3).then(|| "for O-7K-00716".into()),
        lot: Some(format!("2026-03-02/{}", n % 9)),
        date: Some("2026-03-02".into()),
    })
}

fn least_ms(mut work: impl FnMut()) -> f64 {
    let once = |_| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64() * 1_000.0
    };
    (0..ROUNDS).map(once).fold(f64::MAX, f64::min)
}

fn main() {
    let labels: Vec<Label> = (0..LABELS).map(label).collect();
    for name in ["a4-24", "label-100x50"] {
        let onto = Onto::new(paper(name).expect("a paper that ships"));
        let mut bytes = 0;
        let ms = least_ms(|| bytes = render_pdf(&labels, &onto).expect("labels").bytes.len());
        println!(
            "{LABELS} labels on {name}: {ms:.0} ms, {:.0} kB, {:.0} labels/s",
            bytes as f64 / 1e3,
            LABELS as f64 / ms * 1e3
        );
    }
    // How long a photo of one label takes to be read, beside how long its picture takes to be made.
    let single = Onto::new(paper("label-100x50").expect("a paper that ships"));
    let png = render_png(&labels[..1], &single).expect("a label").bytes;
    let made = least_ms(|| drop(render_png(&labels[..1], &single)));
    let read = least_ms(|| assert_eq!(codes_in(&png).expect("a picture").codes.len(), 1));
    let sheet = Onto::new(paper("a4-24").expect("a paper that ships"));
    let full = render_png(&labels[..24], &sheet).expect("labels").bytes;
    let all = least_ms(|| assert_eq!(codes_in(&full).expect("a picture").codes.len(), 24));
    println!("a sheet of 24 as PNG: all found and read in {all:.0} ms ({:.1} times one label)", all / read);
    println!("one label as PNG: made in {made:.1} ms, found and read in {read:.1} ms ({:.1} times)", read / made);
}
