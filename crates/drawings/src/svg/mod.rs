//! Reads SVG, packed (.svgz) or not.
//!
//! `usvg` knows styles, `use`, units, shapes and text, and leaves paths with their transforms. It trusts its input, so
//! how much of it there is to come is counted first (`guard`); what it drops without a word is looked for there too.

mod guard;
mod text;
mod walk;

use std::io::Read;

use sheetloft_shapes::limits;

use crate::sketch::Sketch;
use crate::{DrawingError, Options};

/// What begins a packed file (RFC 1952).
const GZIP: [u8; 2] = [0x1f, 0x8b];

/// Whether a file is packed.
pub(crate) fn is_packed(bytes: &[u8]) -> bool {
    bytes.starts_with(&GZIP)
}

/// Reads a file.
///
/// # Errors
/// Where it is no XML, or goes past a limit.
pub(crate) fn read(bytes: &[u8], options: &Options) -> Result<Sketch, DrawingError> {
    let unpacked;
    let bytes = if is_packed(bytes) {
        unpacked = unpack(bytes)?;
        unpacked.as_slice()
    } else {
        bytes
    };
    let text = decoded(bytes)?;
    let xml = usvg::roxmltree::ParsingOptions {
        allow_dtd: true,
        nodes_limit: limits::DRAWING_ENTITIES as u32 * 4,
        ..Default::default()
    };
    let document = usvg::roxmltree::Document::parse_with_options(&text, xml).map_err(|e| match e {
        usvg::roxmltree::Error::NodesLimitReached => DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES },
        usvg::roxmltree::Error::EntityReferenceLoop(_) => {
            DrawingError::TooDeep { block: "entity".to_owned(), most: limits::DRAWING_DEPTH }
        }
        e => DrawingError::BadXml { line: e.pos().row as usize, why: e.to_string() },
    })?;
    let seen = guard::look(&document)?;
    let fonts = text::Fonts::new(options.typeface, seen.has_text);
    let tree = {
        let options = usvg::Options {
            image_href_resolver: usvg::ImageHrefResolver {
                // No file is opened and no picture unpacked because a drawing says so.
                resolve_data: Box::new(|_, _, _| None),
                resolve_string: Box::new(|_, _| None),
            },
            font_resolver: fonts.resolver(),
            fontdb: fonts.database(),
            ..usvg::Options::default()
        };
        usvg::Tree::from_xmltree(&document, &options)
    };
    let tree = tree.map_err(|e| match e {
        usvg::Error::ElementsLimitReached => DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES },
        usvg::Error::InvalidSize => DrawingError::Unreadable { why: "its width or height is none".to_owned() },
        e => DrawingError::Unreadable { why: e.to_string() },
    })?;
    walk::sketch(&tree, seen, &fonts)
}

fn unpack(bytes: &[u8]) -> Result<Vec<u8>, DrawingError> {
    let mut out = Vec::new();
    flate2::read::MultiGzDecoder::new(bytes)
        .take(limits::FILE_BYTES as u64 + 1)
        .read_to_end(&mut out)
        .map_err(|e| DrawingError::Unreadable { why: e.to_string() })?;
    if out.len() > limits::FILE_BYTES {
        return Err(DrawingError::TooMuchUnpacked { most: limits::FILE_BYTES });
    }
    Ok(out)
}

/// The text of a file: UTF-8, UTF-16 by its mark, or what the XML declaration says.
fn decoded(bytes: &[u8]) -> Result<std::borrow::Cow<'_, str>, DrawingError> {
    if let Some((encoding, mark)) = encoding_rs::Encoding::for_bom(bytes) {
        return Ok(encoding.decode_without_bom_handling(&bytes[mark..]).0);
    }
    let head = String::from_utf8_lossy(&bytes[..bytes.len().min(200)]);
    let said = head.split("?>").next().and_then(|declaration| declaration.split("encoding").nth(1));
    let label = said.and_then(|rest| rest.split(['"', '\'']).nth(1)).unwrap_or("utf-8");
    let encoding = encoding_rs::Encoding::for_label(label.as_bytes()).unwrap_or(encoding_rs::UTF_8);
    // What is not of the encoding is in names and texts: the drawing can be read without it.
    Ok(encoding.decode_without_bom_handling(bytes).0)
}
