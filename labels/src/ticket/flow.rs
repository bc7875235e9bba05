//! What the ticket says, one under the other, on as many pages as it needs.

use super::{BODY, DPI, HEADING, PAGE_MM, SMALL, SMALL_STRONG, STRONG, Section, Style, TINY, TITLE, Table, Ticket};
use super::{TicketPiece, picture, size};
use crate::mark::{Dot, Frame, Lines, Mark};
use crate::page::Page;
use crate::qr::{QUIET_MODULES, Qr};
use crate::text::{Sizes, Text};

/// Dots to the millimetre.
pub(super) const DOTS: f32 = DPI as f32 / 25.4;
/// White rim of the page, mm.
const RIM_MM: f32 = 14.0;
/// Room for the foot, mm.
const FOOT_MM: f32 = 7.0;
/// Width of a module of the plan's code, mm: within what scanners at arm's length read.
const MODULE_MM: f32 = 0.85;
/// Room around a picture for the stop and its word, mm.
const AROUND_MM: f32 = 9.0;
/// A table with more columns than this is set in small type.
const MANY_COLUMNS: usize = 7;
/// Highest picture, mm.
const PICTURE_MM: f32 = 150.0;

/// Pages being filled.
pub(super) struct Flow {
    pages: Vec<Page>,
    /// The room left on the last page, dots.
    room: Frame,
}

impl Flow {
    pub(super) fn new() -> Self {
        Self { pages: vec![Page::new()], room: Self::whole() }
    }

    fn whole() -> Frame {
        let page = Frame { x: 0.0, y: 0.0, w: PAGE_MM.0 as f32 * DOTS, h: PAGE_MM.1 as f32 * DOTS };
        let inner = page.inset(RIM_MM * DOTS);
        Frame { h: inner.h - FOOT_MM * DOTS, ..inner }
    }

    fn put(&mut self, mark: Mark) {
        if let Some(page) = self.pages.last_mut() {
            page.push(mark);
        }
    }

    fn gap(&mut self, mm: f32) {
        self.room = self.room.below(mm * DOTS);
    }

    /// Begins a page where less than this is left, mm.
    fn need(&mut self, mm: f32) {
        if self.room.h < mm * DOTS && self.room.h < Self::whole().h {
            self.pages.push(Page::new());
            self.room = Self::whole();
        }
    }

    /// A text in a frame, from its top; how high it came to be, dots.
    fn text_in(&mut self, text: &str, style: Style, frame: Frame, lines: usize) -> f32 {
        // What may run over several lines is rather wrapped than shrunk, so that like lines look alike.
        let least = if lines > 2 { style.size_mm * 0.95 } else { size::LEAST.min(style.size_mm) };
        let sizes = Sizes { most: style.size_mm * DOTS, least: least * DOTS, lines };
        let Some(block) = Text::new(text, style.weight).fit(sizes, frame.w, frame.h) else { return 0.0 };
        let height = block.height();
        let mut top = frame.y;
        for line in block.lines {
            let baseline = top + line.ascent * block.size;
            top += line.height() * block.size;
            self.put(Mark::Text { line, x: frame.x, y: baseline, size: block.size });
        }
        height
    }

    fn paragraph(&mut self, text: &str, style: Style, lines: usize) {
        if text.trim().is_empty() {
            return;
        }
        self.need(style.size_mm * 1.3 * lines.min(3) as f32);
        let height = self.text_in(text, style, self.room, lines);
        self.room = self.room.below(height + 0.6 * DOTS);
    }

    fn line(&mut self, from: Dot, to: Dot, width_mm: f32) {
        self.put(Mark::Lines(Lines {
            lines: vec![vec![from, to]],
            closed: false,
            stroke: width_mm * DOTS,
            dash: None,
        }));
    }

    /// The title with the plan's code beside it, and what it is about.
    pub(super) fn head(&mut self, ticket: &Ticket, qr: Option<Qr>) {
        let room = self.room;
        let (mut side, mut bottom) = (0.0, room.y);
        if let Some(qr) = qr {
            let module = (MODULE_MM * DOTS).floor() as u32;
            side = (qr.side_with_quiet() * module) as f32;
            let quiet = (QUIET_MODULES * module) as f32;
            let (x, y) = ((room.right() - side + quiet).floor(), room.y.floor());
            self.put(Mark::Code { qr, x: x as i32, y: y as i32, module });
            bottom = y + side - 2.0 * quiet;
        }
        let mut beside = Frame { w: room.w - side, ..room };
        let height = self.text_in(&ticket.title, TITLE, beside, 1);
        beside = beside.below(height + DOTS);
        for text in &ticket.about {
            let height = self.text_in(text, BODY, beside, 2);
            beside = beside.below(height + 0.6 * DOTS);
        }
        self.room = room.below((bottom - room.y).max(beside.y - room.y));
        self.gap(3.0);
    }

    pub(super) fn section(&mut self, section: &Section) {
        if section.lines.is_empty() && section.table.as_ref().is_none_or(|t| t.rows.is_empty()) {
            return;
        }
        self.need(30.0);
        self.gap(2.0);
        if !section.title.is_empty() {
            self.paragraph(&section.title, HEADING, 2);
            self.rule();
        }
        for text in &section.lines {
            self.bulleted(text, section.urgent);
        }
        if let Some(table) = &section.table {
            self.table(table);
        }
        self.gap(2.0);
    }

    fn rule(&mut self) {
        let y = self.room.y + 0.4 * DOTS;
        self.line((self.room.x, y), (self.room.right(), y), 0.35);
        self.gap(1.8);
    }

    /// A line with a bar before it where it warns.
    fn bulleted(&mut self, text: &str, urgent: bool) {
        let style = if urgent { STRONG } else { BODY };
        self.need(style.size_mm * 2.6);
        let indent = if urgent { 4.0 * DOTS } else { 0.0 };
        let height = self.text_in(text, style, self.room.right_of(indent), 4);
        if urgent && height > 0.0 {
            let x = self.room.x + DOTS;
            self.line((x, self.room.y + 0.3 * DOTS), (x, self.room.y + height - 0.3 * DOTS), 1.2);
        }
        self.room = self.room.below(height + 1.2 * DOTS);
    }

    fn table(&mut self, table: &Table) {
        if table.rows.is_empty() {
            return;
        }
        self.need(16.0);
        // Many columns are set small at once, so that like cells look alike.
        let (head, body) = if table.heads.len() > MANY_COLUMNS { (TINY, TINY) } else { (SMALL, BODY) };
        self.row(&table.heads, table, head, false);
        for row in &table.rows {
            self.need(body.size_mm * 1.7);
            self.row(row, table, body, table.ticks);
            let y = self.room.y - 0.2 * DOTS;
            self.line((self.room.x, y), (self.room.right(), y), 0.12);
        }
    }

    fn row(&mut self, cells: &[String], table: &Table, style: Style, tick: bool) {
        let side = style.size_mm * 0.95 * DOTS;
        let indent = if table.ticks { BODY.size_mm * 1.7 * DOTS } else { 0.0 };
        if tick {
            let (x, y) = (self.room.x + 0.3 * DOTS, self.room.y + 0.5 * DOTS);
            let corners = vec![(x, y), (x + side, y), (x + side, y + side), (x, y + side)];
            self.put(Mark::Lines(Lines { lines: vec![corners], closed: true, stroke: 0.3 * DOTS, dash: None }));
        }
        let whole = self.room.right_of(indent);
        let sum: f32 = table.shares.iter().sum::<f32>().max(f32::MIN_POSITIVE);
        let mut x = whole.x;
        let mut height = if tick { side + DOTS } else { 0.0 };
        for (n, (cell, share)) in cells.iter().zip(&table.shares).enumerate() {
            let w = whole.w * share / sum;
            let frame = Frame { x, w: w - 1.5 * DOTS, ..whole };
            let style = if n == 0 && tick { Style { weight: STRONG.weight, ..style } } else { style };
            height = height.max(self.text_in(cell, style, frame, 2));
            x += w;
        }
        self.room = self.room.below(height + 1.1 * DOTS);
    }

    /// A piece: on a page with its picture, its table after it.
    pub(super) fn piece(&mut self, piece: &TicketPiece) {
        let heading_mm = 22.0 + 5.5 * (piece.lines.len() + piece.warnings.len()) as f32;
        let width = self.room.w / DOTS - 2.0 * AROUND_MM;
        let (_, high) = picture::size_mm(&piece.drawing, width, PICTURE_MM);
        self.need(heading_mm + high + 2.0 * AROUND_MM + 12.0);
        self.gap(2.0);
        self.paragraph(&piece.title, HEADING, 2);
        self.rule();
        piece.lines.iter().for_each(|text| self.paragraph(text, BODY, 2));
        piece.warnings.iter().for_each(|text| self.bulleted(text, true));
        let frame = Frame {
            x: self.room.x + AROUND_MM * DOTS,
            y: self.room.y + AROUND_MM * DOTS,
            w: width * DOTS,
            h: high * DOTS,
        };
        let (marks, scale) = picture::marks(&piece.drawing, frame);
        marks.into_iter().for_each(|m| self.put(m));
        self.room = self.room.below((high + 2.0 * AROUND_MM) * DOTS);
        self.paragraph(&piece.scale.replace("{scale}", &scale), SMALL_STRONG, 1);
        self.gap(1.0);
        self.table(&piece.table);
        self.gap(3.0);
    }

    /// The pages, each with its foot.
    pub(super) fn finish(mut self, foot: &str) -> Vec<Page> {
        let count = self.pages.len();
        let whole = Self::whole();
        let frame = Frame { y: whole.bottom() + 2.0 * DOTS, h: (FOOT_MM - 2.0) * DOTS, ..whole };
        for n in 0..count {
            let text = foot.replace("{page}", &(n + 1).to_string()).replace("{pages}", &count.to_string());
            let mut one = Self { pages: vec![Page::new()], room: frame };
            one.text_in(&text, SMALL, frame, 1);
            self.pages[n].extend(one.pages.into_iter().flatten());
        }
        self.pages
    }
}
