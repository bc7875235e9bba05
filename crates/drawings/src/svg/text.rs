//! Typefaces for text that is turned into outlines.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use usvg::fontdb::{Database, Family, ID, Query, Stretch, Style, Weight};
use usvg::{FontFamily, FontResolver, FontStyle};

/// For so many letters that the chosen typeface lacks another is looked for, in one drawing.
const LOOKS: usize = 100;

/// The typefaces of this machine, read once.
fn system() -> &'static Database {
    static SYSTEM: OnceLock<Database> = OnceLock::new();
    SYSTEM.get_or_init(|| {
        let mut database = Database::new();
        database.load_system_fonts();
        database
    })
}

/// The typefaces for one drawing, and what had to stand in for what.
pub(super) struct Fonts {
    database: Arc<Database>,
    /// What is used where a typeface is not there.
    default: Option<ID>,
    instead: Mutex<HashMap<String, String>>,
    /// Letters that typefaces lacked, and which has them.
    lacking: Mutex<HashMap<char, Option<ID>>>,
}

impl Fonts {
    /// `typeface`: one that is always there. The machine's are only looked for where there is text.
    pub(super) fn new(typeface: Option<&'static [u8]>, has_text: bool) -> Self {
        let mut database = if has_text { system().clone() } else { Database::new() };
        let own = typeface
            .filter(|_| has_text)
            .map(|bytes| database.load_font_source(usvg::fontdb::Source::Binary(Arc::new(bytes))).first().copied());
        let default = own.flatten().or_else(|| database.faces().next().map(|f| f.id));
        Self { database: Arc::new(database), default, instead: Mutex::default(), lacking: Mutex::default() }
    }

    pub(super) fn database(&self) -> Arc<Database> {
        self.database.clone()
    }

    /// The typeface that stood in for the first of these.
    pub(super) fn instead_of(&self, families: &[FontFamily]) -> Option<String> {
        let wanted = families.first()?.to_string();
        self.instead.lock().unwrap_or_else(PoisonError::into_inner).get(&wanted).cloned()
    }

    pub(super) fn resolver(&self) -> FontResolver<'_> {
        FontResolver {
            select_font: Box::new(move |font, database| {
                let families: Vec<Family<'_>> = font
                    .families()
                    .iter()
                    .map(|family| match family {
                        FontFamily::Serif => Family::Serif,
                        FontFamily::SansSerif => Family::SansSerif,
                        FontFamily::Cursive => Family::Cursive,
                        FontFamily::Fantasy => Family::Fantasy,
                        FontFamily::Monospace => Family::Monospace,
                        FontFamily::Named(name) => Family::Name(name),
                    })
                    .collect();
                let style = match font.style() {
                    FontStyle::Normal => Style::Normal,
                    FontStyle::Italic => Style::Italic,
                    FontStyle::Oblique => Style::Oblique,
                };
                let query =
                    Query { families: &families, weight: Weight(font.weight()), stretch: Stretch::Normal, style };
                let found = database.query(&query);
                let used = found.or(self.default)?;
                let name = database.face(used).and_then(|f| f.families.first()).map(|f| f.0.clone())?;
                // Found under a later name is not what was wanted either.
                let wanted = font.families().first().map(ToString::to_string).unwrap_or_default();
                let is_it =
                    matches!(font.families().first(), Some(FontFamily::Named(n)) if n.eq_ignore_ascii_case(&name));
                let is_generic = !matches!(font.families().first(), Some(FontFamily::Named(_)));
                if !(is_it || is_generic && found.is_some()) {
                    self.instead.lock().unwrap_or_else(PoisonError::into_inner).insert(wanted, name);
                }
                Some(used)
            }),
            select_fallback: {
                let search = FontResolver::default_fallback_selector();
                Box::new(move |letter, tried, database| {
                    let mut lacking = self.lacking.lock().unwrap_or_else(PoisonError::into_inner);
                    if let Some(found) = lacking.get(&letter) {
                        return found.filter(|id| !tried.contains(id));
                    }
                    if lacking.len() >= LOOKS {
                        return None;
                    }
                    let found = search(letter, tried, database);
                    lacking.insert(letter, found);
                    found
                })
            },
        }
    }
}
