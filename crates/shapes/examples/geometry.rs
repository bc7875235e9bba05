//! Answers questions about shapes, one JSON object a line in and out, so that another library can be asked the same.
//!
//! In: `{"a": SHAPE, "b": SHAPE?, "by_um": N?}`, shapes as `{"outline": [[x, y], …], "holes": […]}` in µm. Out: the measures
//! of `a`; with `b` how the two lie and what they have in common; with `by_um` what becomes of `a` by growing and shrinking.

use std::io::{BufRead, Write};

use serde::Deserialize;
use serde_json::{Value, json};
use sheetloft_shapes::offset::Corners;
use sheetloft_shapes::{Shape, boolean, circle, clear, hull, offset, rectangle, width};

#[derive(Deserialize)]
struct Question {
    a: Shape,
    b: Option<Shape>,
    by_um: Option<i64>,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut out = std::io::stdout().lock();
    for line in std::io::stdin().lock().lines() {
        let answer = match serde_json::from_str::<Question>(&line?) {
            Ok(question) => answer(&question)?,
            Err(refused) => json!({ "refused": refused.to_string() }),
        };
        writeln!(out, "{answer}")?;
    }
    Ok(())
}

fn answer(question: &Question) -> Result<Value, Box<dyn std::error::Error>> {
    let a = &question.a;
    let circle = circle::largest_circle(a);
    let mut answer = json!({
        "area2": a.area2(),
        "perimeter_um": a.perimeter_um(),
        "centroid": a.centroid(),
        "hull": hull::hull(a.corners()),
        "width_um": width::least_width(a).0,
        "circle": { "centre": circle.centre, "radius_um": circle.radius_um, "at_most_um": circle.at_most_um },
        "rectangle": rectangle::largest_rectangle(a).map(|r| json!({ "corners": r.corners, "sides_um": [r.long_um, r.short_um] })),
    });
    if let Some(b) = &question.b {
        let (one, other) = (std::slice::from_ref(a), std::slice::from_ref(b));
        answer["union"] = json!(boolean::union(&[a.clone(), b.clone()])?);
        answer["difference"] = json!(boolean::difference(one, other)?);
        answer["intersection"] = json!(boolean::intersection(one, other)?);
        answer["inside_um"] = json!(clear::inside_spare_um(a, b));
        answer["apart_um"] = json!(clear::apart_um(a, b));
    }
    if let Some(by) = question.by_um {
        for (name, corners) in [("round", Corners::Round), ("square", Corners::Square)] {
            answer[format!("grown_{name}")] = json!(offset::grown(a, by, corners)?);
            answer[format!("shrunk_{name}")] = json!(offset::shrunk(a, by, corners)?);
        }
    }
    Ok(answer)
}
