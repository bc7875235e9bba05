//! The embedded fonts, read once.

use std::collections::HashMap;
use std::sync::{Arc, LazyLock, Mutex, PoisonError};

use rustybuzz::ttf_parser::GlyphId;
use rustybuzz::{Direction, Face, Script, ShapePlan};

/// How heavy the letters are.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub(crate) enum Weight {
    Plain,
    Bold,
}

/// A font: what its file says.
pub(crate) struct Font {
    pub(crate) face: Face<'static>,
    /// Height of each glyph's ink above and depth below the baseline, em.
    ink: Vec<(f32, f32)>,
}

impl Weight {
    /// The font file.
    pub(crate) fn bytes(self) -> &'static [u8] {
        match self {
            Self::Plain => include_bytes!("../../fonts/DejaVuSansCondensed.ttf"),
            Self::Bold => include_bytes!("../../fonts/DejaVuSansCondensed-Bold.ttf"),
        }
    }

    /// The font.
    pub(crate) fn font(self) -> &'static Font {
        static PLAIN: LazyLock<Font> = LazyLock::new(|| Font::read(Weight::Plain));
        static BOLD: LazyLock<Font> = LazyLock::new(|| Font::read(Weight::Bold));
        match self {
            Self::Plain => &PLAIN,
            Self::Bold => &BOLD,
        }
    }

    /// How the font shapes a script in a direction. Made once: that takes far longer than to shape a line.
    pub(super) fn plan(self, direction: Direction, script: Script) -> Arc<ShapePlan> {
        type Plans = HashMap<(Weight, bool, Script), Arc<ShapePlan>>;
        static PLANS: LazyLock<Mutex<Plans>> = LazyLock::new(Mutex::default);
        let mut plans = PLANS.lock().unwrap_or_else(PoisonError::into_inner);
        let made = || Arc::new(ShapePlan::new(&self.font().face, direction, Some(script), None, &[]));
        plans.entry((self, direction == Direction::RightToLeft, script)).or_insert_with(made).clone()
    }
}

impl Font {
    fn read(weight: Weight) -> Self {
        let face = Face::from_slice(weight.bytes(), 0).expect("the embedded fonts are read by every test");
        let em = face.units_per_em() as f32;
        let ink = (0..face.number_of_glyphs())
            .map(|id| face.glyph_bounding_box(GlyphId(id)))
            .map(|ink| ink.map_or((0.0, 0.0), |ink| (f32::from(ink.y_max) / em, -f32::from(ink.y_min) / em)))
            .collect();
        Self { face, ink }
    }

    /// Height of a glyph's ink above and depth below the baseline, em; nothing for a glyph without ink.
    pub(super) fn ink(&self, glyph: u16) -> (f32, f32) {
        self.ink.get(usize::from(glyph)).copied().unwrap_or_default()
    }
}
