//! Documents read back by other programs' code: what is printed is what was asked for, on every paper.
//!
//! `rqrr` reads the codes, `png` the pictures, `hayro-interpret` the PDF: none of them has a part in writing.

use hayro_interpret::font::{Glyph, GlyphRun};
use hayro_interpret::hayro_cmap::BfString;
use hayro_interpret::hayro_syntax::Pdf;
use hayro_interpret::kurbo::{Affine, BezPath, PathEl, Point as Spot, Rect, Shape as _};
use hayro_interpret::{
    BlendMode, ClipPath, Context, Device, DrawMode, DrawProps, Image, ImageDrawProps, InterpreterCache,
    InterpreterSettings, SoftMask, TransformExt, interpret_page,
};
use sheetloft_labels::{
    Label, LabelError, MODULE_MM_MAX, MODULE_MM_MIN, Onto, Paper, PayloadError, PieceLabel, QUIET_MODULES, RackLabel,
    code_side_mm, paper, papers, render_alignment, render_pdf, render_png,
};
use sheetloft_shapes::limits::LABELS;
use sheetloft_shapes::{Shape, Turn};

fn shape(corners_mm: &[[f64; 2]]) -> Shape {
    Shape::from_mm(corners_mm, &[]).unwrap()
}

fn piece(number: usize, material: &str, sizes: &[&str], outline: Option<Shape>, rest: [Option<&str>; 3]) -> Label {
    let code = format!("7K-0{number:03}K");
    Label::Piece(PieceLabel {
        payload: format!("HTTP://10.0.0.20:8470/{code}"),
        code,
        material: material.into(),
        sizes: sizes.iter().map(|&s| s.to_owned()).collect(),
        grain: outline.as_ref().map(|_| Turn::new(30_000_000)),
        datum: outline.as_ref().and_then(|shape| shape.edges().next()).map(|(from, to)| [from, to]),
        outline,
        order: rest[0].map(Into::into),
        lot: rest[1].map(Into::into),
        date: rest[2].map(Into::into),
    })
}

fn flag(label: Label) -> Label {
    match label {
        Label::Piece(piece) => Label::Flag(piece),
        other => other,
    }
}

/// What a scanner finds on a label: a flag's code is there twice.
fn expected(label: &Label) -> Vec<&str> {
    vec![label.payload(); if matches!(label, Label::Flag(_)) { 2 } else { 1 }]
}

fn rack(name: &str) -> Label {
    Label::Rack(RackLabel { name: name.into(), payload: "RACK:01JDA7Z4M2V8Q9X5T3B6C1D0EF".into() })
}

/// Labels of every kind: plain ones, several languages, absurd names, odd shapes.
fn samples() -> Vec<Label> {
    let ell = || Some(shape(&[[0., 0.], [900., 0.], [900., 300.], [300., 300.], [300., 640.], [0., 640.]]));
    let strip = || Some(shape(&[[0., 0.], [2440., 0.], [2440., 12.], [0., 12.]]));
    let upright = || Some(shape(&[[0., 0.], [12., 0.], [12., 2440.], [0., 2440.]]));
    let speck = || Some(shape(&[[0., 0.], [0.002, 0.], [0.001, 0.002]]));
    let saw = || {
        let teeth = (0..400).map(|i| [f64::from(i), f64::from(i % 2) * 300.0 + 100.0]);
        Some(shape(&teeth.chain([[400., 0.], [0., 0.]]).collect::<Vec<_>>()))
    };
    let long = "polymethylmethacrylate, cast, frosted on one face ".repeat(20);
    let unbroken = "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft".repeat(2);
    let piled = format!("e{}", "\u{301}\u{323}".repeat(60)).repeat(10);
    vec![
        piece(1, "acrylic clear 3 mm", &["610 × 300 mm", "overall 900 × 640 mm"], ell(), [None, None, None]),
        piece(2, "birch plywood 6 mm", &["2440 × 1220 mm"], None, [None, Some("lot 12"), Some("2025-11-25")]),
        piece(3, "MDF 12 mm", &["2440 × 12 mm"], strip(), [Some("for O-7K-00716"), None, Some("2025-11-25")]),
        piece(4, "фанера 18 мм", &["610 × 300 мм"], upright(), [Some("для O-7K-00716"), None, None]),
        piece(5, "أكريليك شفاف 3 مم", &["610 × 300"], saw(), [Some("לקוח 12"), Some("ακρυλικό"), None]),
        piece(6, "アクリル 透明", &["六百 × 三百"], ell(), [Some("注文 12"), Some("棚 3"), Some("🦖🦕")]),
        piece(7, &long, &[&long, &long, &long, &long], ell(), [Some(&long), Some(&long), Some(&long)]),
        piece(8, &unbroken, &[&unbroken], strip(), [Some(&unbroken), None, Some(&unbroken)]),
        piece(9, &piled, &[&piled], saw(), [Some(&piled), Some(&piled), Some(&piled)]),
        piece(10, "", &[], None, [None, None, None]),
        piece(11, "\u{0}\u{7}\u{202e}gnp\u{202c}\u{200b}", &["", " "], speck(), [Some(""), Some("\n"), Some("\t")]),
        flag(piece(12, "acrylic clear 3 mm", &["610 × 300 mm"], ell(), [Some("for O-7K-00716"), None, None])),
        flag(piece(13, &long, &[&unbroken, &piled], saw(), [Some(&long), None, Some("2025-11-25")])),
        rack("A1"),
        rack("Wall by the window, lower shelf"),
        rack("棚 3"),
        rack("стеллаж у окна"),
        rack(&unbroken),
        rack(&long),
        rack(""),
    ]
}

/// A black and white picture.
struct Dots {
    w: usize,
    h: usize,
    dark: Vec<bool>,
}

impl Dots {
    fn of_png(bytes: &[u8], paper: &Paper) -> Self {
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let info = reader.info().clone();
        assert_eq!((info.color_type, info.bit_depth), (png::ColorType::Grayscale, png::BitDepth::One));
        let per_metre = (f64::from(paper.dpi()) / 0.0254).round() as u32;
        let density = info.pixel_dims.unwrap();
        assert_eq!((density.xppu, density.yppu, density.unit), (per_metre, per_metre, png::Unit::Meter));
        let (w, h) = (info.width as usize, info.height as usize);
        let mut data = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut data).unwrap();
        let dark = (0..w * h).map(|i| data[i / w * w.div_ceil(8) + i % w / 8] & (0x80 >> (i % w % 8)) == 0);
        Self { w, h, dark: dark.collect() }
    }

    /// Rectangles on whole dots, as a printer prints them, on the label at `frame`.
    fn painted(rectangles: &[Rect], frame: Rect) -> Self {
        let (w, h) = (frame.width() as usize, frame.height() as usize);
        let mut dark = vec![false; w * h];
        let dot = |v: f64, least: f64| (v - least.ceil()).round() as usize;
        for r in rectangles {
            for y in dot(r.y0, frame.y0)..dot(r.y1, frame.y0) {
                let row = y * w;
                dark[row + dot(r.x0, frame.x0)..row + dot(r.x1, frame.x0)].fill(true);
            }
        }
        Self { w, h, dark }
    }

    /// The part of the picture that one label covers.
    fn label(&self, paper: &Paper, slot: usize) -> Self {
        let frame = label_dots(paper, slot);
        let (left, top) = (frame.x0.ceil() as usize, frame.y0.ceil() as usize);
        let (right, bottom) = ((frame.x1 as usize).min(self.w), (frame.y1 as usize).min(self.h));
        let rows = top..bottom;
        Self {
            w: right - left,
            h: bottom - top,
            dark: rows.flat_map(|y| self.dark[y * self.w + left..y * self.w + right].iter().copied()).collect(),
        }
    }

    /// What a scanner reads in it.
    fn scanned(&self) -> Vec<String> {
        let grey = |x, y| if self.dark[y * self.w + x] { 0 } else { 255 };
        let mut picture = rqrr::PreparedImage::prepare_from_greyscale(self.w, self.h, grey);
        picture.detect_grids().iter().map(|grid| grid.decode().unwrap().1).collect()
    }
}

/// Where a label lies on its page, in dots, by the paper's own measurements.
fn label_dots(paper: &Paper, slot: usize) -> Rect {
    let (x, y) = paper.corner_mm(slot);
    let dots = f64::from(paper.dpi()) / 25.4;
    let grid = paper.grid();
    Rect::new(x * dots, y * dots, (x + grid.label_width_mm) * dots, (y + grid.label_height_mm) * dots)
}

/// What a PDF page draws, in dots from the upper left.
#[derive(Default)]
struct Drawn {
    /// Corners of the closed parts of each filled path.
    filled: Vec<Vec<Vec<Spot>>>,
    stroked: Vec<Rect>,
    letters: Vec<(String, Rect)>,
}

impl Device<'_> for Drawn {
    fn draw_path(&mut self, path: &BezPath, props: DrawProps<'_>, mode: &DrawMode) {
        let path = props.transform * path.clone();
        match mode {
            DrawMode::Fill(_) => {
                let mut parts: Vec<Vec<Spot>> = Vec::new();
                for element in path.elements() {
                    match element {
                        PathEl::MoveTo(p) => parts.push(vec![*p]),
                        PathEl::LineTo(p) => parts.last_mut().unwrap().push(*p),
                        PathEl::ClosePath => {}
                        _ => panic!("a curve: {element:?}"),
                    }
                }
                self.filled.push(parts);
            }
            DrawMode::Stroke(stroke) => {
                let half = f64::from(stroke.line_width) * props.transform.as_coeffs()[0] / 2.0;
                self.stroked.push(path.bounding_box().inflate(half, half));
            }
            _ => panic!("{mode:?}"),
        }
    }

    fn draw_glyph_run(&mut self, run: &GlyphRun<'_, '_>, props: DrawProps<'_>, _: &DrawMode) {
        for glyph in run.glyphs() {
            let Glyph::Outline(outline) = &**glyph else { panic!("not an outline") };
            let text = match glyph.as_unicode() {
                Some(BfString::Char(c)) => c.to_string(),
                Some(BfString::String(s)) => s,
                None => String::new(),
            };
            let ink = props.transform * glyph.transform() * outline.outline();
            self.letters.push((text, ink.bounding_box()));
        }
    }

    fn push_clip_path(&mut self, _: &ClipPath) {}
    fn push_transparency_group(&mut self, _: f32, _: Option<SoftMask<'_>>, _: BlendMode) {}
    fn draw_image(&mut self, _: Image<'_, '_>, _: ImageDrawProps<'_>) {
        panic!("a picture in dots")
    }
    fn pop_clip(&mut self) {}
    fn pop_transparency_group(&mut self) {}
}

impl Drawn {
    /// What each page of the PDF draws; the pages have the paper's size.
    fn pages(bytes: &[u8], paper: &Paper) -> Vec<Self> {
        let pdf = Pdf::new(bytes.to_vec()).unwrap();
        let cache = InterpreterCache::new();
        let dots_per_point = f64::from(paper.dpi()) / 72.0;
        let mut pages = Vec::new();
        for page in pdf.pages().iter() {
            let (w, h) = page.render_dimensions();
            assert!((f64::from(w) / 72.0 * 25.4 - paper.width_mm()).abs() < 1e-3);
            assert!((f64::from(h) / 72.0 * 25.4 - paper.height_mm()).abs() < 1e-3);
            let to_dots = Affine::scale(dots_per_point) * page.initial_transform(true).to_kurbo();
            let all = Rect::new(-1e6, -1e6, 1e6, 1e6);
            let mut context = Context::new(to_dots, all, &cache, page.xref(), InterpreterSettings::default());
            let mut drawn = Self::default();
            interpret_page(page, &mut context, &mut drawn);
            pages.push(drawn);
        }
        pages
    }

    /// The code of the label at `slot`: the filled path of the most parts on it.
    fn code(&self, frame: Rect) -> &[Vec<Spot>] {
        let on_label = |path: &&Vec<Vec<Spot>>| frame.contains(path[0][0]);
        self.filled.iter().filter(on_label).max_by_key(|path| path.len()).unwrap()
    }
}

#[test]
fn every_label_on_every_paper_is_read_from_png() {
    for paper in papers() {
        let labels = samples();
        for (page, on_page) in labels.chunks(paper.per_page()).enumerate() {
            let document = render_png(on_page, &Onto::new(paper)).unwrap();
            assert_eq!(document.pages, 1);
            let dots = Dots::of_png(&document.bytes, paper);
            let size = |mm: f64| (mm / 25.4 * f64::from(paper.dpi())).round() as usize;
            assert_eq!((dots.w, dots.h), (size(paper.width_mm()), size(paper.height_mm())));
            let ink = |d: &Dots| d.dark.iter().filter(|&&dark| dark).count();
            let mut on_labels = 0;
            for (slot, label) in on_page.iter().enumerate() {
                let on_label = dots.label(paper, slot);
                on_labels += ink(&on_label);
                assert_eq!(on_label.scanned(), expected(label), "{} page {page} label {slot}", paper.name());
            }
            assert_eq!(ink(&dots), on_labels, "{} page {page}: ink outside the labels", paper.name());
        }
    }
}

#[test]
fn every_label_on_every_paper_is_read_from_pdf_on_whole_dots() {
    for paper in papers() {
        let labels = samples();
        let document = render_pdf(&labels, &Onto::new(paper)).unwrap();
        let pages = Drawn::pages(&document.bytes, paper);
        assert_eq!(pages.len(), document.pages);
        for (i, label) in labels.iter().enumerate() {
            let what = format!("{} label {i}", paper.name());
            let (page, slot) = (&pages[i / paper.per_page()], i % paper.per_page());
            let frame = label_dots(paper, slot);
            let code = page.code(frame);

            // Every edge lies on a dot.
            let mut modules = u32::MAX;
            let mut runs = Vec::new();
            for part in code {
                for corner in part {
                    let off = (corner.x - corner.x.round()).abs().max((corner.y - corner.y.round()).abs());
                    assert!(off < 1e-3, "{what}: {corner:?}");
                }
                let bounds = part.iter().fold(Rect::from_points(part[0], part[0]), |r, &p| r.union_pt(p));
                modules = modules.min(bounds.height().round() as u32);
                runs.push(bounds);
            }
            let module_mm = f64::from(modules) / f64::from(paper.dpi()) * 25.4;
            assert!(module_mm >= MODULE_MM_MIN, "{what}: {module_mm}");
            if !matches!(label, Label::Rack(_)) {
                assert!(module_mm <= MODULE_MM_MAX, "{what}: {module_mm}");
            }

            // A scanner reads it.
            let painted = Dots::painted(&runs, frame);
            assert_eq!(painted.scanned(), [label.payload()], "{what}");

            // Nothing stands in its quiet zone, which lies on the label; no ink leaves the label.
            let symbol = runs.iter().fold(runs[0], |all, run| all.union(*run));
            let quiet = f64::from(QUIET_MODULES * modules);
            // Less the rounding of real numbers in the file.
            let quiet = symbol.inflate(quiet - 0.01, quiet - 0.01);
            let holds = |r: Rect| r.x0 >= frame.x0 && r.y0 >= frame.y0 && r.x1 <= frame.x1 && r.y1 <= frame.y1;
            assert!(holds(quiet), "{what}");
            let lines = page.stroked.iter().filter(|r| frame.contains(r.center()));
            let letters =
                page.letters.iter().map(|(_, r)| r).filter(|r| !r.is_zero_area() && frame.contains(r.center()));
            for &ink in lines.chain(letters) {
                assert!(holds(ink), "{what}: {ink:?}");
                assert!(quiet.intersect(ink).is_zero_area(), "{what}: {ink:?} in {quiet:?}");
            }
        }
    }
}

#[test]
fn text_is_text() {
    for paper in papers() {
        let labels = samples();
        let pages = Drawn::pages(&render_pdf(&labels, &Onto::new(paper)).unwrap().bytes, paper);
        for (i, label) in labels.iter().enumerate().take(4) {
            let frame = label_dots(paper, i % paper.per_page());
            let letters = pages[i / paper.per_page()].letters.iter().filter(|(_, r)| frame.contains(r.center()));
            let said: String = letters.map(|(text, _)| text.as_str()).collect();
            let Label::Piece(piece) = label else { panic!("{label:?}") };
            let packed = |text: &str| text.replace(' ', "");
            for text in [&piece.code, &piece.material, &piece.sizes[0]] {
                assert!(packed(&said).contains(&packed(text)), "{}: '{text}' not in '{said}'", paper.name());
            }
        }
        // A letter that the fonts lack is drawn as a box, not left out.
        let boxes = Drawn::pages(&render_pdf(&[rack("棚棚")], &Onto::new(paper)).unwrap().bytes, paper);
        assert_eq!(boxes[0].letters.iter().filter(|(_, ink)| ink.area() > 100.0).count(), 2);
    }
}

#[test]
fn used_labels_are_skipped() {
    let paper = paper("a4-24").unwrap();
    let per_page = paper.per_page();
    let labels: Vec<Label> = samples().into_iter().cycle().take(per_page).collect();
    let document = render_pdf(&labels, &Onto::new(paper).skipping(5)).unwrap();
    assert_eq!(document.pages, 2);
    let pages = Drawn::pages(&document.bytes, paper);
    for slot in 0..per_page {
        let frame = label_dots(paper, slot);
        let printed = |page: &Drawn| page.filled.iter().any(|path| frame.contains(path[0][0]));
        assert_eq!((printed(&pages[0]), printed(&pages[1])), (slot >= 5, slot < 5), "{slot}");
    }
}

#[test]
fn a_printer_out_of_register_is_put_right_by_whole_dots() {
    let single = paper("label-100x50").unwrap();
    let dots_per_mm = f64::from(single.dpi()) / 25.4;
    let one = samples()[..1].to_vec();
    let moved = |shift_mm| {
        let onto = Onto { shift_mm, ..Onto::new(single) };
        let drawn = Drawn::pages(&render_pdf(&one, &onto).unwrap().bytes, single).swap_remove(0);
        let all = Rect::new(-1e6, -1e6, 1e6, 1e6);
        drawn.code(all).iter().flatten().fold((f64::MAX, f64::MAX), |(x, y), p| (x.min(p.x), y.min(p.y)))
    };
    let still = moved((0.0, 0.0));
    for (right, down) in [(0.3, 1.9), (-4.0, -6.5)] {
        let (x, y) = moved((right, down));
        assert!((x - still.0 - (right * dots_per_mm).round()).abs() < 1e-3, "{x}");
        assert!((y - still.1 - (down * dots_per_mm).round()).abs() < 1e-3, "{y}");
    }
    for shift_mm in [(20.5, 0.0), (0.0, f64::NAN)] {
        let refused = render_pdf(&one, &Onto { shift_mm, ..Onto::new(single) });
        assert!(matches!(refused, Err(LabelError::ShiftTooFar { .. })));
    }
}

#[test]
fn the_alignment_page_shows_every_label_where_the_paper_says() {
    for paper in papers() {
        let document = render_alignment(&Onto::new(paper), "this line is {mm} mm long").unwrap();
        let page = Drawn::pages(&document.bytes, paper).swap_remove(0);
        let said: String = page.letters.iter().map(|(text, _)| text.as_str()).collect();
        assert!(said.contains("mmlong") || said.contains("mm long"), "{said}");
        // All rims are one path: what it covers is the labels together.
        let rims = page.stroked.iter().fold(page.stroked[0], |all, r| all.union(*r));
        let labels = (0..paper.per_page()).map(|s| label_dots(paper, s)).reduce(|a, b| a.union(b)).unwrap();
        assert!((rims.x0 - labels.x0).abs() < 1.5 && (rims.y1 - labels.y1).abs() < 1.5, "{rims:?} {labels:?}");
    }
}

#[test]
fn codes_of_racks_on_large_papers_are_read_from_far_away() {
    // At least 60 mm on papers that are meant for racks; the distance is about ten times that (common practice, no
    // source).
    for paper in papers() {
        let g = paper.grid();
        let large = g.label_width_mm.min(g.label_height_mm) >= 100.0;
        let side = code_side_mm(&rack("A1"), paper).unwrap();
        assert!(side >= if large { 60.0 } else { 10.0 }, "{}: {side}", paper.name());
        assert!(side >= code_side_mm(&samples()[0], paper).unwrap());
    }
}

#[test]
fn equal_labels_give_equal_bytes() {
    for paper in papers() {
        let label = &samples()[..1];
        assert_eq!(render_pdf(label, &Onto::new(paper)), render_pdf(label, &Onto::new(paper)));
        assert_eq!(render_png(label, &Onto::new(paper)), render_png(label, &Onto::new(paper)));
    }
}

#[test]
fn what_cannot_be_printed_is_refused() {
    let (sheet, single) = (paper("a4-24").unwrap(), paper("label-100x50").unwrap());
    let one = samples()[..1].to_vec();
    let two = samples()[..2].to_vec();
    let saying =
        |payload: &str| vec![one[0].clone(), Label::Rack(RackLabel { name: "A1".into(), payload: payload.into() })];
    let payload = |why| LabelError::Payload { index: 1, label: "A1".into(), why };
    assert_eq!(render_pdf(&[], &Onto::new(sheet)), Err(LabelError::NoLabels));
    assert_eq!(
        render_pdf(&one, &Onto::new(sheet).skipping(24)),
        Err(LabelError::SkipTooLarge { skip: 24, per_page: 24 })
    );
    assert_eq!(
        render_pdf(&one, &Onto::new(single).skipping(1)),
        Err(LabelError::SkipTooLarge { skip: 1, per_page: 1 })
    );
    assert_eq!(render_png(&two, &Onto::new(single)), Err(LabelError::MoreThanOnePage { pages: 2 }));
    assert_eq!(render_png(&two, &Onto::new(sheet).skipping(23)), Err(LabelError::MoreThanOnePage { pages: 2 }));
    let count = LABELS + 1;
    let many = vec![rack("A1"); count];
    assert_eq!(render_pdf(&many, &Onto::new(sheet)), Err(LabelError::TooManyLabels { count }));
    assert_eq!(render_pdf(&saying(""), &Onto::new(sheet)), Err(payload(PayloadError::Empty)));
    assert_eq!(render_pdf(&saying("rack"), &Onto::new(sheet)), Err(payload(PayloadError::Character { found: 'r' })));
    let long = "A".repeat(301);
    assert_eq!(render_pdf(&saying(&long), &Onto::new(sheet)), Err(payload(PayloadError::TooLong { chars: 301 })));

    // A code too large for the label: its modules would be narrower than scanners read.
    let narrow = Paper::from_toml(
        "name = 'narrow'\ndpi = 203\nwidth_mm = 40.0\nheight_mm = 12.0\ninset_mm = 1.0\n[grid]\ncolumns = 1\nrows = 1\n\
         label_width_mm = 40.0\nlabel_height_mm = 12.0\npitch_x_mm = 40.0\npitch_y_mm = 12.0\nmargin_left_mm = 0.0\n\
         margin_top_mm = 0.0\n",
    )
    .unwrap();
    let Err(LabelError::ModuleTooNarrow { index: 0, module_mm, .. }) = render_pdf(&one, &Onto::new(&narrow)) else {
        panic!("printed")
    };
    assert!(module_mm < MODULE_MM_MIN);

    // A page of more dots than a picture is worth.
    let huge = Paper::from_toml(
        "name = 'huge'\ndpi = 2400\nwidth_mm = 1000.0\nheight_mm = 1000.0\ninset_mm = 1.0\n[grid]\ncolumns = 1\nrows = 1\n\
         label_width_mm = 100.0\nlabel_height_mm = 50.0\npitch_x_mm = 100.0\npitch_y_mm = 50.0\nmargin_left_mm = 0.0\n\
         margin_top_mm = 0.0\n",
    )
    .unwrap();
    assert!(matches!(render_png(&one, &Onto::new(&huge)), Err(LabelError::PageTooLarge { .. })));
    assert!(render_pdf(&one, &Onto::new(&huge)).is_ok());
}
