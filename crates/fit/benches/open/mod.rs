//! Open data sets for benchmarks, read where they lie: the folder that `SHEETLOFT_DATA` names, else one beside the
//! repository.
#![allow(dead_code)]

use std::path::PathBuf;
use std::time::Instant;

use serde::Deserialize;
use sheetloft_fit::{Turns, Watch};
use sheetloft_shapes::{Point, Shape, Turn};

/// A side of the strip or sheet is scaled to about this, so that whole µm are fine enough.
const SIDE_UM: f64 = 1_000_000.0;

/// One strip to fill (ESICUP data sets, CC0 1.0).
#[derive(Deserialize)]
pub struct StripSet {
    pub name: String,
    pub strip_height: f64,
    pub full_length: f64,
    pub published_density_percent: Published,
    pub parts: Vec<SetPart>,
}

/// Best published densities, by year.
#[derive(Deserialize)]
pub struct Published {
    #[serde(rename = "2009")]
    pub y2009: Option<f64>,
    #[serde(rename = "2013")]
    pub y2013: f64,
}

#[derive(Deserialize)]
pub struct SetPart {
    pub quantity: usize,
    pub turns_deg: Vec<f64>,
    pub outline: Vec<[f64; 2]>,
}

/// One set of parts that fill some sheets completely (Terashima and others).
#[derive(Deserialize)]
pub struct SolvedSet {
    pub name: String,
    pub sheet: [f64; 2],
    pub optimal_sheets: usize,
    pub solution: Vec<Vec<Vec<[f64; 2]>>>,
}

fn folder() -> Option<PathBuf> {
    let named = std::env::var_os("SHEETLOFT_DATA").filter(|p| !p.is_empty()).map(PathBuf::from);
    let beside = || PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared/data"));
    let folder = named.unwrap_or_else(beside);
    if !folder.is_dir() {
        println!("No open data: name their folder in SHEETLOFT_DATA.");
        return None;
    }
    Some(folder)
}

/// The strips, by name.
pub fn strips() -> Vec<StripSet> {
    let Some(folder) = folder() else { return Vec::new() };
    let files = std::fs::read_dir(folder.join("strip")).into_iter().flatten().flatten();
    let mut sets: Vec<StripSet> =
        files.filter_map(|f| serde_json::from_str(&std::fs::read_to_string(f.path()).ok()?).ok()).collect();
    sets.sort_by(|a, b| a.name.cmp(&b.name));
    sets
}

/// The solved sets, in the order of the file.
pub fn solved() -> Vec<SolvedSet> {
    let Some(folder) = folder() else { return Vec::new() };
    let text = std::fs::read_to_string(folder.join("sheets").join("solved.json"));
    text.ok().and_then(|t| serde_json::from_str(&t).ok()).unwrap_or_default()
}

/// µm for a unit of a set whose side is so long.
pub fn scale(side: f64) -> f64 {
    (SIDE_UM / side).round().max(1.0)
}

/// An outline in µm.
pub fn shape(outline: &[[f64; 2]], scale: f64) -> Option<Shape> {
    let um = |x: f64| (x * scale).round() as i32;
    Shape::new(outline.iter().map(|p| Point::new(um(p[0]), um(p[1]))).collect(), Vec::new()).ok()
}

/// Turns in degrees.
pub fn turns(degrees: &[f64]) -> Turns {
    let turns: Vec<Turn> = degrees.iter().map(|d| Turn::new((d * 1e6).round() as i64)).collect();
    Turns::fixed(&turns)
}

/// The seconds to spend on each, as `SHEETLOFT_SECONDS` says, else 10.
pub fn seconds() -> f64 {
    std::env::var("SHEETLOFT_SECONDS").ok().and_then(|s| s.parse().ok()).unwrap_or(10.0)
}

/// Whether `SHEETLOFT_ONLY` names this one, or nothing.
pub fn is_asked(name: &str) -> bool {
    match std::env::var("SHEETLOFT_ONLY").ok().filter(|s| !s.is_empty()) {
        Some(only) => only.split(',').any(|n| n == name),
        None => true,
    }
}

/// Stops after some time.
pub struct Deadline {
    begun: Instant,
    seconds: f64,
}

impl Deadline {
    pub fn after(seconds: f64) -> Self {
        Self { begun: Instant::now(), seconds }
    }

    pub fn over(&self) -> f64 {
        self.begun.elapsed().as_secs_f64() / self.seconds
    }
}

impl Watch for Deadline {
    fn go_on(&mut self, _: usize, _: usize) -> bool {
        self.over() < 1.0
    }

    fn share(&self) -> Option<f64> {
        Some(self.over())
    }
}
