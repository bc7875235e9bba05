//! The group codes of a DXF file, text or binary, one after the other, without any meaning.

use crate::DrawingError;

/// The value behind a group code, as it stands in the file.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Value<'a> {
    /// A line of a text file, trimmed, or a string of a binary one.
    Text(&'a [u8]),
    /// A number of a binary file.
    Real(f64),
    /// A whole number of a binary file.
    Int(i64),
    /// A chunk of bytes of a binary file.
    Chunk,
}

impl Value<'_> {
    /// The value as a real number; `None` where it is none, or not a finite one.
    pub(super) fn real(&self) -> Option<f64> {
        let v = match *self {
            Self::Text(text) => std::str::from_utf8(text).ok()?.trim().parse().ok()?,
            Self::Real(v) => v,
            Self::Int(v) => v as f64,
            Self::Chunk => return None,
        };
        f64::is_finite(v).then_some(v)
    }

    /// The value as a whole number. Some programs write these with a decimal point.
    pub(super) fn int(&self) -> Option<i64> {
        self.real().map(|v| v as i64)
    }

    /// Whether the value is just this text.
    pub(super) fn is(&self, word: &str) -> bool {
        matches!(self, Self::Text(text) if *text == word.as_bytes())
    }
}

/// A group code and its value.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Tag<'a> {
    pub(super) code: i32,
    pub(super) value: Value<'a>,
    /// Line of the code in a text file, byte of it in a binary one, from 1.
    pub(super) at: usize,
}

/// What kind of value stands behind a group code.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Kind {
    Text,
    Real,
    I16,
    I32,
    I64,
    Flag,
    Chunk,
}

/// The kind that the DXF reference gives for a group code ("Group codes in numerical order").
pub(super) fn kind(code: i32) -> Option<Kind> {
    Some(match code {
        0..=9 | 100..=109 | 300..=309 | 320..=369 | 390..=399 | 410..=419 | 430..=439 | 470..=481 => Kind::Text,
        999..=1003 | 1005..=1009 => Kind::Text,
        10..=59 | 110..=149 | 210..=239 | 460..=469 | 1010..=1059 => Kind::Real,
        60..=79 | 170..=179 | 270..=289 | 370..=389 | 400..=409 | 1060..=1070 => Kind::I16,
        90..=99 | 420..=429 | 440..=459 | 1071 => Kind::I32,
        160..=169 => Kind::I64,
        290..=299 => Kind::Flag,
        310..=319 | 1004 => Kind::Chunk,
        _ => return None,
    })
}

/// How a binary file begins.
pub(super) const BINARY_START: &[u8] = b"AutoCAD Binary DXF\r\n\x1a\0";

/// The tags of a file. Ends after the first error.
pub(super) struct Tags<'a> {
    bytes: &'a [u8],
    at: usize,
    form: Form,
    ended: bool,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Text { line: usize, newline: u8 },
    Binary { wide: bool },
}

impl<'a> Tags<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        if bytes.starts_with(BINARY_START) {
            let at = BINARY_START.len();
            // The first code is 0 and its text SECTION: since R13 codes take two bytes.
            let wide = bytes.get(at + 1) == Some(&0);
            return Self { bytes, at, form: Form::Binary { wide }, ended: false };
        }
        let at = if bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
        // Some old programs end lines with a carriage return alone.
        let newline = if bytes[at..].iter().take(4096).any(|&b| b == b'\n') { b'\n' } else { b'\r' };
        Self { bytes, at, form: Form::Text { line: 0, newline }, ended: false }
    }

    fn line(&mut self) -> Option<&'a [u8]> {
        let Form::Text { line, newline } = &mut self.form else { return None };
        let rest = self.bytes.get(self.at..).filter(|r| !r.is_empty())?;
        let end = rest.iter().position(|b| b == newline);
        *line += 1;
        self.at += end.map_or(rest.len(), |e| e + 1);
        Some(rest[..end.unwrap_or(rest.len())].trim_ascii())
    }

    fn text_tag(&mut self) -> Result<Option<Tag<'a>>, DrawingError> {
        let mut code = self.line();
        // Nothing but empty lines: the file has ended.
        while code.is_some_and(<[u8]>::is_empty) {
            code = self.line();
        }
        let Form::Text { line: at, .. } = self.form else { return Ok(None) };
        let Some(code) = code else { return Ok(None) };
        let code = std::str::from_utf8(code)
            .ok()
            .and_then(|c| c.parse::<i32>().ok())
            .ok_or(DrawingError::NotAGroupCode { at })?;
        let value = Value::Text(self.line().ok_or(DrawingError::Truncated { at })?);
        Ok(Some(Tag { code, value, at }))
    }

    fn take<const N: usize>(&mut self) -> Result<[u8; N], DrawingError> {
        let end = self.at + N;
        let chunk = self.bytes.get(self.at..end).ok_or(DrawingError::Truncated { at: self.bytes.len() })?;
        self.at = end;
        chunk.try_into().map_err(|_| DrawingError::Truncated { at: end })
    }

    fn binary_tag(&mut self, wide: bool) -> Result<Option<Tag<'a>>, DrawingError> {
        if self.at >= self.bytes.len() {
            return Ok(None);
        }
        let at = self.at + 1;
        let code = if wide {
            i32::from(u16::from_le_bytes(self.take()?))
        } else {
            match self.take::<1>()? {
                [255] => i32::from(u16::from_le_bytes(self.take()?)),
                [code] => i32::from(code),
            }
        };
        let value = match kind(code).ok_or(DrawingError::NotAGroupCode { at })? {
            Kind::Text => {
                let rest = &self.bytes[self.at..];
                let end = rest.iter().position(|&b| b == 0).ok_or(DrawingError::Truncated { at })?;
                self.at += end + 1;
                Value::Text(rest[..end].trim_ascii())
            }
            Kind::Real => Value::Real(f64::from_le_bytes(self.take()?)),
            Kind::I16 => Value::Int(i64::from(i16::from_le_bytes(self.take()?))),
            Kind::I32 => Value::Int(i64::from(i32::from_le_bytes(self.take()?))),
            Kind::I64 => Value::Int(i64::from_le_bytes(self.take()?)),
            Kind::Flag if wide => Value::Int(i64::from(self.take::<1>()?[0])),
            Kind::Flag => Value::Int(i64::from(i16::from_le_bytes(self.take()?))),
            Kind::Chunk => {
                let [n] = self.take()?;
                self.at += usize::from(n);
                if self.at > self.bytes.len() {
                    return Err(DrawingError::Truncated { at });
                }
                Value::Chunk
            }
        };
        Ok(Some(Tag { code, value, at }))
    }
}

impl<'a> Iterator for Tags<'a> {
    type Item = Result<Tag<'a>, DrawingError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        let tag = match self.form {
            Form::Text { .. } => self.text_tag(),
            Form::Binary { wide } => self.binary_tag(wide),
        };
        self.ended = !matches!(tag, Ok(Some(_)));
        tag.transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(bytes: &[u8]) -> Vec<(i32, Option<f64>, usize)> {
        Tags::new(bytes).map(|t| t.map(|t| (t.code, t.value.real(), t.at)).unwrap()).collect()
    }

    #[test]
    fn every_line_ending_is_read() {
        let want = vec![(0, None, 1), (10, Some(2.5), 3)];
        assert_eq!(all(b"  0\r\nLINE\r\n 10\r\n2.5\r\n\r\n"), want);
        assert_eq!(all(b"0\nLINE\n10\n2.5"), want);
        assert_eq!(all(b"\xef\xbb\xbf0\rLINE\r10\r2.5\r"), want);
    }

    #[test]
    fn a_line_that_is_no_code_is_named() {
        let found: Result<Vec<_>, _> = Tags::new(b"0\nLINE\nten\n2.5\n").collect();
        assert!(matches!(found, Err(DrawingError::NotAGroupCode { at: 3 })));
    }

    #[test]
    fn both_binary_forms_are_read() {
        let mut old = BINARY_START.to_vec();
        old.extend(b"\0LINE\0\x0a");
        old.extend(2.5f64.to_le_bytes());
        assert_eq!(all(&old), vec![(0, None, 23), (10, Some(2.5), 29)]);
        let mut new = BINARY_START.to_vec();
        new.extend(b"\0\0LINE\0\x0a\0");
        new.extend(2.5f64.to_le_bytes());
        assert_eq!(all(&new), vec![(0, None, 23), (10, Some(2.5), 30)]);
        new.pop();
        assert!(Tags::new(&new).any(|t| matches!(t, Err(DrawingError::Truncated { .. }))));
    }

    #[test]
    fn numbers_that_are_none_are_none() {
        for text in ["NaN", "inf", "1e999", "", "1,5"] {
            assert_eq!(Value::Text(text.as_bytes()).real(), None, "{text}");
        }
        assert_eq!(Value::Text(b"2.0").int(), Some(2));
    }
}
