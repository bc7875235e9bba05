//! Label papers: what a sheet or a roll of labels measures. Data, read from `papers/*.toml` and checked.

use std::sync::LazyLock;

use serde::Deserialize;
use sheetloft_shapes::limits::{LABEL_DPI, LABEL_PAPER_BYTES, LABEL_PAPER_MM, LABELS_PER_SIDE};

/// A sheet or a roll of labels. Made by [`Paper::from_toml`], which checks it, so that a value of this type
/// always has all its labels inside the page and none over another.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Paper {
    name: String,
    dpi: u32,
    width_mm: f64,
    height_mm: f64,
    inset_mm: f64,
    grid: Grid,
}

/// Where the labels lie on a page: columns and rows of equal labels, counted from the top left.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Grid {
    /// Labels side by side.
    pub columns: usize,
    /// Labels one under the other.
    pub rows: usize,
    /// Width of one label, mm.
    pub label_width_mm: f64,
    /// Height of one label, mm.
    pub label_height_mm: f64,
    /// From the left edge of one label to that of the next, mm.
    pub pitch_x_mm: f64,
    /// From the upper edge of one label to that of the next, mm.
    pub pitch_y_mm: f64,
    /// From the left edge of the page to the first label, mm.
    pub margin_left_mm: f64,
    /// From the upper edge of the page to the first label, mm.
    pub margin_top_mm: f64,
}

/// What is wrong with the description of a paper.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum PaperError {
    #[error("the description of the paper cannot be read: {why}")]
    Unreadable { why: String },
    #[error("a paper's name is 1 to 40 of the characters a-z, 0-9 and '-', not '{name}'")]
    Name { name: String },
    #[error("paper '{name}': {field} is {value}, but has to be from {least} to {most}")]
    OutOfRange { name: String, field: &'static str, value: f64, least: f64, most: f64 },
    #[error("paper '{name}': the labels reach to {reach_mm} mm, past the {edge} of the page at {page_mm} mm")]
    OutsidePage { name: String, edge: &'static str, reach_mm: f64, page_mm: f64 },
    #[error("paper '{name}': {field} is {pitch_mm} mm, less than the label's {label_mm} mm, so that labels overlap")]
    Overlap { name: String, field: &'static str, pitch_mm: f64, label_mm: f64 },
    #[error("paper '{name}': inset_mm is {inset_mm}, which leaves nothing of the label")]
    NothingLeft { name: String, inset_mm: f64 },
}

/// Two measurements that differ by less than this, in mm, are meant to be equal: decimals are not exact.
const SAME_MM: f64 = 1e-6;

impl Paper {
    /// Reads and checks the description of a paper: the fields of `papers/*.toml`, every one of them, and no
    /// other.
    ///
    /// # Errors
    /// [`PaperError`] names the field and what would be right.
    pub fn from_toml(text: &str) -> Result<Self, PaperError> {
        if text.len() > LABEL_PAPER_BYTES {
            let why = format!("it is longer than {LABEL_PAPER_BYTES} bytes");
            return Err(PaperError::Unreadable { why });
        }
        let paper: Self = toml::from_str(text).map_err(|e| PaperError::Unreadable { why: e.message().to_owned() })?;
        paper.checked()
    }

    /// A paper by its measurements, in mm.
    ///
    /// # Errors
    /// As [`Paper::from_toml`].
    pub fn new(
        name: &str,
        dpi: u32,
        (width_mm, height_mm): (f64, f64),
        inset_mm: f64,
        grid: Grid,
    ) -> Result<Self, PaperError> {
        Self { name: name.to_owned(), dpi, width_mm, height_mm, inset_mm, grid }.checked()
    }

    fn checked(self) -> Result<Self, PaperError> {
        let named = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if self.name.is_empty() || self.name.len() > 40 || !self.name.chars().all(named) {
            return Err(PaperError::Name { name: self.name });
        }
        let g = self.grid;
        let (dpi_least, dpi_most) = LABEL_DPI;
        let (mm_least, mm_most) = LABEL_PAPER_MM;
        let sides = LABELS_PER_SIDE as f64;
        for (field, value, least, most) in [
            ("dpi", f64::from(self.dpi), f64::from(dpi_least), f64::from(dpi_most)),
            ("width_mm", self.width_mm, mm_least, mm_most),
            ("height_mm", self.height_mm, mm_least, mm_most),
            ("inset_mm", self.inset_mm, 0.0, mm_most),
            ("columns", g.columns as f64, 1.0, sides),
            ("rows", g.rows as f64, 1.0, sides),
            ("label_width_mm", g.label_width_mm, mm_least, mm_most),
            ("label_height_mm", g.label_height_mm, mm_least, mm_most),
            ("pitch_x_mm", g.pitch_x_mm, mm_least, mm_most),
            ("pitch_y_mm", g.pitch_y_mm, mm_least, mm_most),
            ("margin_left_mm", g.margin_left_mm, 0.0, mm_most),
            ("margin_top_mm", g.margin_top_mm, 0.0, mm_most),
        ] {
            // NaN is in no range.
            if !(least..=most).contains(&value) {
                return Err(PaperError::OutOfRange { name: self.name, field, value, least, most });
            }
        }
        for (edge, count, margin, pitch, label, page) in [
            ("right edge", g.columns, g.margin_left_mm, g.pitch_x_mm, g.label_width_mm, self.width_mm),
            ("lower edge", g.rows, g.margin_top_mm, g.pitch_y_mm, g.label_height_mm, self.height_mm),
        ] {
            let field = if edge == "right edge" { "pitch_x_mm" } else { "pitch_y_mm" };
            if count > 1 && pitch < label - SAME_MM {
                return Err(PaperError::Overlap { name: self.name, field, pitch_mm: pitch, label_mm: label });
            }
            let reach_mm = margin + (count - 1) as f64 * pitch + label;
            if reach_mm > page + SAME_MM {
                return Err(PaperError::OutsidePage { name: self.name, edge, reach_mm, page_mm: page });
            }
        }
        if 2.0 * self.inset_mm >= g.label_width_mm.min(g.label_height_mm) {
            return Err(PaperError::NothingLeft { inset_mm: self.inset_mm, name: self.name });
        }
        Ok(self)
    }

    /// The name a person types, such as `a4-24`.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The printer's dots to the inch. Edges of code modules lie on whole dots.
    pub fn dpi(&self) -> u32 {
        self.dpi
    }

    /// Width of the page, mm.
    pub fn width_mm(&self) -> f64 {
        self.width_mm
    }

    /// Height of the page, mm.
    pub fn height_mm(&self) -> f64 {
        self.height_mm
    }

    /// Rim inside each label that nothing is printed on, mm: printers and sheets are never quite in register.
    pub fn inset_mm(&self) -> f64 {
        self.inset_mm
    }

    /// Where the labels lie on a page.
    pub fn grid(&self) -> Grid {
        self.grid
    }

    /// Labels on one page.
    pub fn per_page(&self) -> usize {
        self.grid.columns * self.grid.rows
    }

    /// The upper left corner of label number `slot` of a page, from the page's upper left corner, mm. Slots
    /// count from 0, along the rows.
    pub fn corner_mm(&self, slot: usize) -> (f64, f64) {
        let g = self.grid;
        let (column, row) = (slot % g.columns, slot / g.columns);
        (g.margin_left_mm + column as f64 * g.pitch_x_mm, g.margin_top_mm + row as f64 * g.pitch_y_mm)
    }
}

/// The papers that ship with the program, by name.
pub fn papers() -> &'static [Paper] {
    static PAPERS: LazyLock<Vec<Paper>> = LazyLock::new(|| {
        SHIPPED.iter().map(|text| Paper::from_toml(text).expect("a test reads every paper that ships")).collect()
    });
    &PAPERS
}

/// The shipped paper of that name, in any letter case.
pub fn paper(name: &str) -> Option<&'static Paper> {
    papers().iter().find(|p| p.name.eq_ignore_ascii_case(name))
}

const SHIPPED: [&str; 14] = [
    include_str!("../papers/a4-2.toml"),
    include_str!("../papers/a4-24.toml"),
    include_str!("../papers/a4-8.toml"),
    include_str!("../papers/label-100x150-300.toml"),
    include_str!("../papers/label-100x150.toml"),
    include_str!("../papers/label-100x50-300.toml"),
    include_str!("../papers/label-100x50.toml"),
    include_str!("../papers/label-4x2in.toml"),
    include_str!("../papers/label-4x6in-300.toml"),
    include_str!("../papers/label-4x6in.toml"),
    include_str!("../papers/label-62x29.toml"),
    include_str!("../papers/letter-10.toml"),
    include_str!("../papers/letter-2.toml"),
    include_str!("../papers/letter-30.toml"),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn with(field: &str, value: &str) -> Result<Paper, PaperError> {
        let shipped = include_str!("../papers/a4-24.toml");
        let text: Vec<String> = shipped
            .lines()
            .map(|line| match line.split_once(" = ") {
                Some((name, _)) if name == field => format!("{field} = {value}"),
                _ => line.to_owned(),
            })
            .collect();
        Paper::from_toml(&text.join("\n"))
    }

    #[test]
    fn every_file_in_the_folder_ships_under_its_own_name() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/papers");
        let mut files: Vec<String> =
            std::fs::read_dir(folder).unwrap().map(|f| f.unwrap().file_name().into_string().unwrap()).collect();
        files.sort();
        let names: Vec<String> = papers().iter().map(|p| format!("{}.toml", p.name)).collect();
        assert_eq!(names, files);
        assert_eq!(paper("A4-24").map(Paper::per_page), Some(24));
        assert_eq!(paper("a4"), None);
    }

    #[test]
    fn labels_lie_in_the_page_and_apart() {
        for p in papers() {
            let g = p.grid();
            let corners: Vec<(f64, f64)> = (0..p.per_page()).map(|slot| p.corner_mm(slot)).collect();
            for (i, &(x, y)) in corners.iter().enumerate() {
                assert!(x >= 0.0 && x + g.label_width_mm <= p.width_mm() + SAME_MM);
                assert!(y >= 0.0 && y + g.label_height_mm <= p.height_mm() + SAME_MM);
                for &(u, v) in &corners[..i] {
                    let apart_x = (x - u).abs() >= g.label_width_mm - SAME_MM;
                    let apart_y = (y - v).abs() >= g.label_height_mm - SAME_MM;
                    assert!(apart_x || apart_y, "{}: label {i}", p.name);
                }
            }
        }
    }

    #[test]
    fn a_bad_paper_is_refused_with_the_field() {
        type Case = (&'static str, &'static str, fn(&PaperError) -> bool);
        let cases: [Case; 12] = [
            ("name", "\"A4 24\"", |e| matches!(e, PaperError::Name { .. })),
            ("name", "\"\"", |e| matches!(e, PaperError::Name { .. })),
            ("dpi", "20", |e| matches!(e, PaperError::OutOfRange { field: "dpi", .. })),
            ("dpi", "-300", |e| matches!(e, PaperError::Unreadable { .. })),
            ("width_mm", "nan", |e| matches!(e, PaperError::OutOfRange { field: "width_mm", .. })),
            ("height_mm", "inf", |e| matches!(e, PaperError::OutOfRange { field: "height_mm", .. })),
            ("columns", "0", |e| matches!(e, PaperError::OutOfRange { field: "columns", .. })),
            ("rows", "1000000", |e| matches!(e, PaperError::OutOfRange { field: "rows", .. })),
            ("pitch_x_mm", "60.0", |e| matches!(e, PaperError::Overlap { field: "pitch_x_mm", .. })),
            ("rows", "9", |e| matches!(e, PaperError::OutsidePage { edge: "lower edge", .. })),
            ("margin_left_mm", "15.0", |e| matches!(e, PaperError::OutsidePage { edge: "right edge", .. })),
            ("inset_mm", "17.0", |e| matches!(e, PaperError::NothingLeft { .. })),
        ];
        assert!(with("dpi", "600").is_ok());
        for (field, value, right) in cases {
            let error = with(field, value).unwrap_err();
            assert!(right(&error), "{field} = {value}: {error}");
        }
        assert!(matches!(Paper::from_toml("name = 'x'"), Err(PaperError::Unreadable { .. })));
        let long = format!("{}\n{}", SHIPPED[0], "#".repeat(LABEL_PAPER_BYTES));
        assert!(matches!(Paper::from_toml(&long), Err(PaperError::Unreadable { .. })));
        let extra = format!("colour = 'red'\n{}", SHIPPED[0]);
        assert!(matches!(Paper::from_toml(&extra), Err(PaperError::Unreadable { .. })));
    }
}
