//! Looks through the streams of a PDF that are unpacked as soon as it is opened: lists of objects and of where they
//! stand. A file that packs more into them than anyone means is refused before.

use hayro_syntax::object::{Array, Dict, Name, Object};
use hayro_syntax::reader::{Reader, ReaderContext, ReaderExt};
use sheetloft_shapes::limits;

use super::unpack;
use crate::DrawingError;

/// Looks through a file.
///
/// # Errors
/// Where it is locked, or would unpack to more than the limits allow.
pub(super) fn look(bytes: &[u8]) -> Result<(), DrawingError> {
    let mut unpacked = 0;
    let mut read = 0;
    for at in places(bytes, b"obj") {
        let mut reader = Reader::new(&bytes[at + 3..]);
        reader.skip_white_spaces_and_comments();
        if !reader.tail().is_some_and(|t| t.starts_with(b"<<")) {
            continue;
        }
        let start = reader.offset();
        let dict = reader.read::<Dict<'_>>(&ReaderContext::dummy());
        // Dictionaries in dictionaries without end.
        read += dict.as_ref().map_or(bytes.len() - at, |_| reader.offset() - start);
        if read > 4 * limits::FILE_BYTES {
            return Err(DrawingError::TooInvolved);
        }
        let Some(dict) = dict.filter(|d| d.contains_key("W") || d.contains_key("N") && d.contains_key("First")) else {
            continue;
        };
        reader.skip_white_spaces_and_comments();
        let Some(data) = reader.tail().and_then(after_stream) else { continue };
        let odd = || DrawingError::Unreadable { why: "its objects are packed in a way that is not read".to_owned() };
        match filters(&dict).ok_or_else(odd)?.as_slice() {
            [] => {}
            [one] if one == "FlateDecode" || one == "Fl" => {
                unpacked += unpack::size(data, limits::DRAWING_UNPACKED_BYTES - unpacked)?.ok_or_else(odd)?;
            }
            _ => return Err(odd()),
        }
    }
    if places(bytes, b"/").any(|at| name_is(&bytes[at + 1..], b"Encrypt")) {
        return Err(DrawingError::Locked);
    }
    Ok(())
}

fn places<'a>(bytes: &'a [u8], word: &'a [u8]) -> impl Iterator<Item = usize> + 'a {
    let first = word[0];
    bytes.iter().enumerate().filter(move |(at, b)| **b == first && bytes[*at..].starts_with(word)).map(|(at, _)| at)
}

/// Whether a name, of which the slash has been read, is this one: letters may be written as `#` and two digits.
fn name_is(mut rest: &[u8], name: &[u8]) -> bool {
    for want in name {
        let escaped = rest.strip_prefix(b"#").and_then(|r| std::str::from_utf8(r.get(..2)?).ok());
        let (got, taken) = match escaped.and_then(|hex| u8::from_str_radix(hex, 16).ok()) {
            Some(byte) => (byte, 3),
            None => match rest.first() {
                Some(byte) => (*byte, 1),
                None => return false,
            },
        };
        if got != *want {
            return false;
        }
        rest = &rest[taken..];
    }
    rest.first().is_none_or(|b| !b.is_ascii_alphanumeric())
}

/// What stands behind the word `stream` and the end of its line.
fn after_stream(tail: &[u8]) -> Option<&[u8]> {
    let rest = tail.strip_prefix(b"stream")?;
    Some(rest.strip_prefix(b"\r\n").or(rest.strip_prefix(b"\n")).or(rest.strip_prefix(b"\r")).unwrap_or(rest))
}

/// The names of a stream's filters, of both keys that may have them; none where one is not written down right there.
fn filters(dict: &Dict<'_>) -> Option<Vec<String>> {
    let mut names = Vec::new();
    let text = |name: &Name<'_>| String::from_utf8_lossy(name.as_ref()).into_owned();
    for key in ["F", "Filter"] {
        if !dict.contains_key(key) {
            continue;
        }
        if dict.get_ref(key).is_some() {
            return None;
        }
        match dict.get::<Object<'_>>(key)? {
            Object::Name(name) => names.push(text(&name)),
            Object::Array(array) => names.extend(all_names(&array)?.iter().map(text)),
            Object::Null(_) => {}
            _ => return None,
        }
    }
    Some(names)
}

/// The names in a list, none where it holds anything else.
fn all_names<'a>(array: &Array<'a>) -> Option<Vec<Name<'a>>> {
    let mut names = Vec::new();
    let mut items = array.flex_iter();
    while let Some(item) = items.next::<Object<'_>>() {
        names.push(item.into_name()?);
    }
    // A reference ends the list above.
    (names.len() == array.raw_iter().count()).then_some(names)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_known_however_they_are_written() {
        assert!(name_is(b"Encrypt 5 0 R", b"Encrypt"));
        assert!(name_is(b"#45ncr#79pt<<", b"Encrypt"));
        assert!(!name_is(b"EncryptMetadata true", b"Encrypt"));
        assert!(!name_is(b"#4", b"Encrypt"));
    }
}
